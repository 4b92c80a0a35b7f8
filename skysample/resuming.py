"""Go on with a plan that clouds interrupted: what is done is dropped, what failed is replaced, the rest re-ordered."""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.columns import Columns
from skysample.errors import InputError, NoSolution, SkysampleWarning
from skysample.geometry import alt_az, direction, separation
from skysample.mount_axes import SIDE_NAMES, ideal_axes, mount_frame, sides
from skysample.ordering import DEFAULT_ORDERING, best_order, mount_bound, schedule
from skysample.planning import PLAN_FORMAT, PLAN_VERSION, Plan, check_times, moments, ordering_problem
from skysample.plugins.registry import default_registry
from skysample.runs import RUN_FORMAT, RUN_VERSION
from skysample.sampling.grid import Grid, evenness, ideal_covering_rad, ideal_separation_rad
from skysample.sky import usable_sky
from skysample.tables import read_table

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.site import Site
    from skysample.sky import UsableSky

__all__ = ["Progress", "check_same_plan", "read_plan", "read_progress", "resume"]

_FAR_RAD = np.radians(10.0)
"""Farther from its planned place no telescope lands that is worth a run: then it is another plan's point."""

_ASIDE = 0.3
"""How far a failed point is moved, at least, in units of the hexagonal separation: out of a small cloud."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a plan has been taken.

    Attributes
    ----------
    done : tuple of int
        Numbers of the points that have a solution.
    failed : tuple of int
        Numbers of those that brought nothing, in the order in which that happened.
    last : int or None
        Number of the point taken or tried last.
    """

    done: tuple[int, ...]
    failed: tuple[int, ...]
    last: int | None


def read_progress(path: str | os.PathLike[str]) -> Progress:
    """Read from a run file which points of its plan are done.

    Parameters
    ----------
    path : path-like
        A run whose rows name their `point`; a row that is `failed`, or has no solution, brought nothing.

    Returns
    -------
    Progress

    Raises
    ------
    InputError
        If the file is no run, or a row does not name its point.
    """
    name = os.fspath(path)
    table = read_table(
        path, text=("status", "time"), expected=RUN_FORMAT, version=RUN_VERSION, undeclared=True
    )
    for column in ("point", "solved_ra_deg", "solved_dec_deg"):
        if column not in table.colnames:
            raise InputError(
                f"has no column {column}: only a run that names its points can be resumed",
                file=name,
                key=column,
            )
    columns = Columns(table, np.arange(len(table)), name)
    numbers = _numbers(columns)
    solved = columns.present("solved_ra_deg") & columns.present("solved_dec_deg")
    solved &= np.array([status != "failed" for status in columns.choices("status", ("ok", "failed"))], bool)
    done = dict.fromkeys(numbers[solved].tolist())
    failed = dict.fromkeys(numbers[~solved].tolist())
    last = int(numbers[-1]) if len(numbers) else None
    return Progress(tuple(done), tuple(each for each in failed if each not in done), last)


def _numbers(columns: Columns) -> NDArray[np.int64]:
    numbers = columns.integers("point", empty=0)
    for place in np.flatnonzero(numbers < 1):
        raise columns.refuse("point", int(place), "is not a number of the plan; write it")
    return numbers


def read_plan(path: str | os.PathLike[str], site: Site) -> Plan:
    """Read a plan file back.

    Parameters
    ----------
    path : path-like
        Written by `Plan.write`.
    site : Site
        The plan's own.

    Returns
    -------
    Plan
        Its points in its order; mount and dome are worked out again. It has no start time.

    Raises
    ------
    InputError
        If the file is no plan, or a point of it lies outside this site's usable sky.
    """
    name = os.fspath(path)
    table = read_table(path, text=("pier", "start_utc"), expected=PLAN_FORMAT, version=PLAN_VERSION)
    for column in ("point", "alt_deg", "az_deg", "pier"):
        if column not in table.colnames:
            raise InputError(f"has no column {column}: it is no plan", file=name, key=column)
    columns = Columns(table, np.arange(len(table)), name)
    numbers = _numbers(columns).tolist()
    places = np.array(
        [
            columns.floats(column, -reach, reach, unit="deg")
            for column, reach in (("alt_deg", 90.0), ("az_deg", 360.0))
        ]
    )
    if not numbers or not np.isfinite(places).all() or len(set(numbers)) < len(numbers):
        raise InputError(
            "has no points, a point without a place, or one twice; write the plan again",
            file=name,
            key="point",
        )
    words = columns.choices("pier", tuple(SIDE_NAMES.values()))
    side = np.array([-1 if word == SIDE_NAMES[-1] else 1 for word in words])
    sky = usable_sky(site)
    grid = _grid_of(direction(*np.radians(places)), side, sky, 0)
    problem = ordering_problem(site, grid)
    order = np.arange(len(numbers))
    return Plan(site, grid, order, "as read", schedule(problem, order), None, grid_numbers=tuple(numbers))


def check_same_plan(earlier: Plan, run: Run) -> None:
    """Refuse a run whose points are not where this plan has them.

    Raises
    ------
    InputError
        Names the first such row.
    """
    planned = dict(zip(earlier.numbers.tolist(), earlier.grid.directions[earlier.order], strict=True))
    for row, number, seen in zip(run.rows, run.point, run.directions, strict=True):
        if int(number) in planned and separation(seen, planned[int(number)]) > _FAR_RAD:
            raise InputError(
                f"point {number} is not where this plan has it; name the plan's file, or its own points and seed",
                file=run.source,
                row=int(row),
                key="point",
            )


def resume(
    earlier: Plan,
    progress: Progress,
    when: Time | None = None,
    *,
    order: str | None = None,
    registry: Registry | None = None,
) -> Plan:
    """Plan the rest of a plan.

    A failed point gives way to its nearest usable neighbour, a little aside, under a new number: the points of the
    earlier plan count on from its own. No point is planned twice, however often a plan is resumed.

    Parameters
    ----------
    earlier : Plan
        As it was made.
    progress : Progress
        From `read_progress`.
    when : Time, optional
        Now.
    order : str, optional
        Name of an ordering; default "annealed".
    registry : Registry, optional

    Returns
    -------
    Plan
        Ordered from where mount and dome stood at the last point. Points that are not usable now are left out, with
        a SkysampleWarning that names them.

    Raises
    ------
    InputError
        If the run names points that the plan does not have.
    NoSolution
        If nothing is left to take.
    """
    plugins = registry or default_registry()
    camera = earlier.site.camera
    expected_s = earlier.total_s + earlier.points * (camera.exposure_s + camera.overhead_s)
    sky_now = usable_sky(earlier.site, moments(when, expected_s), registry=plugins)
    numbers, directions, side = _all_points(earlier, progress.failed)
    for number in (*progress.done, *progress.failed):
        if number not in numbers:
            raise InputError(
                f"the run has point {number}, which this plan has not: name the first plan,"
                " or give its own points and seed",
                key="point",
            )
    left = ~np.isin(numbers, (*progress.done, *progress.failed))
    usable = np.array(
        [
            bool(sky_now.usable(directions[i : i + 1], int(side[i]))[0]) if left[i] else False
            for i in range(len(numbers))
        ]
    )
    if (left & ~usable).any():
        missing = ", ".join(str(number) for number in numbers[left & ~usable])
        warnings.warn(
            f"not usable at this time and left out: point {missing}", SkysampleWarning, stacklevel=2
        )
    if not usable.any():
        raise NoSolution("nothing is left to take: every point is done, failed, or not usable now")
    orderings = plugins.orderings(earlier.site)
    name = order or DEFAULT_ORDERING
    if name not in orderings:
        raise InputError(f"there is no ordering {name!r}; known: {', '.join(sorted(orderings))}", key="order")
    grid = _grid_of(directions[usable], side[usable], sky_now, earlier.grid.seed)
    problem = ordering_problem(earlier.site, grid, earlier.grid.seed)
    here = _where_it_stands(earlier, progress.last, numbers, directions)
    if here is not None:
        problem = replace(problem, start_axes=here[0], start_dome=here[1])
    sequence = best_order(problem, orderings[name])
    found = Plan(
        earlier.site,
        grid,
        sequence,
        name,
        schedule(problem, sequence),
        mount_bound(problem),
        when,
        earlier.model,
        tuple(int(number) for number in numbers[usable]),
    )
    check_times(found, plugins)
    return found


def _all_points(earlier: Plan, failed: tuple[int, ...]) -> tuple[NDArray[np.int64], Array, NDArray[np.int64]]:
    """Numbers, directions and sides of the plan's points, then of those that replace failed ones."""
    numbers = (
        list(range(1, earlier.points + 1)) if earlier.grid_numbers is None else list(earlier.grid_numbers)
    )
    directions = [np.asarray(each) for each in earlier.grid.directions]
    side = [int(each) for each in earlier.grid.sides]
    sky = earlier.sky
    aside = _ASIDE * ideal_separation_rad(sky.area_sr, earlier.points)
    for number in failed:
        if number not in numbers:
            continue
        at = numbers.index(number)
        reachable = sky.directions[sky.reachable[:, sides(earlier.site.mount.kind).index(side[at])]]
        clear = np.min([separation(reachable, other) for other in directions], axis=0) >= aside
        if not clear.any():
            continue
        nearest = int(np.argmin(np.where(clear, separation(reachable, directions[at]), np.inf)))
        numbers.append(max(numbers) + 1)
        directions.append(reachable[nearest])
        side.append(side[at])
    return np.array(numbers), np.array(directions), np.array(side)


def _where_it_stands(
    earlier: Plan, last: int | None, numbers: NDArray[np.int64], directions: Array
) -> tuple[Array, float] | None:
    """Axes and dome at the point tried last: as the plan had them, or facing a point that replaced another."""
    if last is None:
        return None
    planned = earlier.numbers.tolist()
    if last in planned:
        stop = planned.index(last)
        dome = float(earlier.schedule.dome_az[stop])
        return earlier.schedule.axes[stop], dome if np.isfinite(dome) else 0.0
    there = directions[numbers.tolist().index(last)]
    frame = mount_frame(earlier.site.mount.kind, earlier.site.location.latitude_rad)
    return ideal_axes(frame, there), float(alt_az(there)[1])


def _grid_of(directions: Array, side: NDArray[np.int64], sky: UsableSky, seed: int) -> Grid:
    measured = evenness(sky.directions, directions)
    return Grid(
        directions=directions,
        sides=side,
        sky=sky,
        area_sr=sky.area_sr,
        covering_radius_rad=measured.covering_radius_rad,
        min_separation_rad=measured.min_separation_rad,
        covering_ratio=measured.covering_radius_rad / ideal_covering_rad(sky.area_sr, len(directions)),
        separation_ratio=measured.min_separation_rad / ideal_separation_rad(sky.area_sr, len(directions)),
        area_variation=measured.area_variation,
        design="resumed",
        seed=seed,
    )

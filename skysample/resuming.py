"""Go on with a plan that clouds interrupted: what is done is dropped, what failed is replaced, the rest re-ordered."""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.columns import Columns
from skysample.errors import InputError, NoSolution, SkysampleWarning
from skysample.geometry import direction, separation
from skysample.mount_axes import SIDE_NAMES, sides
from skysample.ordering import DEFAULT_ORDERING, best_order, mount_bound, schedule
from skysample.planning import (
    GUESSED_LEG_S,
    PLAN_FORMAT,
    PLAN_VERSION,
    Plan,
    check_times,
    moments,
    ordering_problem,
)
from skysample.plugins.registry import default_registry
from skysample.run_progress import Progress, plan_numbers, read_progress
from skysample.sampling.grid import Grid, evenness, ideal_covering_rad, ideal_separation_rad
from skysample.sky import usable_sky
from skysample.tables import read_table

if TYPE_CHECKING:
    from collections.abc import Mapping

    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.site import Site
    from skysample.sky import UsableSky

__all__ = ["Progress", "check_same_plan", "known_numbers", "read_plan", "read_progress", "resume"]

_FAR_RAD = np.radians(10.0)
"""Farther from its planned place no telescope lands that is worth a run: then it is another plan's point."""

_ASIDE = 0.3
"""How far a failed point is moved, at least, in units of the hexagonal separation: out of a small cloud."""

_ROUNDED_RAD = np.radians(5e-6)
"""How far a place may have moved by being written to a plan file."""


def read_plan(
    path: str | os.PathLike[str], site: Site, *, check: bool = True, registry: Registry | None = None
) -> Plan:
    """Read a plan file back.

    Parameters
    ----------
    path : path-like
        Written by `Plan.write`.
    site : Site
        The plan's own.
    check : bool
        Whether every point has to be usable, the Sun aside. Without it the plan is for `resume` only, which leaves
        out by itself what is not usable: the horizon may have been corrected since.
    registry : Registry, optional
        The plugins to ask, in place of everything installed.

    Returns
    -------
    Plan
        Its points in its order; mount and dome are worked out again, from where they are parked. It has no start
        time.

    Raises
    ------
    InputError
        If the file is no plan or another site's, or a point of it lies outside this site's usable sky.
    """
    name = os.fspath(path)
    table = read_table(path, text=("pier", "start_utc"), expected=PLAN_FORMAT, version=PLAN_VERSION)
    for column in ("point", "alt_deg", "az_deg", "pier"):
        if column not in table.colnames:
            raise InputError(f"has no column {column}: it is no plan", file=name, key=column)
    made_for = table.meta.get("site")
    if made_for and site.name and made_for != site.name:
        raise InputError(
            f"was made for {made_for!r:.60}, not for {site.name!r}; name that site's file",
            file=name,
            key="site",
        )
    columns = Columns(table, np.arange(len(table)), name)
    numbers = plan_numbers(columns).tolist()
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
    sky = usable_sky(site, registry=registry)
    grid = _grid_of(direction(*np.radians(places)), side, sky, 0)
    if table.meta.get("design") != "resumed":
        grid = replace(grid, design="as read")
    if check:
        _check_usable(grid, columns)
    problem = ordering_problem(site, grid, dome_weight=_dome_weight(table.meta, name))
    order = np.arange(len(numbers))
    return Plan(
        site,
        grid,
        order,
        "as read",
        schedule(problem, order),
        None,
        grid_numbers=tuple(numbers),
        problem=problem,
    )


def _dome_weight(meta: Mapping[str, Any], file: str) -> float:
    weight = meta.get("dome_weight", 0.0)
    if isinstance(weight, bool) or not isinstance(weight, int | float) or not 0.0 <= weight <= 1.0:
        raise InputError(
            f"dome_weight is {weight!r:.60}, not from 0 to 1; correct it", file=file, key="dome_weight"
        )
    return float(weight)


def _check_usable(grid: Grid, columns: Columns) -> None:
    """Refuse a plan with a point that is not usable, nor any place so near that writing rounded it away."""
    around = np.radians(np.arange(0.0, 360.0, 45.0))
    for place, (at, each) in enumerate(zip(grid.directions, grid.sides, strict=True)):
        across = np.cross(at, np.eye(3)[int(np.argmin(np.abs(at)))])
        across /= np.linalg.norm(across)
        ring = np.outer(np.cos(around), across) + np.outer(np.sin(around), np.cross(at, across))
        nearby = np.concatenate([at[None], np.cos(_ROUNDED_RAD) * at + np.sin(_ROUNDED_RAD) * ring])
        if not grid.sky.usable(nearby, int(each)).any():
            raise columns.refuse(
                "alt_deg",
                place,
                f"and az_deg are outside this site's usable sky ({_because(grid.sky, at)}); plan again, or name the"
                " site file that this plan was made for",
            )


def _because(sky: UsableSky, at: Array) -> str:
    """What makes a direction unusable: the obstructions' names, or that the tube's side does not reach it."""
    return " and ".join(sky.blockers(at)) or "not reached on that side of the pier"


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
    dome_weight: float | None = None,
    registry: Registry | None = None,
) -> Plan:
    """Plan the rest of a plan.

    A failed point gives way to its nearest usable neighbour, a little aside, under a new number: the points of the
    first plan count on from its own. No point is planned twice, however often a plan is resumed.

    Parameters
    ----------
    earlier : Plan
        As it was made: the first plan, or one that was resumed since.
    progress : Progress
        What has been taken, from `read_progress`; of a plan that was resumed, at least what was taken since.
    when : Time, optional
        Now.
    order : str, optional
        Name of an ordering; default "annealed".
    dome_weight : float, optional
        See `skysample.plan`; default: the earlier plan's.
    registry : Registry, optional

    Returns
    -------
    Plan
        Ordered from where mount and dome stood at the last point, whether it was solved or not. Points that are not
        usable now are left out, with a SkysampleWarning that names them.

    Raises
    ------
    InputError
        If the run names points that the plan does not have, or the plan is the file of one that was resumed.
    NoSolution
        If nothing is left to take.
    """
    plugins = registry or default_registry()
    site = earlier.site
    orderings = plugins.orderings(site)
    name = order or DEFAULT_ORDERING
    if name not in orderings:
        raise InputError(f"there is no ordering {name!r}; known: {', '.join(sorted(orderings))}", key="order")
    first = earlier.first or earlier
    if first.grid.design == "resumed":
        raise InputError(
            "the plan is itself the rest of another: name the first plan, and one run with all that was taken",
            key="plan",
        )
    taken = progress if earlier.progress is None else earlier.progress.then(progress)
    weight = earlier.dome_weight if dome_weight is None else dome_weight
    here: tuple[Array, float] | None = None
    expected_s = max(1, first.points - len(taken.done)) * (
        site.camera.exposure_s + site.camera.overhead_s + GUESSED_LEG_S
    )
    for _ in range(4):
        sky_now = usable_sky(site, moments(when, expected_s), registry=plugins)
        points = _all_points(first, taken, sky_now)
        _check_known(points, taken)
        usable = points.open_after(taken)
        left = np.flatnonzero(usable)
        usable[left] = [
            sky_now.usable(points.directions[i : i + 1], int(points.side[i]))[0] for i in left.tolist()
        ]
        missing = [int(i) for i in left if not usable[i]]
        if not usable.any():
            _say_missing(points, missing, sky_now)
            raise NoSolution("nothing is left to take: every point is done, failed, or not usable now")
        grid = _grid_of(points.directions[usable], points.side[usable], sky_now, earlier.grid.seed)
        problem = ordering_problem(site, grid, earlier.grid.seed, weight)
        here = here or _where_it_stands(earlier, progress, points)
        if here is not None:
            problem = replace(problem, start_axes=here[0], start_dome=here[1])
        sequence = best_order(problem, orderings[name])
        found = Plan(
            site,
            grid,
            sequence,
            name,
            schedule(problem, sequence),
            mount_bound(problem),
            when,
            earlier.model,
            tuple(points.numbers[usable].tolist()),
            problem,
            first,
            taken,
        )
        if when is None or found.total_s <= expected_s:
            break
        expected_s = 1.2 * found.total_s
    _say_missing(points, missing, sky_now)
    check_times(found, plugins)
    return found


def known_numbers(plan: Plan, progress: Progress) -> frozenset[int]:
    """Numbers that a run of this plan may name: its own, those before it, and those that replace failed points."""
    first = plan.first or plan
    taken = progress if plan.progress is None else plan.progress.then(progress)
    return frozenset(_all_points(first, taken, first.sky).numbers.tolist())


@dataclass(frozen=True)
class _Points:
    """Every point that a plan ever had.

    Numbers, directions, sides, the number that each replaces (or 0), and whether there is a place for it.
    """

    numbers: NDArray[np.int64]
    directions: Array
    side: NDArray[np.int64]
    replaces: NDArray[np.int64]
    placed: NDArray[np.bool_]

    def open_after(self, taken: Progress) -> NDArray[np.bool_]:
        """Which are still to be taken: not one that was, nor what replaces a point that was solved later."""
        served = set(taken.done)
        for number, replaced in zip(self.numbers.tolist(), self.replaces.tolist(), strict=True):
            if replaced in served:
                served.add(number)
        return self.placed & ~np.isin(self.numbers, [*served, *taken.failed])


def _all_points(first: Plan, taken: Progress, sky_now: UsableSky) -> _Points:
    """Points of the first plan, then one for each that failed, in the order in which they did.

    The numbers do not depend on when this is asked. Neither do the places of those that were taken already, which
    nothing else may come close to; the others have to be usable now.
    """
    numbers = list(range(1, first.points + 1)) if first.grid_numbers is None else list(first.grid_numbers)
    directions = [np.asarray(each) for each in first.grid.directions]
    side = [int(each) for each in first.grid.sides]
    replaces, placed = [0] * len(numbers), [True] * len(numbers)
    aside = _ASIDE * ideal_separation_rad(first.sky.area_sr, first.points)
    tried = {*taken.done, *taken.failed}
    every_side = sides(first.site.mount.kind)
    for failed in taken.failed:
        if failed not in numbers:
            continue
        at, number = numbers.index(failed), max(numbers) + 1
        column = every_side.index(side[at])
        sky = first.sky if number in tried else sky_now
        reachable = sky.directions[sky.reachable[:, column]]
        clear = np.min([separation(reachable, other) for other in directions], axis=0) >= aside
        nearest = int(np.argmin(np.where(clear, separation(reachable, directions[at]), np.inf)))
        numbers.append(number)
        # Without a place the number is used up all the same: those after it must not depend on the time.
        directions.append(reachable[nearest] if clear.any() else directions[at])
        side.append(side[at])
        replaces.append(failed)
        placed.append(bool(clear.any()))
    return _Points(
        np.array(numbers), np.array(directions), np.array(side), np.array(replaces), np.array(placed)
    )


def _check_known(points: _Points, taken: Progress) -> None:
    for number in (*taken.done, *taken.failed):
        if number not in points.numbers:
            raise InputError(
                f"the run has point {number}, which this plan has not: name the first plan,"
                " or give its own points and seed",
                key="point",
            )


def _say_missing(points: _Points, missing: list[int], sky: UsableSky) -> None:
    if missing:
        named = ", ".join(
            f"point {points.numbers[i]} ({_because(sky, points.directions[i])})" for i in missing
        )
        warnings.warn(f"not usable now and left out: {named}", SkysampleWarning, stacklevel=3)


def _where_it_stands(earlier: Plan, progress: Progress, points: _Points) -> tuple[Array, float] | None:
    """Axes and dome at the point tried last, as the plan had them; the dome as the run says, if it does.

    None: nothing was tried since the plan was made and it does not know either.
    """
    last, planned = progress.last, earlier.numbers.tolist()
    if last in planned:
        moves, stop = earlier.schedule, planned.index(last)
    elif last is None or earlier.first is not None:
        problem = earlier.problem
        return None if problem is None else (np.asarray(problem.start_axes), float(problem.start_dome))
    else:
        # It replaced another point under an order that is not known here: gone to from the park.
        one = points.numbers == last
        alone = _grid_of(points.directions[one], points.side[one], earlier.sky, 0)
        moves, stop = schedule(ordering_problem(earlier.site, alone), [0]), 0
    dome = float(moves.dome_az[stop]) if progress.dome_az_rad is None else progress.dome_az_rad
    return moves.axes[stop], dome % (2.0 * np.pi) if np.isfinite(dome) else 0.0


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

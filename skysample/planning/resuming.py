"""Continue a plan after clouds: drop the points that are done, replace those that failed, re-order the rest."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.times import check_moment
from skysample.errors import InputError, NoSolution, SkysampleWarning
from skysample.geometry import separation
from skysample.ordering import named_ordering, schedule
from skysample.ordering.grid_problem import ordering_problem
from skysample.planning import in_order, plan_for_its_own_time
from skysample.planning.plan_file import unusable_because
from skysample.plugins.registry import default_registry
from skysample.runs.points_done import PointsDone
from skysample.sampling.grid import grid_of, ideal_separation_rad
from skysample.site.mount_axes import sides

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from astropy.time import Time

    from skysample.geometry import Array
    from skysample.planning.plan_table import Plan
    from skysample.plugins.registry import Registry
    from skysample.sampling import Grid
    from skysample.sky import UsableSky

__all__ = ["PointsDone", "known_numbers", "resume"]

_ASIDE = 0.3
"""Least distance of a replacement from the failed point, in hexagonal separations: enough to leave a small cloud."""


def resume(
    earlier: Plan,
    progress: PointsDone,
    when: Time | None = None,
    *,
    order: str | None = None,
    dome_weight: float | None = None,
    registry: Registry | None = None,
) -> Plan:
    """Plan the rest of a plan.

    A failed point is replaced by its nearest usable neighbour, a little to the side, under a new number that continues
    the numbers of the first plan. No point is planned twice, however often a plan is resumed.

    Parameters
    ----------
    earlier : Plan
        The plan being taken: the first one, or one resumed from it.
    progress : PointsDone
        What has been taken, from `read_points_done`; for a resumed plan, at least what was taken since.
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
        Starts from where mount and dome stood at the last point, solved or not. Points that are not usable now are
        left out, and named in a SkysampleWarning.

    Raises
    ------
    InputError
        If the run names points that the plan does not have, or the plan was read from the file of a resumed plan.
    NoSolution
        If nothing is left to take.
    """
    plugins = registry or default_registry()
    site = earlier.site
    ordering = named_ordering(order, plugins.orderings(site))
    first = earlier.first or earlier
    if first.grid.design == "resumed":
        raise InputError(
            "this plan is itself the rest of another; name the first plan, and one run with everything taken so far",
            key="plan",
        )
    check_moment(when)
    since = progress
    taken = since if earlier.progress is None else earlier.progress.then(since)
    weight = earlier.dome_weight if dome_weight is None else dome_weight
    left_out = ""

    def attempt(sky_now: UsableSky) -> Plan:
        nonlocal left_out
        points = _with_replacements(first, taken, sky_now)
        left = _still_to_take(points, taken)
        usable = [each for each in left if sky_now.usable(each.direction[None], each.side)[0]]
        left_out = ", ".join(
            f"point {each.number} ({unusable_because(sky_now, each.direction)})"
            for each in left
            if each not in usable
        )
        if not usable:
            raise NoSolution("nothing is left to take: every point is done, failed, or not usable now")
        grid = _grid_of_points(usable, sky_now, earlier.grid.seed)
        problem = ordering_problem(site, grid, earlier.grid.seed, weight)
        here = _last_position(earlier, since, points)
        if here is not None:
            problem = replace(problem, start_axes=here[0], start_dome=here[1])
        return replace(
            in_order(site, grid, problem, ordering, when, earlier.model),
            grid_numbers=tuple(each.number for each in usable),
            first=first,
            progress=taken,
        )

    try:
        return plan_for_its_own_time(attempt, site, when, max(1, first.points - len(taken.done)), plugins)
    finally:
        if left_out:
            warnings.warn(f"not usable now and left out: {left_out}", SkysampleWarning, stacklevel=2)


def known_numbers(plan: Plan, since: PointsDone) -> frozenset[int]:
    """Numbers that a run of this plan may use: the plan's own, earlier ones, and those of replacements."""
    first = plan.first or plan
    taken = since if plan.progress is None else plan.progress.then(since)
    return frozenset(_with_replacements(first, taken, first.sky))


def _last_position(
    earlier: Plan, since: PointsDone, points: Mapping[int, _PlanPoint]
) -> tuple[Array, float] | None:
    """Axes and dome at the point tried last, as planned; the dome as the run gives it, if it does.

    None: nothing was tried since the plan was made, and the plan does not know its start either.
    """
    last, planned = since.last, earlier.numbers.tolist()
    if last in planned:
        moves, stop = earlier.schedule, planned.index(last)
    elif last is None or earlier.first is not None:
        problem = earlier.problem
        return None if problem is None else (np.asarray(problem.start_axes), float(problem.start_dome))
    else:
        # A replacement, reached in an order that is not known here: taken as reached from the park.
        alone = _grid_of_points([points[last]], earlier.sky)
        moves, stop = schedule(ordering_problem(earlier.site, alone), [0]), 0
    dome = float(moves.dome_az[stop]) if since.dome_az_rad is None else since.dome_az_rad
    return moves.axes[stop], dome % (2.0 * np.pi) if np.isfinite(dome) else 0.0


@dataclass(frozen=True, eq=False)
class _PlanPoint:
    """A point that a plan ever had.

    `replaces` is the number of the point that it replaces, or 0; `placed`, whether room was found for it.
    """

    number: int
    direction: Array
    side: int
    replaces: int = 0
    placed: bool = True


def _grid_of_points(points: Sequence[_PlanPoint], sky: UsableSky, seed: int = 0) -> Grid:
    directions, side = np.array([each.direction for each in points]), np.array([each.side for each in points])
    return grid_of(directions, side, sky, design="resumed", seed=seed)


def _still_to_take(points: Mapping[int, _PlanPoint], taken: PointsDone) -> list[_PlanPoint]:
    """Find the points that are neither done nor failed, nor replace a point that was solved later.

    Refuses a run that names any other.
    """
    for number in (*taken.done, *taken.failed):
        if number not in points:
            raise InputError(
                f"the run has point {number}, which is not in this plan; name the first plan, or give the plan's"
                " own points and seed",
                key="point",
            )
    served = set(taken.done)
    for point in points.values():
        if point.replaces in served:
            served.add(point.number)
    served.update(taken.failed)
    return [point for point in points.values() if point.placed and point.number not in served]


def _with_replacements(first: Plan, taken: PointsDone, sky_now: UsableSky) -> dict[int, _PlanPoint]:
    """Collect the points of the first plan, then one replacement for each that failed, in order of failure.

    The numbers are the same at any time, and so are the places of points already taken; no other point comes near
    these. All others have to be usable now.
    """
    numbers = first.grid_numbers or range(1, first.points + 1)
    points = {
        number: _PlanPoint(number, direction, int(side))
        for number, direction, side in zip(numbers, first.grid.directions, first.grid.sides, strict=True)
    }
    aside = _ASIDE * ideal_separation_rad(first.sky.area_sr, first.points)
    every_side = sides(first.site.mount.kind)
    for failed in taken.failed:
        if failed not in points:
            continue
        old, number = points[failed], max(points) + 1
        sky = first.sky if number in {*taken.done, *taken.failed} else sky_now
        reachable = sky.directions[sky.reachable[:, every_side.index(old.side)]]
        others = [separation(reachable, other.direction) for other in points.values()]
        clear = np.min(others, axis=0) >= aside
        nearest = int(np.argmin(np.where(clear, separation(reachable, old.direction), np.inf)))
        # Without room the number is used up all the same: later numbers must not depend on the time.
        at = reachable[nearest] if clear.any() else old.direction
        points[number] = _PlanPoint(number, at, old.side, failed, bool(clear.any()))
    return points

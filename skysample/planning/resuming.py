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
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.planning.plan_table import Plan
    from skysample.plugins.registry import Registry
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
        points.check_known(taken)
        usable = points.still_to_take(taken)
        left = np.flatnonzero(usable).tolist()
        usable[left] = [sky_now.usable(points.directions[i : i + 1], int(points.side[i]))[0] for i in left]
        left_out = ", ".join(
            f"point {points.numbers[i]} ({unusable_because(sky_now, points.directions[i])})"
            for i in left
            if not usable[i]
        )
        if not usable.any():
            raise NoSolution("nothing is left to take: every point is done, failed, or not usable now")
        grid = grid_of(
            points.directions[usable],
            points.side[usable],
            sky_now,
            design="resumed",
            seed=earlier.grid.seed,
        )
        problem = ordering_problem(site, grid, earlier.grid.seed, weight)
        here = _last_position(earlier, since, points)
        if here is not None:
            problem = replace(problem, start_axes=here[0], start_dome=here[1])
        return replace(
            in_order(site, grid, problem, ordering, when, earlier.model),
            grid_numbers=tuple(points.numbers[usable].tolist()),
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
    return frozenset(_with_replacements(first, taken, first.sky).numbers.tolist())


def _last_position(earlier: Plan, since: PointsDone, points: _PlanPoints) -> tuple[Array, float] | None:
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
        one = points.numbers == last
        alone = grid_of(points.directions[one], points.side[one], earlier.sky, design="resumed")
        moves, stop = schedule(ordering_problem(earlier.site, alone), [0]), 0
    dome = float(moves.dome_az[stop]) if since.dome_az_rad is None else since.dome_az_rad
    return moves.axes[stop], dome % (2.0 * np.pi) if np.isfinite(dome) else 0.0


@dataclass(frozen=True)
class _PlanPoints:
    """Every point that a plan ever had.

    Numbers, directions, sides, the number of the point that each replaces (or 0), and whether room was found for it.
    """

    numbers: NDArray[np.int64]
    directions: Array
    side: NDArray[np.int64]
    replaces: NDArray[np.int64]
    placed: NDArray[np.bool_]

    def still_to_take(self, taken: PointsDone) -> NDArray[np.bool_]:
        """Which points are neither done nor failed, nor replace a point that was solved later."""
        served = set(taken.done)
        for number, replaced in zip(self.numbers.tolist(), self.replaces.tolist(), strict=True):
            if replaced in served:
                served.add(number)
        return self.placed & ~np.isin(self.numbers, [*served, *taken.failed])

    def check_known(self, taken: PointsDone) -> None:
        """Refuse a run that names a point which is not among these."""
        for number in (*taken.done, *taken.failed):
            if number not in self.numbers:
                raise InputError(
                    f"the run has point {number}, which is not in this plan; name the first plan, or give the plan's"
                    " own points and seed",
                    key="point",
                )


def _with_replacements(first: Plan, taken: PointsDone, sky_now: UsableSky) -> _PlanPoints:
    """Collect the points of the first plan, then one replacement for each that failed, in order of failure.

    The numbers are the same at any time, and so are the places of points already taken; no other point comes near
    these. All others have to be usable now.
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
        # Without room the number is used up all the same: later numbers must not depend on the time.
        directions.append(reachable[nearest] if clear.any() else directions[at])
        side.append(side[at])
        replaces.append(failed)
        placed.append(bool(clear.any()))
    return _PlanPoints(
        np.array(numbers), np.array(directions), np.array(side), np.array(replaces), np.array(placed)
    )

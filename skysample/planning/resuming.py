"""Go on with a plan that clouds interrupted: what is done is dropped, what failed is replaced, the rest re-ordered."""

from __future__ import annotations

import warnings
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.times import check_moment
from skysample.errors import InputError, NoSolution, SkysampleWarning
from skysample.ordering import named_ordering, schedule
from skysample.ordering.grid_problem import ordering_problem
from skysample.planning import GUESSED_LEG_S, check_times, moments, ordered
from skysample.planning.plan_file import check_same_plan, read_plan, unusable_because
from skysample.planning.replacement_points import NumberedPoints, check_known, every_point
from skysample.plugins.registry import default_registry
from skysample.runs.points_done import PointsDone, read_points_done
from skysample.sampling.grid import grid_of
from skysample.sky import usable_sky

if TYPE_CHECKING:
    from astropy.time import Time

    from skysample.geometry import Array
    from skysample.planning.plan_table import Plan
    from skysample.plugins.registry import Registry
    from skysample.sky import UsableSky

__all__ = ["PointsDone", "check_same_plan", "known_numbers", "read_plan", "read_points_done", "resume"]


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

    A failed point gives way to its nearest usable neighbour, a little aside, under a new number: the points of the
    first plan count on from its own. No point is planned twice, however often a plan is resumed.

    Parameters
    ----------
    earlier : Plan
        As it was made: the first plan, or one that was resumed since.
    progress : PointsDone
        What has been taken, from `read_points_done`; of a plan that was resumed, at least what was taken since.
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
    ordering = named_ordering(order, plugins.orderings(site))
    first = earlier.first or earlier
    if first.grid.design == "resumed":
        raise InputError(
            "the plan is itself the rest of another: name the first plan, and one run with all that was taken",
            key="plan",
        )
    check_moment(when)
    taken = progress if earlier.progress is None else earlier.progress.then(progress)
    weight = earlier.dome_weight if dome_weight is None else dome_weight
    here: tuple[Array, float] | None = None
    expected_s = max(1, first.points - len(taken.done)) * (
        site.camera.exposure_s + site.camera.overhead_s + GUESSED_LEG_S
    )
    for _ in range(4):
        sky_now = usable_sky(site, moments(when, expected_s), registry=plugins)
        points = every_point(first, taken, sky_now)
        check_known(points, taken)
        usable = points.open_after(taken)
        left = np.flatnonzero(usable)
        usable[left] = [
            sky_now.usable(points.directions[i : i + 1], int(points.side[i]))[0] for i in left.tolist()
        ]
        missing = [int(i) for i in left if not usable[i]]
        if not usable.any():
            _say_missing(points, missing, sky_now)
            raise NoSolution("nothing is left to take: every point is done, failed, or not usable now")
        grid = grid_of(
            points.directions[usable],
            points.side[usable],
            sky_now,
            design="resumed",
            seed=earlier.grid.seed,
        )
        problem = ordering_problem(site, grid, earlier.grid.seed, weight)
        here = here or _where_it_stands(earlier, progress, points)
        if here is not None:
            problem = replace(problem, start_axes=here[0], start_dome=here[1])
        found = replace(
            ordered(site, grid, problem, ordering, when, earlier.model),
            grid_numbers=tuple(points.numbers[usable].tolist()),
            first=first,
            progress=taken,
        )
        if when is None or found.total_s <= expected_s:
            break
        expected_s = 1.2 * found.total_s
    _say_missing(points, missing, sky_now)
    check_times(found, plugins)
    return found


def known_numbers(plan: Plan, progress: PointsDone) -> frozenset[int]:
    """Numbers that a run of this plan may name: its own, those before it, and those that replace failed points."""
    first = plan.first or plan
    taken = progress if plan.progress is None else plan.progress.then(progress)
    return frozenset(every_point(first, taken, first.sky).numbers.tolist())


def _say_missing(points: NumberedPoints, missing: list[int], sky: UsableSky) -> None:
    if missing:
        named = ", ".join(
            f"point {points.numbers[i]} ({unusable_because(sky, points.directions[i])})" for i in missing
        )
        warnings.warn(f"not usable now and left out: {named}", SkysampleWarning, stacklevel=3)


def _where_it_stands(
    earlier: Plan, progress: PointsDone, points: NumberedPoints
) -> tuple[Array, float] | None:
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
        alone = grid_of(points.directions[one], points.side[one], earlier.sky, design="resumed")
        moves, stop = schedule(ordering_problem(earlier.site, alone), [0]), 0
    dome = float(moves.dome_az[stop]) if progress.dome_az_rad is None else progress.dome_az_rad
    return moves.axes[stop], dome % (2.0 * np.pi) if np.isfinite(dome) else 0.0

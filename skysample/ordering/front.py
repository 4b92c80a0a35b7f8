"""The trade-off between slewing time and dome motion: the few sensible settings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.motion.timely_dome import tours_of
from skysample.ordering.motion.tour import Tables
from skysample.ordering.schedules import best_by_schedule, schedule
from skysample.ordering.strategies.annealed import search

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.ordering.problem import OrderingProblem
    from skysample.ordering.schedules import Schedule

DOME_WEIGHTS = (0.02, 0.1, 0.4, 1.0)
"""Settings looked at beside 0: nearby ones give nearly the same plan."""

_TRIALS, _EXACT_UP_TO = 40_000, 8
_HARDLY_S = 0.5
_LEAST_SAVING = 0.1


@dataclass(frozen=True, slots=True)
class FrontPoint:
    """One dome weight and the schedule it gives.

    Attributes
    ----------
    dome_weight : float
        The setting, see `OrderingProblem`.
    order : ndarray of int, shape (n,)
        As `Annealed` answers with this setting.
    schedule : Schedule
        Its moves.
    """

    dome_weight: float
    order: NDArray[np.int64]
    schedule: Schedule

    def compared(self, quickest: FrontPoint) -> str:
        """Say what it saves and costs: "38 dome moves, not 66 (42 % fewer), 14 % less rotation, 15 s more slewing"."""
        mine, other = self.schedule, quickest.schedule
        fewer = 100.0 * (1.0 - mine.dome_moves / max(other.dome_moves, 1))
        turned = 100.0 * (1.0 - mine.dome_rad / other.dome_rad) if other.dome_rad else 0.0
        longer_s = mine.total_slew_s - other.total_slew_s
        slower = 100.0 * longer_s / other.total_slew_s if other.total_slew_s else 0.0
        rotation = (
            f"{abs(turned):.0f} % {'less' if turned >= 0.0 else 'more'}" if round(turned) else "the same"
        )
        cost = f"{longer_s:.0f} s ({slower:.1f} %) more" if longer_s >= _HARDLY_S else "no more"
        moves = f"{mine.dome_moves} dome moves, not {other.dome_moves} ({fewer:.0f} % fewer)"
        return f"{moves}, {rotation} dome rotation, {cost} slewing"


def front(
    problem: OrderingProblem,
    weights: Sequence[float] = DOME_WEIGHTS,
    *,
    quickest: Sequence[int] | None = None,
    trials: int = _TRIALS,
) -> list[FrontPoint]:
    """Plan with several dome weights and keep up to three worth choosing between.

    Parameters
    ----------
    problem : OrderingProblem
        Its own `dome_weight` does not matter.
    weights : sequence of float
        Settings to look at beside 0.
    quickest : sequence of int, optional
        An order of least time, if one is at hand; else it is searched for.
    trials : int
        Budget of each search, see `Annealed`. By default a tenth of that of a plan, whose own search will find
        a little better.

    Returns
    -------
    list of FrontPoint
        First the order of least time, then calmer ones: each saves a tenth or more of the moves of the one
        before, and none is beaten by another in time, moves and rotation at once. With more than three such,
        the two ends and the one that saves most for its time.
    """
    least_time = replace(problem, dome_weight=0.0)
    tables = Tables.of(least_time)
    if problem.points < 2:
        known = problem.numbers.tolist()
    elif quickest is not None:
        known = [int(stop) for stop in quickest]
    else:
        known = search(least_time, tables, tours_of(least_time, tables)[0], trials)
    points = [_point(least_time, [known])]
    if problem.dome is not None and problem.points > 1:
        for weight in weights:
            weighted = replace(problem, dome_weight=weight)
            tour_of = tours_of(weighted, tables.weighing(weighted))[-1]
            found = search(weighted, tables, tour_of, trials, _EXACT_UP_TO)
            points.append(_point(weighted, [known, found]))
    return _sensible(points)


def _point(problem: OrderingProblem, orders: list[list[int]]) -> FrontPoint:
    order = np.array(best_by_schedule(problem, orders), dtype=np.int64)
    return FrontPoint(problem.dome_weight, order, schedule(problem, order))


def _sensible(points: list[FrontPoint]) -> list[FrontPoint]:
    kept, others = points[:1], points[1:]
    unbeaten = [point for point in others if not any(_beats(other, point) for other in others)]
    for point in sorted(unbeaten, key=lambda each: each.schedule.total_slew_s):
        moves, before = point.schedule.dome_moves, kept[-1].schedule.dome_moves
        if moves < before and moves <= (1.0 - _LEAST_SAVING) * before:
            kept.append(point)
    if len(kept) <= 3:
        return kept
    first, last = kept[0].schedule, kept[-1].schedule

    def saving(point: FrontPoint) -> float:
        moves = (first.dome_moves - point.schedule.dome_moves) / (first.dome_moves - last.dome_moves)
        seconds = (point.schedule.total_slew_s - first.total_slew_s) / (
            last.total_slew_s - first.total_slew_s
        )
        return moves - seconds

    return [kept[0], max(kept[1:-1], key=saving), kept[-1]]


def _beats(one: FrontPoint, other: FrontPoint) -> bool:
    """Whether one setting is no worse in anything and better in something."""
    mine = one.schedule.total_slew_s, one.schedule.dome_moves, one.schedule.dome_rad
    its = other.schedule.total_slew_s, other.schedule.dome_moves, other.schedule.dome_rad
    return mine != its and all(a <= b for a, b in zip(mine, its, strict=True))

"""The dome policies as evaluations to search with."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from skysample.ordering.motion.timely_dome import DomeReach, TimelyTour
from skysample.ordering.motion.tour import LazyTour
from skysample.ordering.schedules import schedule

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from skysample.ordering.motion.tour import Tables, Tour
    from skysample.ordering.problem import OrderingProblem
    from skysample.ordering.schedules import Schedule

__all__ = ["best_by_schedule", "price", "tours_of"]


def tours_of(problem: OrderingProblem, tables: Tables) -> list[Callable[[Sequence[int]], Tour]]:
    """Return the evaluations to search a problem with.

    The lazy dome and the timely dome are each their own. Where a timely dome's moves weigh, the best order
    may come from either: the timely evaluation does not see the weight, the lazy one nothing else.
    """

    def lazy(order: Sequence[int]) -> Tour:
        return LazyTour(tables, order)

    if problem.dome_policy == "lazy":
        return [lazy]
    reach = DomeReach(problem, tables.legs)

    def timely(order: Sequence[int]) -> Tour:
        return TimelyTour(reach, order)

    return [timely, lazy] if problem.dome_weight > 0.0 and problem.dome is not None else [timely]


def price(problem: OrderingProblem, found: Schedule) -> float:
    """Seconds of motion, and what the moves and degrees of the dome are worth to the problem."""
    worth = problem.move_worth_s * found.dome_moves + problem.degree_worth_s * math.degrees(found.dome_rad)
    return found.total_slew_s + worth


def best_by_schedule(problem: OrderingProblem, orders: Sequence[list[int]]) -> list[int]:
    """Return the order whose schedule has the least price."""
    if len(orders) == 1:
        return orders[0]
    return min(orders, key=lambda order: price(problem, schedule(problem, order)))

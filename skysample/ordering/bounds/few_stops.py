"""The least time of a few stops over every order, turn and dome policy, exactly."""

from __future__ import annotations

import heapq
import math
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.bounds.completions import completions
from skysample.ordering.bounds.dome_cells import cell_legs, cell_states
from skysample.ordering.bounds.one_order import least_of_order

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem

__all__ = ["MOST_STOPS", "least_of_few"]

MOST_STOPS = 15
_NARROWEST_RAD, _WIDEST_RAD = math.radians(0.5), 2.0 * math.pi
_BUDGETS = (2e7, 400), (1e8, 3000)
"""Sums of the dynamic programming and beginnings looked at: little, and if that does not settle it, more."""


def least_of_few(
    problem: OrderingProblem, budgets: Sequence[tuple[float, int]] = _BUDGETS
) -> tuple[float, bool]:
    """Least seconds of motion over every order, without settling, and whether that is exact.

    Best first branch and bound over the beginnings of orders. With the arcs cut into cells, a leg takes at
    least the time over the gap between its cells: `completions` gives the least that is still to come, and a
    beginning costs at least its own sum over cells and that. Of complete orders the true least is worked out
    (`least_of_order`). The answer is the least of all that is left open: if that is a complete order it is
    exact, and if the budget ends before, it is still a lower bound.

    Parameters
    ----------
    problem : OrderingProblem
        1 to `MOST_STOPS` stops.
    budgets : sequence of (float, int)
        Sums that the dynamic programming may form (the more, the narrower the cells) and beginnings that may
        be looked at, for each attempt until one is exact.

    Returns
    -------
    least_s : float
    exact : bool
    """
    least = 0.0
    for most_sums, most_looked_at in budgets:
        found, exact = _branch_and_bound(problem, _cell_width(problem, most_sums), most_looked_at)
        if exact:
            return found, True
        least = max(least, found)
    return least, False


def _branch_and_bound(problem: OrderingProblem, width_rad: float, most_looked_at: int) -> tuple[float, bool]:
    count = problem.points
    states = cell_states(problem, width_rad)
    head_start_s = problem.dome_head_start_s
    legs = [
        [cell_legs(problem, one, other, head_start_s=head_start_s) for other in states[:count]]
        for one in states[:count]
    ]
    first = [cell_legs(problem, states[count], other, head_start_s=0.0)[0] for other in states[:count]]
    to_come = completions(legs)
    everything = (1 << count) - 1
    # A branch: least seconds, how long the beginning is (longer ones first), the stops, those left, and the
    # least seconds until each state of its last stop; no seconds are left of a settled order.
    branches: list[tuple[float, int, tuple[int, ...], int, Array | None]] = [(0.0, 0, (), everything, None)]
    looked_at = 0
    while True:
        least, _, order, left, spent = heapq.heappop(branches)
        if not left and spent is None:
            return least, True
        looked_at += 1
        if looked_at > most_looked_at:
            return least, False
        if not left:
            settled = least_of_order(problem, order)
            if settled is None:
                return least, False
            heapq.heappush(branches, (max(settled, least), -count - 1, order, 0, None))
            continue
        for stop in range(count):
            if left >> stop & 1:
                still = left ^ (1 << stop)
                until = first[stop] if spent is None else (spent[:, None] + legs[order[-1]][stop]).min(axis=0)
                at_least = max(float((until + to_come[stop][still]).min()), least)
                heapq.heappush(branches, (at_least, -len(order) - 1, (*order, stop), still, until))


def _cell_width(problem: OrderingProblem, most_sums: float) -> float:
    """Return the narrowest cells that keep the dynamic programming within its budget."""
    sets = 2.0 ** max(problem.points - 2, 0)
    width = _NARROWEST_RAD
    while width < _WIDEST_RAD:
        sizes = np.array([len(each) for each in cell_states(problem, width)[:-1]], float)
        if sets * (sizes.sum() ** 2 - (sizes**2).sum()) <= most_sums:
            break
        width *= 1.25
    return width

"""The least time of a few stops over every order, turn and dome policy, exactly.

Arcs of the dome are cut into cells; dynamic programming over sets of stops bounds what is still to come; a best-first
branch and bound looks at beginnings of orders; of a complete order the true least is worked out.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.motion.dome_stands import dome_reach, dome_time
from skysample.ordering.motion.legs import leg_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.site import Dome

_TURN = 2.0 * math.pi
_ORDINARY_ARC_RAD = math.radians(20.0)
TOLERANCE_RAD = 1e-9
"""Every distance of the dome is taken shorter by this, so that rounding never makes a bound too high."""


@dataclass(frozen=True, slots=True)
class CellStates:
    """The states in which a stop can be visited: a turn of the primary axis and a cell for the dome.

    Attributes
    ----------
    primary : ndarray, shape (m,)
        Radians, whole turns counted.
    secondary : float
        Radians.
    start, width : ndarray, shape (m,)
        Of the cells, radians; the dome is somewhere inside. A width of 2 pi means anywhere.
    """

    primary: Array
    secondary: float
    start: Array
    width: Array

    def __len__(self) -> int:
        """How many states there are."""
        return len(self.primary)


def dome_wait(dome: Dome, distance_rad: Array, head_start_s: float) -> Array:
    """Least seconds from the mount's departure until the dome has turned that far, rounded down.

    Parameters
    ----------
    dome : Dome
        Rates and delay.
    distance_rad : ndarray
        Radians, >= 0.
    head_start_s : float
        By how much the dome may leave before the mount.

    Returns
    -------
    ndarray
        Same shape; 0 where it need not turn.
    """
    short = np.maximum(distance_rad - TOLERANCE_RAD, 0.0)
    return np.maximum(dome_time(dome, short) - head_start_s, 0.0)


def cell_states(problem: OrderingProblem, width_rad: float) -> list[CellStates]:
    """Cut the arcs of every stop into equal cells, and pair them with the turns that the axis allows.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and present state.
    width_rad : float
        How wide a cell may be at most; wider, as the root, where a stop's arcs add up to more than 20 degrees,
        because few stops are served so widely and they would take most of the cells.

    Returns
    -------
    list of CellStates
        One a stop, and the start as the last.
    """
    found = []
    for stop in range(problem.points):
        turns = problem.turns[stop][np.isfinite(problem.turns[stop])]
        start, width = np.zeros(1), np.full(1, _TURN)
        if problem.dome is not None:
            arcs = problem.arcs[stop]
            served = np.minimum(arcs[:, 1], _TURN)
            coarser = max(1.0, math.sqrt(served.sum() / _ORDINARY_ARC_RAD))
            pieces = np.maximum(np.ceil(served / (width_rad * coarser)), 1.0).astype(int)
            width = np.repeat(served / pieces, pieces)
            within = np.concatenate([np.arange(each) for each in pieces])
            start = np.repeat(arcs[:, 0], pieces) + within * width
        primary, first = np.repeat(turns, len(start)), np.tile(start, len(turns))
        found.append(CellStates(primary, float(problem.axes[stop, 1]), first, np.tile(width, len(turns))))
    here, standing = float(problem.start_axes[1]), np.array([problem.start_dome])
    found.append(CellStates(problem.start_axes[:1], here, standing, np.zeros(1)))
    return found


def cell_legs(problem: OrderingProblem, one: CellStates, other: CellStates, *, head_start_s: float) -> Array:
    """Least seconds of motion between each state of one stop and each state of another.

    Parameters
    ----------
    problem : OrderingProblem
        For the rates.
    one, other : CellStates
        Where the leg begins and ends.
    head_start_s : float
        By how much the dome may leave before the mount on this leg.

    Returns
    -------
    ndarray, shape (len(one), len(other))
        Without settling: the mount's time exactly, or the dome's over the gap between the cells, if longer.
    """
    mount_s: Array = leg_time(
        problem.mount,
        one.primary[:, None] - other.primary,
        np.full((1, 1), one.secondary - other.secondary),
    )
    if problem.dome is None:
        return mount_s
    ahead = (other.start - one.start[:, None]) % _TURN
    behind = (one.start[:, None] - other.start) % _TURN
    apart = (ahead > one.width[:, None]) & (behind > other.width)
    gap = np.where(apart, np.minimum(ahead - one.width[:, None], behind - other.width), 0.0)
    return np.maximum(mount_s, dome_wait(problem.dome, gap, head_start_s))


_CHUNK = 400_000
"""Sums formed at once: they stay in the processor's cache."""


def completions(legs: Sequence[Sequence[Array]]) -> list[Array]:
    """Least seconds from each state of each stop through each set of other stops, ending anywhere.

    The recursion of Held & Karp, "A dynamic programming approach to sequencing problems", J. SIAM 10, 1962, and
    of Bellman, "Dynamic programming treatment of the travelling salesman problem", J. ACM 9, 1962, with
    several states to each stop.

    Parameters
    ----------
    legs : sequence of sequence of ndarray
        `legs[i][j]`, shape (states of i, states of j): seconds of a leg; n rows of n.

    Returns
    -------
    list of n ndarray, shape (2**n, states of the stop)
        Row r: through the stops whose bits are set in r. Rows that hold the stop itself are infinite.
    """
    count = len(legs)
    every_set = np.arange(1 << count)
    size = np.array([int(each).bit_count() for each in every_set])
    states = [legs[i][(i + 1) % count].shape[0] for i in range(count)]
    least = [np.full((1 << count, each), np.inf) for each in states]
    for rows in least:
        rows[0] = 0.0
    for visited in range(count - 1):
        of_size = every_set[size == visited]
        for following in range(count):
            onward = of_size[(of_size >> following) & 1 == 0]
            for stop in range(count):
                if stop == following:
                    continue
                sets = onward[(onward >> stop) & 1 == 0]
                leg = legs[stop][following]
                step = max(1, _CHUNK // leg.size)
                for first in range(0, len(sets), step):
                    part = sets[first : first + step]
                    through = (least[following][part][:, None, :] + leg).min(axis=2)
                    rows = part | (1 << following)
                    least[stop][rows] = np.minimum(least[stop][rows], through)
    return least


_SAME_RAD = 1e-11
_MOST_CANDIDATES = 2500


def least_of_order(problem: OrderingProblem, order: Sequence[int]) -> float | None:
    """Least seconds of motion of an order, without settling; exact but for a billionth of a radian.

    Let x_k be the dome's azimuth at the k-th stop. The cost of a leg depends on the distance z = |x_k -
    x_(k-1)| alone: it is the mount's time up to a distance r, where the dome becomes the slower of both, and
    concave in z from there on (and where r = 0 it jumps up behind z = 0, by the start delay). Call a leg tight
    if z = r, and a stop anchored if x_k is an end of one of its arcs. Of the best x take one with most tight
    legs and anchors. A row of stops joined by tight legs, none of them anchored, could be shifted as a whole:
    that changes two legs at most, the sum of their costs is concave in the shift until the next leg becomes
    tight or the next stop is anchored, so it does not rise towards one of both sides, and there is one tight
    leg or anchor more: a contradiction. So every x_k is an end of an arc, or the start, plus or minus the r of
    the legs between. Those finitely many azimuths are tried, by dynamic programming. A row that may
    stand anywhere at all is anchored at the start's azimuth.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and present state.
    order : sequence of int
        Every stop once.

    Returns
    -------
    float or None
        None if there are too many azimuths to try.
    """
    if problem.dome is None:
        candidates: list[list[Array]] | None = [[np.zeros(1)] * len(_turns(problem, stop)) for stop in order]
    else:
        candidates = _candidates(problem, problem.dome, order)
    if candidates is None:
        return None
    here = CellStates(
        problem.start_axes[:1], float(problem.start_axes[1]), np.array([problem.start_dome]), np.zeros(1)
    )
    spent = np.zeros(1)
    for number, (stop, azimuths) in enumerate(zip(order, candidates, strict=True)):
        turns = _turns(problem, stop)
        azimuth = np.concatenate(azimuths)
        primary = np.repeat(turns, [len(each) for each in azimuths])
        there = CellStates(primary, float(problem.axes[stop, 1]), azimuth, np.zeros(len(azimuth)))
        leg = cell_legs(problem, here, there, head_start_s=problem.dome_head_start_s if number else 0.0)
        spent = (spent[:, None] + leg).min(axis=0)
        here = there
    return float(spent.min())


def _turns(problem: OrderingProblem, stop: int) -> Array:
    turns: Array = problem.turns[stop]
    return turns[np.isfinite(turns)]


def _candidates(problem: OrderingProblem, dome: Dome, order: Sequence[int]) -> list[list[Array]] | None:
    """For each stop in order and each of its turns, the azimuths to try; None if there are too many."""
    anchors = [_anchors(problem, stop) for stop in order]
    start = [np.array([problem.start_dome % _TURN])]
    forth = [start]
    reaches = [_reach(problem, dome, None, order[0])]
    reaches += [_reach(problem, dome, one, other) for one, other in pairwise(order)]
    for stop, own, reach in zip(order, anchors, reaches, strict=True):
        forth.append(_carried(problem, stop, own, forth[-1], reach))
        if max(map(len, forth[-1])) > _MOST_CANDIDATES:
            return None
    back = [[anchors[-1]] * len(_turns(problem, order[-1]))]
    for place in range(len(order) - 2, -1, -1):
        back.append(_carried(problem, order[place], anchors[place], back[-1], reaches[place + 1].T))
        if max(map(len, back[-1])) > _MOST_CANDIDATES:
            return None
    back.reverse()
    return [
        [_distinct(np.concatenate(both)) for both in zip(one, other, strict=True)]
        for one, other in zip(forth[1:], back, strict=True)
    ]


def _anchors(problem: OrderingProblem, stop: int) -> Array:
    arcs = problem.arcs[stop]
    bounded = arcs[arcs[:, 1] < _TURN]
    ends = np.concatenate([bounded[:, 0], bounded.sum(axis=1)])
    return _distinct(ends if len(bounded) == len(arcs) else np.append(ends, problem.start_dome))


def _reach(problem: OrderingProblem, dome: Dome, one: int | None, other: int) -> Array:
    """How far the dome turns without being the slower, for each turn at both ends of a leg."""
    before = problem.start_axes[:1] if one is None else _turns(problem, one)
    secondary = problem.start_axes[1] if one is None else problem.axes[one, 1]
    head_start_s = 0.0 if one is None else problem.dome_head_start_s
    across = np.full((1, 1), problem.axes[other, 1] - secondary)
    mount_s = leg_time(problem.mount, before[:, None] - _turns(problem, other), across)
    return dome_reach(dome, mount_s + head_start_s)


def _carried(
    problem: OrderingProblem, stop: int, own: Array, neighbours: list[Array], reach: Array
) -> list[Array]:
    """A stop's anchors, and the neighbour's azimuths carried over by tight legs, for each turn."""
    found = []
    for column in reach.T:
        moved = [
            azimuth + sign * far
            for azimuth, far in zip(neighbours, column, strict=True)
            for sign in (-1.0, 1.0)
            if far < math.pi
        ]
        azimuth = np.concatenate([np.zeros(0), *moved]) % _TURN
        arcs = problem.arcs[stop]
        past = (azimuth[:, None] - arcs[:, 0] + TOLERANCE_RAD) % _TURN
        serves = (past <= arcs[:, 1] + 2.0 * TOLERANCE_RAD).any(axis=1)
        found.append(_distinct(np.concatenate([own, azimuth[serves]])))
    return found


def _distinct(azimuth: Array) -> Array:
    """Azimuths in order, near-duplicates merged."""
    ascending = np.sort(azimuth % _TURN)
    return ascending[np.diff(ascending, prepend=-1.0) > _SAME_RAD]


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

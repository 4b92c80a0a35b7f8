"""The least time of up to 15 stops over every order, turn and dome policy, exactly.

Arcs of the dome are cut into cells; dynamic programming over sets of stops bounds what is still to come; a best-first
branch and bound looks at beginnings of orders; of a complete order the true least is worked out.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass
from itertools import pairwise, permutations
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.ordering.motion.tables import TURN, arc_ends, dome_reach, leg_time, turning_time

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.site import Dome, Mount

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


def _at_stop(problem: OrderingProblem, stop: int, start: Array, width: Array) -> CellStates:
    """Pair cells with the turns that the axis allows at a stop."""
    turns = problem.turns[stop][np.isfinite(problem.turns[stop])]
    primary, first, wide = (
        np.repeat(turns, len(start)),
        np.tile(start, len(turns)),
        np.tile(width, len(turns)),
    )
    return CellStates(primary, float(problem.axes[stop, 1]), first, wide)


def _at_start(problem: OrderingProblem) -> CellStates:
    here, standing = float(problem.start_axes[1]), np.array([problem.start_dome])
    return CellStates(problem.start_axes[:1], here, standing, np.zeros(1))


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
    return np.maximum(turning_time(dome, short) - head_start_s, 0.0)


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
        start, width = np.zeros(1), np.full(1, TURN)
        if problem.dome is not None:
            arcs = problem.arcs[stop]
            served = np.minimum(arcs[:, 1], TURN)
            coarser = max(1.0, math.sqrt(served.sum() / _ORDINARY_ARC_RAD))
            pieces = np.maximum(np.ceil(served / (width_rad * coarser)), 1.0).astype(int)
            width = np.repeat(served / pieces, pieces)
            within = np.concatenate([np.arange(each) for each in pieces])
            start = np.repeat(arcs[:, 0], pieces) + within * width
        found.append(_at_stop(problem, stop, start, width))
    return [*found, _at_start(problem)]


def _mount_time(mount: Mount, one: CellStates, other: CellStates) -> Array:
    across = np.full((1, 1), one.secondary - other.secondary)
    return leg_time(mount, one.primary[:, None] - other.primary, across)


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
    mount_s = _mount_time(problem.mount, one, other)
    if problem.dome is None:
        return mount_s
    ahead = (other.start - one.start[:, None]) % TURN
    behind = (one.start[:, None] - other.start) % TURN
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
    size = np.bitwise_count(every_set)
    least = [np.full((1 << count, len(row[0])), np.inf) for row in legs]
    for rows in least:
        rows[0] = 0.0
    for visited in range(count - 1):
        of_size = every_set[size == visited]
        for following, stop in permutations(range(count), 2):
            sets = of_size[of_size & (1 << following | 1 << stop) == 0]
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


def minimum_time_of(problem: OrderingProblem, order: Sequence[int]) -> float | None:
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
    candidates = _candidates(problem, order)
    if candidates is None:
        return None
    here, spent = _at_start(problem), np.zeros(1)
    for number, there in enumerate(candidates):
        leg = cell_legs(problem, here, there, head_start_s=problem.dome_head_start_s if number else 0.0)
        spent = (spent[:, None] + leg).min(axis=0)
        here = there
    return float(spent.min())


def _candidates(problem: OrderingProblem, order: Sequence[int]) -> list[CellStates] | None:
    """For each stop in order its turns with the azimuths to try, cells of no width; None if there are too many."""
    nothing = np.zeros(1)
    turns = [_at_start(problem), *(_at_stop(problem, stop, nothing, nothing) for stop in order)]
    if problem.dome is None:
        return turns[1:]
    reaches: list[Array] = []
    for one, other in pairwise(turns):
        head_start_s = problem.dome_head_start_s if reaches else 0.0
        reaches.append(dome_reach(problem.dome, _mount_time(problem.mount, one, other) + head_start_s))
    end = [_anchors(problem, order[-1])] * len(turns[-1].primary)
    forth = _carried(problem, order, [np.array([problem.start_dome % TURN])], reaches)
    back = _carried(problem, order[-2::-1], end, [reach.T for reach in reaches[:0:-1]])
    if forth is None or back is None:
        return None
    found = []
    for at, *both in zip(turns[1:], forth, [*reversed(back), end], strict=True):
        azimuths = [_distinct(np.concatenate(each)) for each in zip(*both, strict=True)]
        azimuth = np.concatenate(azimuths)
        primary = np.repeat(at.primary, [len(each) for each in azimuths])
        found.append(CellStates(primary, at.secondary, azimuth, np.zeros(len(azimuth))))
    return found


def _anchors(problem: OrderingProblem, stop: int) -> Array:
    arcs = problem.arcs[stop]
    ends = arc_ends(arcs)
    return _distinct(np.append(ends, problem.start_dome) if (arcs[:, 1] >= TURN).any() else ends)


def _carried(
    problem: OrderingProblem, stops: Sequence[int], azimuths: list[Array], reaches: Sequence[Array]
) -> list[list[Array]] | None:
    """For each of a row of stops and each turn, its anchors and the azimuths carried there by tight legs.

    Begins with the azimuths at each turn of the stop before. A reach is how far the dome turns without being the
    slower, for each turn at both ends of a leg.
    """
    found = []
    for stop, reach in zip(stops, reaches, strict=True):
        own, arcs = _anchors(problem, stop), problem.arcs[stop]
        onward = []
        for column in reach.T:
            moved = [
                azimuth + sign * far
                for azimuth, far in zip(azimuths, column, strict=True)
                for sign in (-1.0, 1.0)
                if far < math.pi
            ]
            azimuth = np.concatenate([np.zeros(0), *moved]) % TURN
            past = (azimuth[:, None] - arcs[:, 0] + TOLERANCE_RAD) % TURN
            serves = (past <= arcs[:, 1] + 2.0 * TOLERANCE_RAD).any(axis=1)
            onward.append(_distinct(np.concatenate([own, azimuth[serves]])))
        if max(map(len, onward)) > _MOST_CANDIDATES:
            return None
        found.append(onward)
        azimuths = onward
    return found


def _distinct(azimuth: Array) -> Array:
    """Azimuths in order, near-duplicates merged."""
    ascending = np.sort(azimuth % TURN)
    return ascending[np.diff(ascending, prepend=-1.0) > _SAME_RAD]


MOST_STOPS = 15
_NARROWEST_RAD, _WIDEST_RAD = math.radians(0.5), 2.0 * math.pi
_BUDGETS = (2e7, 400), (1e8, 3000)
"""Sums of the dynamic programming and beginnings looked at: little, and if that does not settle it, more."""


def search_beginnings(
    count: int,
    extend: Callable[[tuple[int, ...], int, int, Any], tuple[float, Any]],
    settle: Callable[[tuple[int, ...], float], float | None],
    most: int,
    *,
    known: tuple[float, tuple[int, ...]] = (math.inf, ()),
    depth_first: bool = False,
) -> tuple[float, tuple[int, ...] | None]:
    """Branch and bound over the beginnings of orders.

    Parameters
    ----------
    count : int
        Stops, 1 or more.
    extend : callable
        Of a beginning, one more stop, the bits of those left then, and what it returned for the beginning (None at
        first): the least price of any order that begins so, and what the next call needs.
    settle : callable
        The price of a complete order, from the order and the least found so far; None ends the search.
    most : int
        How many beginnings may be looked at.
    known : tuple of float and tuple of int, optional
        A price and its order, which comes back unless less is found.
    depth_first : bool
        Whether to begin with the best of the longest beginnings, rather than with the best of all: finds a good order
        sooner, but no bound before the end.

    Returns
    -------
    least : float
        The least price; if the search ended before, a price that no order is below (best first).
    order : tuple of int or None
        Its order; None if the search ended before.
    """
    best_s, best = known
    branches: list[tuple[tuple[Any, ...], float, tuple[int, ...], Any]] = [((), 0.0, (), None)]
    for looked_at in range(most + 1):
        while branches and branches[0][1] >= best_s:
            heapq.heappop(branches)
        if not branches:
            break
        rank, least, order, state = heapq.heappop(branches)
        if looked_at == most:
            return least, None
        if len(order) == count:
            price = settle(order, least)
            if price is None:
                return least, None
            if price < best_s:
                best_s, best = price, order
        left = (1 << count) - 1 - sum(1 << stop for stop in order)
        for stop in range(count):
            if left >> stop & 1:
                onward = (*order, stop)
                price, then = extend(order, stop, left ^ (1 << stop), state)
                heapq.heappush(
                    branches,
                    ((*rank, price, -stop) if depth_first else (price, -len(onward)), price, onward, then),
                )
    return best_s, best


def minimum_time(
    problem: OrderingProblem, budgets: Sequence[tuple[float, int]] = _BUDGETS
) -> tuple[float, bool]:
    """Least seconds of motion over every order, without settling, and whether that is exact.

    A `search_beginnings`: with the arcs cut into cells, a leg takes at least the time over the gap between its cells;
    `completions` gives the least that is still to come, and a beginning costs at least its own sum over cells and
    that. Of complete orders the true least is worked out (`minimum_time_of`). If the budget ends before, the least of
    all that is left open is still a lower bound.

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
        found, order = _search_cells(problem, _cell_width(problem, most_sums), most_looked_at)
        if order is not None:
            return found, True
        least = max(least, found)
    return least, False


def _search_cells(
    problem: OrderingProblem, width_rad: float, most: int
) -> tuple[float, tuple[int, ...] | None]:
    *states, start = cell_states(problem, width_rad)
    head_start_s = problem.dome_head_start_s
    legs = [[cell_legs(problem, a, b, head_start_s=head_start_s) for b in states] for a in states]
    first = [cell_legs(problem, start, other, head_start_s=0.0) for other in states]
    to_come = completions(legs)

    def extend(
        order: tuple[int, ...], stop: int, left: int, before: tuple[float, Array] | None
    ) -> tuple[float, tuple[float, Array]]:
        """Least price of a beginning, and with it the least seconds until each state of its last stop."""
        least, spent = before or (0.0, np.zeros(1))
        leg = legs[order[-1]][stop] if order else first[stop]
        until = (spent[:, None] + leg).min(axis=0)
        at_least = max(float((until + to_come[stop][left]).min()), least)
        return at_least, (at_least, until)

    def settle(order: tuple[int, ...], least: float) -> float | None:
        exactly = minimum_time_of(problem, order)
        return None if exactly is None else max(exactly, least)

    return search_beginnings(problem.points, extend, settle, most)


def _cell_width(problem: OrderingProblem, most_sums: float) -> float:
    """Return the narrowest cells that keep the dynamic programming within its budget."""
    sets = 2.0 ** max(problem.points - 2, 0)
    width = _NARROWEST_RAD
    while width < _WIDEST_RAD:
        sizes = np.array([len(each.primary) for each in cell_states(problem, width)[:-1]], float)
        if sets * (sizes.sum() ** 2 - (sizes**2).sum()) <= most_sums:
            break
        width *= 1.25
    return width

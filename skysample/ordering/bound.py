"""A proven lower bound on the motion of any order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.listeners import tell
from skysample.ordering.least_time import MOST_STOPS, minimum_time
from skysample.ordering.motion.tables import (
    ROUNDING,
    TINY_RAD,
    DomeStands,
    dome_stands,
    least_legs,
    turning_time,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem

EXACT_UP_TO = 12
"""Stops up to which the least time itself is looked for: a quarter of a second; of 15, three."""


def mount_bound(problem: OrderingProblem, exact_up_to: int = EXACT_UP_TO) -> float:
    """Seconds of motion that no order can beat, settling included.

    Holds for every order, every choice of the primary axis' turns and every dome policy in which the dome
    stands still, at an azimuth that serves the stop, from the mount's arrival at each stop until the mount
    leaves, or until `dome_head_start_s` before that (not before the first leg). When, whither and how often it
    moves in between is free, so it may wait, come early or go out of its way: both of the problem's dome
    policies are among these. It does not hold for a dome that moves during an exposure.

    Up to `exact_up_to` stops the bound is the least possible time itself (`minimum_time`), unless that search runs
    out of its budget, and then still below it. Beyond, and in that case, the largest of three figures is returned:

    - Each leg takes at least the mount's time at the best turns of both ends, and at least the dome's time
      over the gap between the two stops' sets of azimuths, less the head start. The shortest open path with
      these times is bounded from below by spanning trees with node weights (Held & Karp, "The
      traveling-salesman problem and minimum spanning trees", Oper. Res. 18, 1970; part II, Math. Programming
      1, 1971): every set of weights gives a valid bound, so stopping early does no harm.
    - The dome alone has to reach every stop's set, from where it stands.
    - What the exact search had proven before its budget ran out.

    A billionth is taken off against rounding.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and present state.
    exact_up_to : int
        At most `least_time.MOST_STOPS`; larger numbers count as that.

    Returns
    -------
    float
        Seconds; 0 without stops.
    """
    count = problem.points
    if count == 0:
        return 0.0
    least, exact = minimum_time(problem) if count <= min(exact_up_to, MOST_STOPS) else (0.0, False)
    if not exact:
        stands = dome_stands(problem)
        path = _tree_bound(least_legs(problem, stands))
        least = max(least, path, _dome_alone(problem, stands))
    motion = least + count * problem.mount.settle_s
    return max(motion - ROUNDING * (1.0 + motion), 0.0)


def _tree_bound(legs: Array) -> float:
    """Lower bound on the same path: the best spanning tree bound over node weights.

    A path is a spanning tree in which the start and one stop have degree 1 and all others 2. So with a weight
    w on each node its length is at least the weighted tree's, less 2 sum(w), plus w of the start, plus the
    smallest w of any stop. The weights climb along that function's subgradient.
    """
    count = len(legs) - 1
    rounds = min(max(100_000 // count, 100), 600)
    aim = _greedy_path(legs)
    weight = np.zeros(count + 1)
    best, stale, scale = 0.0, 0, 1.0
    for number in range(rounds):
        tell("proving a lower bound", number, rounds)
        length, degree = _spanning_tree(legs + weight[:, None] + weight[None, :])
        end = int(np.argmin(weight[:count]))
        value = length - 2.0 * weight.sum() + weight[count] + weight[end]
        slope = degree - 2.0
        slope[count] += 1.0
        slope[end] += 1.0
        if value > best:
            best, stale = value, 0
        else:
            stale += 1
            if stale == 10:
                scale, stale = 0.7 * scale, 0
        norm = float(slope @ slope)
        if norm == 0.0:
            break
        weight += scale * max(aim - value, 0.0) / norm * slope
    return best


def _greedy_path(legs: Array) -> float:
    """Length of the nearest-neighbour path from the last node: an upper limit for the bound."""
    here, total = len(legs) - 1, 0.0
    left = np.arange(len(legs)) != here
    while left.any():
        onward = np.where(left, legs[here], np.inf)
        here = int(np.argmin(onward))
        left[here] = False
        total += float(onward[here])
    return total


def _spanning_tree(lengths: Array) -> tuple[float, Array]:
    """Length and node degrees of the minimum spanning tree of a dense symmetric matrix (Prim's algorithm)."""
    count = len(lengths)
    reach = lengths[0].copy()
    parent: NDArray[np.int64] = np.zeros(count, np.int64)
    reach[0] = np.inf
    inside = np.zeros(count, bool)
    inside[0] = True
    degree = np.zeros(count)
    total = 0.0
    for _ in range(count - 1):
        node = int(np.argmin(reach))
        total += float(reach[node])
        degree[node] += 1.0
        degree[parent[node]] += 1.0
        inside[node] = True
        reach[node] = np.inf
        closer = (lengths[node] < reach) & ~inside
        reach[closer] = lengths[node][closer]
        parent[closer] = node
    return total, degree


def _dome_alone(problem: OrderingProblem, stands: DomeStands) -> float:
    """Seconds of motion that the dome needs to serve every stop, in any order.

    If it strays at most a to the west and b to the east of its start, it turns through at least
    a + b + min(a, b), and every stop's set begins within b to the east or within a to the west. One long move
    is quicker than several short ones of the same sum, but for each stop of a family whose sets are pairwise
    disjoint, and do not hold the start, a move of its own is needed: its start delay, less the head start, is
    added. Where the head start is the longer, every leg may have gained that.
    """
    if problem.dome is None:
        return 0.0
    here = problem.start_dome
    east, west = [0.0], [0.0]
    for serves, arcs in zip(stands.serves, problem.arcs, strict=True):
        if not serves >> stands.start & 1:
            east.append(float(((arcs[:, 0] - here) % (2.0 * np.pi)).min()))
            west.append(float(((here - arcs.sum(axis=1)) % (2.0 * np.pi)).min()))
    if len(east) == 1:
        return 0.0
    a = np.sort(np.array(west))
    b = np.array([max((e for e, w in zip(east, west, strict=True) if w > far), default=0.0) for far in a])
    turned = float((a + b + np.minimum(a, b)).min())
    taken, moves = 1 << stands.start, 0
    for serves in sorted(stands.serves, key=int.bit_count):
        if not serves & taken:
            taken |= serves
            moves += 1
    delay_s = problem.dome.start_delay_s
    turning_s = float(turning_time(problem.dome, np.array(max(turned - ROUNDING, TINY_RAD)))) - delay_s
    each_s = delay_s - problem.dome_head_start_s
    return turning_s + each_s * (moves if each_s >= 0.0 else problem.points)

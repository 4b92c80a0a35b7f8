"""The least time of one order, over every turn of the primary axis and every dome policy."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.bounds.dome_cells import TOLERANCE_RAD, CellStates, cell_legs
from skysample.ordering.motion.dome_stands import dome_reach
from skysample.ordering.motion.legs import leg_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.site import Dome

__all__ = ["least_of_order"]

_TURN = 2.0 * math.pi
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
    """Azimuths in order, of those that are all but the same only one."""
    ascending = np.sort(azimuth % _TURN)
    return ascending[np.diff(ascending, prepend=-1.0) > _SAME_RAD]

"""Dome azimuth at each stop of a given order: least time, and among equals least dome motion."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.motion.dome_stands import dome_time
from skysample.ordering.motion.timely_dome import DomeReach, pass_stops, stands_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.motion.legs import MountLegs
    from skysample.ordering.problem import OrderingProblem
    from skysample.site import Dome

_TURN = 2.0 * math.pi
_TOUCH = 1e-12  # radians; an arc's own ends lie in it in spite of rounding
_GRID_RAD = math.radians(3.0)
_AROUND = 10
# Where time decides alone, a move or a degree less still breaks the tie.
_LEAST_MOVE_WORTH_S, _LEAST_DEGREE_WORTH_S = 1e-3, 1e-4
_ROUNDING_S = 1e-9


def timely_stands(
    problem: OrderingProblem, dome: Dome, legs: MountLegs, stops: Sequence[int], mount_s: Array
) -> Array:
    """Choose the timely dome's azimuths for an order, by dynamic programming over stands.

    At each stop the dome may stand where `pass_stops` would have it (so the time is never worse), at an end of
    an arc of the stops around it, where it was at first, or every 3 degrees. Least is the sum of the legs'
    seconds and of what moves and degrees are worth.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and present state.
    dome : Dome
        The problem's.
    legs : MountLegs
        The problem's.
    stops : sequence of int
        In visiting order.
    mount_s : ndarray, shape (n,)
        Seconds of the mount on the leg to each.

    Returns
    -------
    ndarray, shape (n + 1,)
        Radians, 0..2 pi: where the dome is at first, then at each stop.
    """
    reach = DomeReach(problem, legs)
    passed = stands_of(reach, pass_stops(reach, stops, (reach.start, reach.start, legs.start)))
    bounded = [problem.arcs[stop][problem.arcs[stop][:, 1] < _TURN] for stop in stops]
    ends = [np.concatenate([arcs[:, 0], arcs.sum(axis=1)]) % _TURN for arcs in bounded]
    everywhere = np.append(np.arange(0.0, _TURN, _GRID_RAD), reach.start)
    move_worth_s = max(problem.move_worth_s, _LEAST_MOVE_WORTH_S)
    degree_worth_s = max(problem.degree_worth_s, _LEAST_DEGREE_WORTH_S)
    stands = [np.array([reach.start])]
    came_from = []
    price = np.zeros(1)
    for number, stop in enumerate(stops):
        around = slice(max(number - _AROUND, 0), number + _AROUND + 1)
        here = np.unique(np.concatenate([everywhere, passed[around], *ends[around]]))
        past = (here[:, None] - problem.arcs[stop][:, 0]) % _TURN
        serves = (past <= problem.arcs[stop][:, 1] + _TOUCH) | (past >= _TURN - _TOUCH)
        here = here[serves.any(axis=1)]
        away = np.abs(stands[-1][:, None] - here)
        away = np.minimum(away, _TURN - away)
        seconds = dome_time(dome, away) - (problem.dome_head_start_s if number else 0.0)
        worth = np.where(away > 0.0, move_worth_s, 0.0) + degree_worth_s * np.degrees(away)
        onward = price[:, None] + np.maximum(seconds, mount_s[number]) + worth
        best = _first_least(onward)
        price = onward[best, np.arange(len(here))]
        came_from.append(best)
        stands.append(here)
    chosen = [int(_first_least(price))]
    for best in reversed(came_from):
        chosen.append(int(best[chosen[-1]]))
    return np.array([here[at] for here, at in zip(stands, reversed(chosen), strict=True)])


def _first_least(price: Array) -> NDArray[np.int64]:
    """Index, along the first axis, of the first value within rounding of the least (processors round differently)."""
    return np.asarray((price <= price.min(axis=0) + _ROUNDING_S).argmax(axis=0))

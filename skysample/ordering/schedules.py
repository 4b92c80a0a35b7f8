"""What mount and dome do in a given order, leg by leg: the true cost of an order."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.ordering.motion.tables import TURN, Tables, arc_ends, in_arcs, short_way, turning_time
from skysample.ordering.motion.timely_dome import DomeReach, dome_azimuths, pass_stops
from skysample.ordering.motion.tour import walk

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.site import Dome

_GRID_RAD = math.radians(3.0)
_AROUND = 10
# Where time decides alone, a move or a degree less still breaks the tie.
_LEAST_MOVE_WORTH_S, _LEAST_DEGREE_WORTH_S = 1e-3, 1e-4
_ROUNDING_S = 1e-9


@dataclass(frozen=True, slots=True)
class Schedule:
    """The moves of mount and dome, one row a stop, in visiting order.

    Attributes
    ----------
    axes : ndarray, shape (n, 2)
        Where the axes stop, radians; the primary with the whole turn chosen.
    mount_s : ndarray, shape (n,)
        Seconds of the slower axis on the leg to each stop.
    dome_az : ndarray, shape (n,)
        Where the dome stands at each stop, radians, 0..2 pi; nan without a dome.
    dome_move_rad : ndarray, shape (n,)
        How far it turns on the leg to each stop, the short way, >= 0; 0 when it stays.
    dome_s : ndarray, shape (n,)
        Seconds of that move.
    dome_lead_s : ndarray, shape (n,)
        By how many seconds the dome leaves before the mount: 0 where both leave together, which is everywhere
        unless the problem allows a head start.
    slew_s : ndarray, shape (n,)
        From the mount's leaving until the slower of both has arrived, and settling.
    total_slew_s : float
        Sum of `slew_s`.
    dome_rad : float
        Sum of `dome_move_rad`.
    dome_moves : int
        How often the dome moves.
    """

    axes: Array
    mount_s: Array
    dome_az: Array
    dome_move_rad: Array
    dome_s: Array
    dome_lead_s: Array
    slew_s: Array
    total_slew_s: float
    dome_rad: float
    dome_moves: int


def schedule(problem: OrderingProblem, order: Sequence[int] | NDArray[np.int64]) -> Schedule:
    """Compute the moves of an order.

    The primary axis goes to the allowed turn nearest to where it stands (of two equally near, the lower).
    The dome turns at most once on a leg, the short way, and leaves when the mount does, or by as much of the
    head start before it as it needs in order not to be late; it stands still from the mount's arrival until
    the exposure's end. Where it goes depends on the problem's `dome_policy`:

    - "timely": anywhere that serves the next stop, chosen by dynamic programming for the least time (and what
      moves and degrees are worth).
    - "lazy": it stays while it serves the next stop; when it must move, it goes to the nearest azimuth that
      serves the longest possible run of stops from there on. No other policy moves the dome less often in
      this order.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and present state.
    order : sequence of int
        Stops in visiting order, each at most once; a part of them will do.

    Returns
    -------
    Schedule

    Raises
    ------
    InputError
        If a stop does not exist or comes twice.
    """
    stops = [int(stop) for stop in order]
    if len(set(stops)) < len(stops) or not set(stops) <= set(range(problem.points)):
        raise InputError(f"order must name stops 0..{problem.points - 1}, each at most once")
    tables = Tables.of(problem)
    legs, stands = tables.legs, tables.stands
    places = [legs.start]
    for stop in stops:
        places.append(legs.arrival[places[-1]][stop])
    mount_s = np.array([legs.seconds[place][stop] for place, stop in zip(places, stops, strict=False)], float)
    if problem.dome is not None and problem.dome_policy == "timely":
        dome_az = _timely_stands(tables, problem.dome, stops, mount_s)
    else:
        dome_az = stands.azimuth[_lazy_stands(tables, stops)]
    dome_move_rad, dome_s = np.zeros(len(stops)), np.zeros(len(stops))
    if problem.dome is not None:
        dome_move_rad = short_way(np.diff(dome_az))
        dome_s = turning_time(problem.dome, dome_move_rad)
    dome_lead_s = np.clip(dome_s - mount_s, 0.0, problem.dome_head_start_s)
    dome_lead_s[:1] = 0.0
    slew_s = np.maximum(mount_s, dome_s - dome_lead_s) + problem.mount.settle_s
    return Schedule(
        axes=legs.axes[places[1:]],
        mount_s=mount_s,
        dome_az=dome_az[1:],
        dome_move_rad=dome_move_rad,
        dome_s=dome_s,
        dome_lead_s=dome_lead_s,
        slew_s=slew_s,
        total_slew_s=float(slew_s.sum()),
        dome_rad=float(dome_move_rad.sum()),
        dome_moves=int(np.count_nonzero(dome_move_rad)),
    )


def _timely_stands(tables: Tables, dome: Dome, stops: Sequence[int], mount_s: Array) -> Array:
    """Choose the timely dome's azimuths for an order, by dynamic programming over stands.

    At each stop the dome may stand where `pass_stops` would have it (so the time is never worse), at an end of
    an arc of the stops around it, where it was at first, or every 3 degrees. Least is the sum of the legs'
    seconds and of what moves and degrees are worth.

    Parameters
    ----------
    tables : Tables
        Of the problem.
    dome : Dome
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
    problem, reach = tables.problem, DomeReach(tables.problem, tables.legs)
    passed = dome_azimuths(reach, pass_stops(reach, stops, (reach.start, reach.start, tables.legs.start)))
    ends = [arc_ends(problem.arcs[stop]) % TURN for stop in stops]
    everywhere = np.append(np.arange(0.0, TURN, _GRID_RAD), reach.start)
    move_worth_s = max(problem.move_worth_s, _LEAST_MOVE_WORTH_S)
    degree_worth_s = max(problem.degree_worth_s, _LEAST_DEGREE_WORTH_S)
    stands = [np.array([reach.start])]
    came_from = []
    price = np.zeros(1)
    for number, stop in enumerate(stops):
        around = slice(max(number - _AROUND, 0), number + _AROUND + 1)
        here = np.unique(np.concatenate([everywhere, passed[around], *ends[around]]))
        here = here[in_arcs(here, problem.arcs[stop])]
        away = short_way(stands[-1][:, None] - here)
        seconds = turning_time(dome, away) - (problem.dome_head_start_s if number else 0.0)
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


def _lazy_stands(tables: Tables, stops: Sequence[int]) -> NDArray[np.int64]:
    """Numbers of the lazy dome's stands, at first and at each stop."""
    runs, end = walk(tables, stops, (0, tables.stands.start, tables.legs.start, 0.0))
    stand_at = np.full(len(stops) + 1, tables.stands.start)
    for run, after in pairwise([*runs, end]):
        stand_at[run[0] + 1 : after[0] + 1] = after[1]
    return stand_at


def price(problem: OrderingProblem, found: Schedule) -> float:
    """Seconds of motion, plus the weighted dome moves and degrees."""
    worth = problem.move_worth_s * found.dome_moves + problem.degree_worth_s * math.degrees(found.dome_rad)
    return found.total_slew_s + worth


def best_by_schedule(problem: OrderingProblem, orders: Sequence[list[int]]) -> NDArray[np.int64]:
    """Return the order whose schedule has the least price."""
    best = orders[0]
    if len(orders) > 1:
        best = min(orders, key=lambda order: price(problem, schedule(problem, order)))
    return np.array(best, dtype=np.int64)

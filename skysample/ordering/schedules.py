"""What mount and dome do in a given order, leg by leg: the true cost of an order."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.ordering.motion.dome_schedule import timely_stands
from skysample.ordering.motion.dome_stands import dome_time
from skysample.ordering.motion.tour import Tables, walk

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem


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

    - "timely": anywhere that serves the next stop, chosen by `timely_stands` for the least time (and what
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
        dome_az = timely_stands(problem, problem.dome, legs, stops, mount_s)
    else:
        dome_az = stands.azimuth[_lazy_stands(tables, stops)]
    dome_move_rad, dome_s = np.zeros(len(stops)), np.zeros(len(stops))
    if problem.dome is not None:
        straight = np.abs(np.diff(dome_az))
        dome_move_rad = np.minimum(straight, 2.0 * np.pi - straight)
        dome_s = dome_time(problem.dome, dome_move_rad)
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


def best_by_schedule(problem: OrderingProblem, orders: Sequence[list[int]]) -> list[int]:
    """Return the order whose schedule has the least price."""
    if len(orders) == 1:
        return orders[0]
    return min(orders, key=lambda order: price(problem, schedule(problem, order)))

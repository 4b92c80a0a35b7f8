"""What mount and dome do in a given order, leg by leg: the true cost of an order."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.ordering.tour import Tables, walk

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem

__all__ = ["Schedule", "schedule"]


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
    slew_s : ndarray, shape (n,)
        The longer of the two, and settling.
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
    slew_s: Array
    total_slew_s: float
    dome_rad: float
    dome_moves: int


def schedule(problem: OrderingProblem, order: Sequence[int] | NDArray[np.int64]) -> Schedule:
    """Work out an order's moves.

    The primary axis goes to the allowed turn nearest to where it stands (of two equally near, the lower).
    The dome is lazy: it stays while it serves the next stop; when it must move, it goes the short way to the
    nearest azimuth that serves the longest possible run of stops from there on, while the mount slews to the
    first of them. No other policy moves the dome less often in this order.

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
    runs, end = walk(tables, stops, (0, stands.start, legs.start, 0.0))
    stand_at = np.full(len(stops), stands.start)
    for run, after in pairwise([*runs, end]):
        stand_at[run[0] : after[0]] = after[1]
    places = [legs.start]
    for stop in stops:
        places.append(legs.arrival[places[-1]][stop])
    stand_path = [stands.start, *stand_at.tolist()]
    mount_s = np.array([legs.seconds[place][stop] for place, stop in zip(places, stops, strict=False)], float)
    dome_move_rad = np.array([stands.move_rad[a][b] for a, b in pairwise(stand_path)], float)
    dome_s = np.array([stands.move_s[a][b] for a, b in pairwise(stand_path)], float)
    slew_s = np.maximum(mount_s, dome_s) + problem.mount.settle_s
    return Schedule(
        axes=legs.axes[places[1:]],
        mount_s=mount_s,
        dome_az=stands.azimuth[stand_at],
        dome_move_rad=dome_move_rad,
        dome_s=dome_s,
        slew_s=slew_s,
        total_slew_s=float(slew_s.sum()),
        dome_rad=float(dome_move_rad.sum()),
        dome_moves=sum(a != b for a, b in pairwise(stand_path)),
    )

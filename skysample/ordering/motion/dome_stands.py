"""The azimuths at which a lazy dome ever needs to stand, and the stops that each serves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.site.travel_time import travel_time

if TYPE_CHECKING:
    from collections.abc import Callable

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.site import Dome

_TURN = 2.0 * math.pi
_TOUCH = 1e-12  # radians; an arc's own ends lie in it in spite of rounding


class Rows(dict[int, list[float]]):
    """Rows of a square table, each computed when first read: a search of a thousand stops needs few of them."""

    def __init__(self, row: Callable[[int], Array]) -> None:
        super().__init__()
        self._row = row

    def __missing__(self, number: int) -> list[float]:
        found: list[float] = self._row(number).tolist()
        self[number] = found
        return found


@dataclass(frozen=True, slots=True)
class DomeStands:
    """Azimuths at which a lazy dome may come to stand.

    The azimuth nearest to the dome in an intersection of arcs is where the dome is, or an end of one of the
    arcs. So where it starts and the ends of all arcs are the only azimuths that ever matter, and sets of
    them, one bit each, are exact.

    Attributes
    ----------
    azimuth : ndarray, shape (m,)
        Radians, 0..2 pi, ascending.
    start : int
        Number of the stand where the dome is at first.
    serves : list of int
        For each stop a bit mask of the stands that serve it: bit j is stand j.
    move_rad : Rows
        `move_rad[here][there]`: from stand to stand the short way round.
    move_s : Rows
        The same in seconds.
    """

    azimuth: Array
    start: int
    serves: list[int]
    move_rad: Rows
    move_s: Rows

    def nearest(self, stands: int, here: int) -> int:
        """Return the stand of a set (bit mask, not empty) that is nearest to `here`; of two, the eastern."""
        above, below = stands >> here, stands & ((1 << here) - 1)
        east = here + (above & -above).bit_length() - 1 if above else (stands & -stands).bit_length() - 1
        west = (below or stands).bit_length() - 1
        away = self.move_rad[here]
        return east if away[east] <= away[west] else west


def dome_time(dome: Dome, distance_rad: Array) -> Array:
    """Time in seconds for the dome to turn through distances in radians, from rest to rest."""
    rate, acceleration = math.radians(dome.rate_deg_s), math.radians(dome.accel_deg_s2)
    return travel_time(distance_rad, rate, acceleration, dome.start_delay_s)


def dome_reach(dome: Dome, seconds: Array) -> Array:
    """Distance in radians that the dome turns in a given time, from rest to rest: the inverse of `dome_time`."""
    rate, acceleration = math.radians(dome.rate_deg_s), math.radians(dome.accel_deg_s2)
    moving = np.maximum(np.asarray(seconds, float) - dome.start_delay_s, 0.0)
    ramp = rate / acceleration
    reached: Array = np.where(
        moving >= 2.0 * ramp, rate * (moving - ramp), acceleration * (moving / 2.0) ** 2
    )
    return reached


def dome_stands(problem: OrderingProblem) -> DomeStands:
    """Collect the dome azimuths of a problem; without a dome, a single one that serves every stop.

    Parameters
    ----------
    problem : OrderingProblem
        The stops' arcs and where the dome is.

    Returns
    -------
    DomeStands
    """
    dome = problem.dome
    if dome is None:
        nothing = Rows(lambda _: np.zeros(1))
        return DomeStands(np.array([np.nan]), 0, [1] * problem.points, nothing, nothing)
    start = problem.start_dome % _TURN
    bounded = [arcs[arcs[:, 1] < _TURN] for arcs in problem.arcs]
    ends = [end for arcs in bounded for end in (arcs[:, 0], arcs.sum(axis=1))]
    azimuth = np.unique(np.concatenate([[start], *ends]) % _TURN)
    serves = []
    for arcs in problem.arcs:
        past = (azimuth[:, None] - arcs[:, 0]) % _TURN
        inside = ((past <= arcs[:, 1] + _TOUCH) | (past >= _TURN - _TOUCH)).any(axis=1)
        serves.append(int.from_bytes(np.packbits(inside, bitorder="little").tobytes(), "little"))

    def away(here: int) -> Array:
        straight = np.abs(azimuth - azimuth[here])
        nearer: Array = np.minimum(straight, _TURN - straight)
        return nearer

    return DomeStands(
        azimuth,
        int(np.searchsorted(azimuth, start)),
        serves,
        Rows(away),
        Rows(lambda here: dome_time(dome, away(here))),
    )


def dome_gaps(problem: OrderingProblem, stands: DomeStands) -> Array:
    """Return the least dome rotation between each pair of stops, over every azimuth that serves them.

    Parameters
    ----------
    problem : OrderingProblem
        The stops' arcs and where the dome is.
    stands : DomeStands
        Of the same problem.

    Returns
    -------
    ndarray, shape (n + 1, n + 1)
        Radians, symmetric, 0 where one azimuth serves both; the last row and column are the start. All zero
        without a dome.
    """
    count = problem.points + 1
    if problem.dome is None:
        return np.zeros((count, count))
    most = max((len(arcs) for arcs in problem.arcs), default=1)
    arcs = np.full((count, most, 2), np.nan)
    for number, each in enumerate(problem.arcs):
        arcs[number, : len(each)] = each
    arcs[-1, 0] = problem.start_dome, 0.0
    gaps = np.full((count, count), np.inf)
    first, last = arcs[..., 0], arcs.sum(axis=-1)
    for i in range(most):
        for j in range(most):
            eastward = (first[None, :, j] - last[:, None, i]) % _TURN
            westward = (first[:, None, i] - last[None, :, j]) % _TURN
            gaps = np.fmin(gaps, np.fmin(eastward, westward))
    serves = [*stands.serves, 1 << stands.start]
    apart = np.array([[not one & other for other in serves] for one in serves])
    return np.where(apart, gaps, 0.0)

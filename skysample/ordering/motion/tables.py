"""Lookup tables of a problem: legs of the mount, azimuths where a lazy dome stands, least times from stop to stop."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import numpy as np

from skysample.site.travel_time import travel_time

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.site import Axis, Dome, Mount

TURN = 2.0 * math.pi
ROUNDING = 1e-9
"""Taken off what a bound rests on."""

TINY_RAD = 1e-300
"""A move of next to nothing still takes its start delay."""

_TOUCH = 1e-12  # radians; an arc's own ends lie in it in spite of rounding


# The mount


@dataclass(frozen=True, slots=True)
class MountLegs:
    """Legs between places, a place being a stop at one of the turns that the primary axis allows.

    Plain nested lists, because the search reads single entries from them millions of times.

    Attributes
    ----------
    axes : ndarray, shape (p + 1, 2)
        Axis angles of each place, radians; the last one is the start.
    seconds : list of list of float
        `seconds[place][stop]`: from a place to a stop, without settling.
    arrival : list of list of int
        `arrival[place][stop]`: the place where that leg ends: the allowed turn of the primary axis that is
        nearest to where it stands (of two equally near, the lower).
    """

    axes: Array
    seconds: list[list[float]]
    arrival: list[list[int]]

    @property
    def start(self) -> int:
        """The place where the mount stands before the first leg."""
        return len(self.axes) - 1


def leg_time(mount: Mount, primary_rad: Array, secondary_rad: Array) -> Array:
    """Time in seconds for both axes to cover their distances (radians, any sign), moving together; without settling."""
    return np.maximum(turning_time(mount.primary, primary_rad), turning_time(mount.secondary, secondary_rad))


def turning_time(drive: Axis | Dome, distance_rad: Array) -> Array:
    """Time in seconds for an axis or the dome to turn through distances in radians, from rest to rest."""
    rate, acceleration = math.radians(drive.rate_deg_s), math.radians(drive.accel_deg_s2)
    return travel_time(distance_rad, rate, acceleration, drive.start_delay_s)


def mount_legs(problem: OrderingProblem) -> MountLegs:
    """Tabulate every leg of a problem; the secondary axis goes to the angle that the problem gives.

    Parameters
    ----------
    problem : OrderingProblem
        The stops and the start.

    Returns
    -------
    MountLegs
    """
    stop, turn = np.nonzero(np.isfinite(problem.turns))
    places = np.column_stack([problem.turns[stop, turn], problem.axes[stop, 1]])
    first_place = np.searchsorted(stop, problem.numbers)
    axes = np.vstack([places, problem.start_axes])
    if not problem.points:
        return MountLegs(axes, [[]], [[]])
    away = np.abs(problem.turns[None, :, :] - axes[:, 0, None, None])
    choice = np.nanargmin(away, axis=2)
    distance = np.take_along_axis(away, choice[..., None], axis=2)[..., 0]
    seconds = leg_time(problem.mount, distance, problem.axes[:, 1] - axes[:, 1, None])
    finite_before = np.cumsum(np.isfinite(problem.turns), axis=1) - 1
    arrival = first_place + finite_before[problem.numbers, choice]
    return MountLegs(axes, seconds.tolist(), arrival.tolist())


# The dome


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


def dome_reach(dome: Dome, seconds: Array) -> Array:
    """Distance in radians that the dome turns in a given time, from rest to rest: the inverse of `turning_time`."""
    rate, acceleration = math.radians(dome.rate_deg_s), math.radians(dome.accel_deg_s2)
    moving = np.maximum(np.asarray(seconds, float) - dome.start_delay_s, 0.0)
    ramp = rate / acceleration
    reached: Array = np.where(
        moving >= 2.0 * ramp, rate * (moving - ramp), acceleration * (moving / 2.0) ** 2
    )
    return reached


def short_way(turned_rad: Array) -> Array:
    """Distance the short way round of two azimuths 0..2 pi from their difference, radians."""
    straight = np.abs(turned_rad)
    return np.minimum(straight, TURN - straight)


def arc_ends(arcs: Array) -> Array:
    """Both ends of those arcs (k, 2) that are not all round, radians."""
    bounded = arcs[arcs[:, 1] < TURN]
    return np.concatenate([bounded[:, 0], bounded.sum(axis=1)])


def in_arcs(azimuth: Array, arcs: Array) -> NDArray[np.bool_]:
    """Whether azimuths (m,) are in any arc (k, 2), ends included."""
    past = (azimuth[:, None] - arcs[:, 0]) % TURN
    inside = (past <= arcs[:, 1] + _TOUCH) | (past >= TURN - _TOUCH)
    return np.asarray(inside.any(axis=1))


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
    start = problem.start_dome % TURN
    azimuth = np.unique(np.concatenate([[start], *map(arc_ends, problem.arcs)]) % TURN)
    serving = [np.packbits(in_arcs(azimuth, arcs), bitorder="little") for arcs in problem.arcs]
    return DomeStands(
        azimuth,
        int(np.searchsorted(azimuth, start)),
        [int.from_bytes(each.tobytes(), "little") for each in serving],
        Rows(lambda here: short_way(azimuth - azimuth[here])),
        Rows(lambda here: turning_time(dome, short_way(azimuth - azimuth[here]))),
    )


# Both


@dataclass(frozen=True, slots=True)
class Tables:
    """A problem with the tables that every evaluation of its orders shares.

    Attributes
    ----------
    problem : OrderingProblem
    legs : MountLegs
    stands : DomeStands
    """

    problem: OrderingProblem
    legs: MountLegs
    stands: DomeStands

    @classmethod
    def of(cls, problem: OrderingProblem) -> Self:
        """Tabulate a problem."""
        return cls(problem, mount_legs(problem), dome_stands(problem))


def least_legs(problem: OrderingProblem, stands: DomeStands) -> Array:
    """Least seconds of motion between each pair of stops, whatever comes before and after.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and present state.
    stands : DomeStands
        Of the same problem.

    Returns
    -------
    ndarray, shape (n + 1, n + 1)
        Symmetric, without settling; the last row and column are the start.
    """
    n, k = problem.turns.shape
    primary = np.full((n + 1, max(k, 1)), np.nan)
    primary[:n, :k], primary[n, 0] = problem.turns, problem.start_axes[0]
    secondary = np.append(problem.axes[:, 1], problem.start_axes[1])
    away = np.full((n + 1, n + 1), np.inf)
    for one in primary.T:
        for other in primary.T:
            away = np.fmin(away, np.abs(one[:, None] - other[None, :]))
    legs = leg_time(problem.mount, away, secondary[:, None] - secondary[None, :])
    if problem.dome is None:
        return legs
    gaps = _dome_gaps(problem, stands)
    dome_s = np.where(gaps > 0.0, turning_time(problem.dome, np.maximum(gaps - ROUNDING, TINY_RAD)), 0.0)
    dome_s[:-1, :-1] -= problem.dome_head_start_s
    return np.maximum(legs, dome_s)


def _dome_gaps(problem: OrderingProblem, stands: DomeStands) -> Array:
    """Least dome rotation between each pair of stops, the start last, over every azimuth that serves them."""
    count = problem.points + 1
    most = max((len(arcs) for arcs in problem.arcs), default=1)
    arcs = np.full((count, most, 2), np.nan)
    for number, each in enumerate(problem.arcs):
        arcs[number, : len(each)] = each
    arcs[-1, 0] = problem.start_dome, 0.0
    gaps = np.full((count, count), np.inf)
    first, last = arcs[..., 0].T, arcs.sum(axis=-1).T
    for i, j in np.ndindex(most, most):
        eastward = (first[j] - last[i][:, None]) % TURN
        westward = (first[i][:, None] - last[j]) % TURN
        gaps = np.fmin(gaps, np.fmin(eastward, westward))
    serves = [*stands.serves, 1 << stands.start]
    apart = np.array([[not one & other for other in serves] for one in serves])
    return np.where(apart, gaps, 0.0)

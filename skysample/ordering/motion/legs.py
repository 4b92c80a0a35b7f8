"""Slewing time between each pair of stops, whole turns of the primary axis included."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.site.travel_time import travel_time

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.site import Axis, Mount


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

    def one(axis: Axis, distance: Array) -> Array:
        rate, acceleration = math.radians(axis.rate_deg_s), math.radians(axis.accel_deg_s2)
        return travel_time(distance, rate, acceleration, axis.start_delay_s)

    return np.maximum(one(mount.primary, primary_rad), one(mount.secondary, secondary_rad))


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


def shortest_legs(problem: OrderingProblem) -> Array:
    """Return the shortest mount leg of each pair over every choice of turns at both ends.

    Parameters
    ----------
    problem : OrderingProblem
        The stops and the start.

    Returns
    -------
    ndarray, shape (n + 1, n + 1)
        Seconds, symmetric, without settling; the last row and column are the start.
    """
    n, k = problem.turns.shape
    primary = np.full((n + 1, max(k, 1)), np.nan)
    primary[:n, :k], primary[n, 0] = problem.turns, problem.start_axes[0]
    secondary = np.append(problem.axes[:, 1], problem.start_axes[1])
    away = np.full((n + 1, n + 1), np.inf)
    for one in primary.T:
        for other in primary.T:
            away = np.fmin(away, np.abs(one[:, None] - other[None, :]))
    return leg_time(problem.mount, away, secondary[:, None] - secondary[None, :])

"""Stops with the dome's azimuth as part of their state: arcs cut into cells, and least times between cells."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.motion.dome_stands import dome_time
from skysample.ordering.motion.legs import leg_time

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.site import Dome

__all__ = ["TOLERANCE_RAD", "CellStates", "cell_legs", "cell_states", "dome_wait"]

_TURN = 2.0 * math.pi
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

    def __len__(self) -> int:
        """How many states there are."""
        return len(self.primary)


def dome_wait(dome: Dome, distance_rad: Array, head_start_s: float) -> Array:
    """Least seconds from the mount's leaving until the dome has turned so far, a little less for rounding.

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
    return np.maximum(dome_time(dome, short) - head_start_s, 0.0)


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
        turns = problem.turns[stop][np.isfinite(problem.turns[stop])]
        start, width = np.zeros(1), np.full(1, _TURN)
        if problem.dome is not None:
            arcs = problem.arcs[stop]
            served = np.minimum(arcs[:, 1], _TURN)
            coarser = max(1.0, math.sqrt(served.sum() / _ORDINARY_ARC_RAD))
            pieces = np.maximum(np.ceil(served / (width_rad * coarser)), 1.0).astype(int)
            width = np.repeat(served / pieces, pieces)
            within = np.concatenate([np.arange(each) for each in pieces])
            start = np.repeat(arcs[:, 0], pieces) + within * width
        primary, first = np.repeat(turns, len(start)), np.tile(start, len(turns))
        found.append(CellStates(primary, float(problem.axes[stop, 1]), first, np.tile(width, len(turns))))
    here, standing = float(problem.start_axes[1]), np.array([problem.start_dome])
    found.append(CellStates(problem.start_axes[:1], here, standing, np.zeros(1)))
    return found


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
    mount_s: Array = leg_time(
        problem.mount,
        one.primary[:, None] - other.primary,
        np.full((1, 1), one.secondary - other.secondary),
    )
    if problem.dome is None:
        return mount_s
    ahead = (other.start - one.start[:, None]) % _TURN
    behind = (one.start[:, None] - other.start) % _TURN
    apart = (ahead > one.width[:, None]) & (behind > other.width)
    gap = np.where(apart, np.minimum(ahead - one.width[:, None], behind - other.width), 0.0)
    return np.maximum(mount_s, dome_wait(problem.dome, gap, head_start_s))

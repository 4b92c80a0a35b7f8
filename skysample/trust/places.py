"""Places that the site itself rules out: limits of altitude and axes, horizon, dome, and the points of the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import separation, tangent_basis
from skysample.plugins.registry import default_registry
from skysample.site.dome import dome_arcs
from skysample.site.mount_axes import ideal_axes, mount_frame, sides, tube_origin
from skysample.sky import clear

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.plugins.contracts import Obstruction
    from skysample.runs.log import Log
    from skysample.site import Site

_SLACK = np.radians(1.0)
_MOST_SLACK = np.radians(4.0)
_AROUND = np.vstack([np.zeros(2), [[np.cos(turn), np.sin(turn)] for turn in np.arange(8) * np.pi / 4.0]])
_HORIZON = np.sin(np.radians(-1.0))

OUTSIDE_ODDS, BURIED_ODDS = -5.0, -9.0
"""Logarithm of how likely a place outside the usable sky is, and one below the horizon (our choice)."""


def outside(site: Site, log: Log, directions: Array, axis_off_rad: float) -> NDArray[np.bool_]:
    """Which places lie farther outside the usable sky than a degree and the error of the axis, shape (n,).

    Parameters
    ----------
    site : Site
    log : Log
        For the side of the pier.
    directions : ndarray, shape (n, 3)
        Observed.
    axis_off_rad : float
        By how much the axis is off; more than 3 degrees count as 3.
    """
    basis = tangent_basis(directions, np.array([0.0, 0.0, 1.0]))
    around = directions[:, None] + np.tan(slack(axis_off_rad)) * (_AROUND @ basis)
    around /= np.linalg.norm(around, axis=-1, keepdims=True)
    obstructions = default_registry().obstructions(site)
    free = np.zeros(len(directions), bool)
    every = sides(site.mount.kind)
    for side in every:
        here = np.flatnonzero((log.side == side) | (len(every) == 1))
        if len(here):
            free[here] = _free(site, obstructions, around[here], side)
    return ~free


def _free(site: Site, obstructions: Mapping[str, Obstruction], around: Array, side: int) -> NDArray[np.bool_]:
    """Whether any of the directions (n, 9, 3) round each place is usable."""
    usable = clear(site, obstructions, around.reshape(-1, 3), None, side).reshape(around.shape[:2])
    return np.asarray(usable.any(axis=1))


def slack(axis_off_rad: float) -> float:
    """How far a place may lie from where it was planned, radians."""
    return float(min(_SLACK + axis_off_rad, _MOST_SLACK))


def below_the_horizon(directions: Array) -> NDArray[np.bool_]:
    """Which places are more than a degree below the horizon."""
    return np.asarray(directions[:, 2] < _HORIZON)


def away_from_plan(directions: Array, planned: Array, axis_off_rad: float) -> NDArray[np.bool_]:
    """Which places lie farther from their point of the plan (n, 3; nan without one) than the axis's error explains."""
    known = np.asarray(np.isfinite(planned).all(axis=1))
    apart = separation(directions, np.where(known[:, np.newaxis], planned, directions))
    return np.asarray(np.greater(apart, _SLACK + slack(axis_off_rad)))


def behind_the_dome(site: Site, log: Log, directions: Array, axis_off_rad: float) -> NDArray[np.bool_]:
    """Which places the dome hid where it was logged to stand, by more than the axis's error explains."""
    hidden = np.zeros(len(directions), bool)
    rows = np.flatnonzero(np.isfinite(log.dome_rad))
    if site.dome is None or not len(rows):
        return hidden
    frame = mount_frame(site.mount.kind, site.location.latitude_rad)
    side = np.where(log.side[rows] < 0, -1, 1) if len(sides(site.mount.kind)) > 1 else 1
    axes = ideal_axes(frame, directions[rows], side)
    origins = tube_origin(frame, axes, site.dome.pivot_m, site.dome.tube_offset_m)
    arcs = dome_arcs(site.dome, directions[rows], origins)
    # Near the zenith a small error on the sky is a large one in azimuth.
    level = np.maximum(np.hypot(directions[rows, 0], directions[rows, 1]), np.sin(_SLACK))
    allowed = slack(axis_off_rad) / level
    for row, free, room in zip(rows, arcs, allowed, strict=True):
        start, width = free.T
        beyond = (log.dome_rad[row] - start) % (2.0 * np.pi)
        away = np.minimum(np.maximum(beyond - width, 0.0), 2.0 * np.pi - beyond)
        hidden[row] = bool(len(free)) and bool(np.min(away) > room)
    return hidden


def place_odds(
    site: Site, log: Log, directions: Array, axis_off_rad: float, planned: Array | None
) -> tuple[int, float]:
    """How many places are ruled out, and the logarithm of the odds of so many."""
    buried = below_the_horizon(directions)
    ruled_out = outside(site, log, directions, axis_off_rad)
    if planned is not None:
        ruled_out |= away_from_plan(directions, planned, axis_off_rad)
    ruled_out |= buried | behind_the_dome(site, log, directions, axis_off_rad)
    count, below = int(np.count_nonzero(ruled_out)), int(np.count_nonzero(buried))
    return count, OUTSIDE_ODDS * (count - below) + BURIED_ODDS * below

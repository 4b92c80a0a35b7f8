"""A mount's axes: mechanical angles, sides of the pier, limits, and where an ideal mount points.

Mechanical angles (radians) are what the encoders count: hour angle and declination, or azimuth and altitude,
continued past 90 degrees of the secondary axis. A `german` mount reaches a direction in two ways: with the tube on
the east side of the pier (the mechanical angles are the sky's) and, after a flip, on the west side
(primary + 180 degrees, secondary = 180 degrees - declination).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import wrap_pi

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike, NDArray

    from skysample.geometry import Array
    from skysample.site import Mount

SIDE_NAMES = {1: "east", -1: "west"}
"""Names of the sides of the pier that the tube can be on, for a `german` mount."""

_DEFAULT_LIMITS_DEG = {
    # Common practice, no source: cables allow a fork half a turn each way and an alt-az three quarters; a
    # german mount runs 10 degrees past the meridian before tube or counterweight hits the pier.
    "fork": ((-180.0, 180.0), (-90.0, 90.0)),
    "german": ((-10.0, 190.0), (-90.0, 270.0)),
    "altaz": ((-270.0, 270.0), (-5.0, 95.0)),
}


def sides(kind: str) -> tuple[int, ...]:
    """The sides of the pier the tube can be on: (1, -1) for `german` (east, west), else (1,)."""
    return (1, -1) if kind == "german" else (1,)


def side_names(kind: str, side: ArrayLike) -> list[str]:
    """Names of sides of the pier, shape (n,), all empty for a mount that does not flip."""
    return [SIDE_NAMES[int(each)] if len(sides(kind)) > 1 else "" for each in np.asarray(side)]


def side_numbers(names: Iterable[str]) -> NDArray[np.int64]:
    """Sides of the pier from their names: 1 east, -1 west, 0 where the name is empty."""
    numbers = {"": 0} | {name: side for side, name in SIDE_NAMES.items()}
    return np.array([numbers[name] for name in names], dtype=np.int64)


def limits(mount: Mount) -> Array:
    """Mechanical limits, radians, shape (2, 2): primary and secondary, each from and to.

    Defaults: a fork -180..180 and -90..90, a german mount -10..190 and -90..270, an altaz
    -270..270 and -5..95 degrees (common practice, no source).
    """
    rows = []
    for axis, default in zip((mount.primary, mount.secondary), _DEFAULT_LIMITS_DEG[mount.kind], strict=True):
        low, high = axis.min_deg, axis.max_deg
        rows.append(default if low is None or high is None else (low, high))
    return np.asarray(np.radians(np.array(rows)))


def mount_frame(kind: str, latitude_rad: float) -> Array:
    """Axes of a perfectly aligned mount as columns in east-north-up, shape (3, 3).

    The third is the primary axis (north celestial pole, or zenith), the first is where both readings are
    zero; the second completes a right-handed set.
    """
    if kind == "altaz":
        return np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    s, c = np.sin(latitude_rad), np.cos(latitude_rad)
    return np.array([[0.0, 1.0, 0.0], [-s, 0.0, c], [c, 0.0, s]])


def ideal_direction(frame: Array, axes: Array) -> Array:
    """Where a perfect mount points.

    Parameters
    ----------
    frame : ndarray, shape (3, 3)
        From `mount_frame`.
    axes : ndarray, shape (..., 2)
        Mechanical angles, radians.

    Returns
    -------
    ndarray, shape (..., 3)
    """
    primary, secondary = axes[..., 0], axes[..., 1]
    local = np.stack(
        [np.cos(secondary) * np.cos(primary), -np.cos(secondary) * np.sin(primary), np.sin(secondary)],
        axis=-1,
    )
    return local @ frame.T


def ideal_axes(frame: Array, directions: Array, side: ArrayLike = 1) -> Array:
    """Mechanical angles of a perfect mount for unit vectors of shape (..., 3).

    Parameters
    ----------
    frame : ndarray, shape (3, 3)
        From `mount_frame`.
    directions : ndarray, shape (..., 3)
        East, north, up.
    side : array_like of int
        1 (east, or no flip) or -1 (west), shape (...).

    Returns
    -------
    ndarray, shape (..., 2)
        Radians; the primary in [-pi, pi).
    """
    local = directions @ frame
    secondary = np.arctan2(local[..., 2], np.hypot(local[..., 0], local[..., 1]))
    primary = np.arctan2(-local[..., 1], local[..., 0])
    return mechanical(np.stack([primary, secondary], axis=-1), side)


def mechanical(reading: Array, side: ArrayLike) -> Array:
    """Mechanical angles, shape (..., 2), from a sky-like reading and the side of the pier."""
    flipped = np.asarray(side) < 0
    primary, secondary = reading[..., 0], reading[..., 1]
    return np.stack(
        [
            wrap_pi(np.where(flipped, primary + np.pi, primary)),
            np.where(flipped, np.pi - secondary, secondary),
        ],
        axis=-1,
    )


def tube_side(axes: Array) -> NDArray[np.int64]:
    """Side of the pier from mechanical angles, shape (..., 2): -1 if the secondary is beyond +-90 degrees."""
    return np.where(np.cos(axes[..., 1]) < 0.0, -1, 1)


def sky_reading(axes: Array) -> Array:
    """Hour angle and declination (or azimuth, altitude) of mechanical angles, shape (..., 2); primary in [-pi, pi)."""
    flipped = tube_side(axes) < 0
    primary, secondary = axes[..., 0], axes[..., 1]
    return np.stack(
        [
            wrap_pi(np.where(flipped, primary - np.pi, primary)),
            np.arcsin(np.clip(np.sin(secondary), -1.0, 1.0)),
        ],
        axis=-1,
    )


def primary_turns(axes: Array, axis_limits: Array) -> Array:
    """Every position of the primary axis, whole turns apart, within its limits.

    Parameters
    ----------
    axes : ndarray, shape (..., 2)
        Mechanical angles, radians.
    axis_limits : ndarray, shape (2, 2)
        From `limits`.

    Returns
    -------
    ndarray, shape (..., k)
        Primary angles, nan for a turn outside the limits.
    """
    low, high = axis_limits[0]
    count = int(np.ceil((high - low) / (2.0 * np.pi))) + 1
    first = low + (axes[..., 0] - low) % (2.0 * np.pi)
    turns = first[..., None] + 2.0 * np.pi * np.arange(count)
    return np.where(turns <= high, turns, np.nan)


def within_limits(axes: Array, axis_limits: Array) -> NDArray[np.bool_]:
    """Whether mechanical angles of shape (..., 2) can be reached, on any turn of the primary."""
    low, high = axis_limits[1]
    secondary = low + (axes[..., 1] - low) % (2.0 * np.pi)
    secondary_fits = (secondary <= high) | (secondary - 2.0 * np.pi >= low - 1e-12)
    return np.asarray(np.isfinite(primary_turns(axes, axis_limits)).any(axis=-1) & secondary_fits)


def tube_origin(frame: Array, axes: Array, pivot: ArrayLike, tube_offset: float) -> Array:
    """A point on the optical axis, in the unit of the offsets, east-north-up, shape (..., 3).

    The tube sits on the secondary axis, `tube_offset` from the primary, at a mechanical angle 90 degrees less than the
    primary reads: the east side of the pier, on the meridian before a flip.
    """
    return np.asarray(pivot, float) + tube_offset * (
        np.stack([np.sin(axes[..., 0]), np.cos(axes[..., 0]), np.zeros_like(axes[..., 0])], axis=-1) @ frame.T
    )

"""Directions on a sphere for the simulated mount only: the fit has its own code."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
else:
    Array = Any

__all__ = ["along_great_circle", "angles", "moved"]


def along_great_circle(start: Array, shift: Array) -> Array:
    """Move unit vectors (n, 3) along tangent vectors (n, 3), by their length."""
    arc = np.linalg.norm(shift, axis=-1, keepdims=True)
    heading = np.divide(shift, arc, out=np.zeros_like(shift), where=arc > 0.0)
    there: Array = np.cos(arc) * start + np.sin(arc) * heading
    return there


def angles(vectors: Array) -> tuple[Array, Array]:
    """Longitude (from x towards y) and latitude of vectors of shape (..., 3)."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    return np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))


def moved(longitude: Array, latitude: Array, by: Array) -> tuple[Array, Array]:
    """Move points of a sphere by `by`, shape (n, 2): towards larger longitude and latitude."""
    cos_lon, sin_lon = np.cos(longitude), np.sin(longitude)
    cos_lat, sin_lat = np.cos(latitude), np.sin(latitude)
    start = np.stack([cos_lat * cos_lon, cos_lat * sin_lon, sin_lat], axis=-1)
    along = np.stack([-sin_lon, cos_lon, np.zeros_like(sin_lon)], axis=-1)
    across = np.stack([-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat], axis=-1)
    return angles(along_great_circle(start, by[:, :1] * along + by[:, 1:] * across))

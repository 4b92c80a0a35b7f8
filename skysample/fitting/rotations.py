"""The true rotations of a mount: base, primary axis, skew, secondary axis, cone.

With x where both readings are zero, z along the north end of the primary axis and F = [x y z] in east-north-up
(`mount_axes.mount_frame`), a tube that reads (p, s) points along

    tube = Base F Rz(-(p + primary_zero)) Rx(axis_skew) Ry(-(s + secondary_zero)) Rz(cone) x

with right-handed rotations. For equatorial mounts Base tilts the elevated end of the axis up by polar_altitude, then
turns it about the vertical, to the east for polar_azimuth > 0; for `altaz` it leans the axis by the rotation vector
(-tilt_north, tilt_east, 0). Every derivative is the cross product of a rotation's axis, carried outwards by the
rotations before it, with the tube.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import rotation

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from skysample.geometry import Array

EAST, UP = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])


def _stack(*parts: Array) -> Array:
    """Side by side along a new last axis, broadcast: several times faster than numpy's on small arrays."""
    stacked = np.empty((*np.broadcast_shapes(*(part.shape for part in parts)), len(parts)))
    for place, part in enumerate(parts):
        stacked[..., place] = part
    return stacked


def _cross_matrix(v: Array) -> Array:
    zero = np.zeros_like(v[..., 0])
    rows = [[zero, -v[..., 2], v[..., 1]], [v[..., 2], zero, -v[..., 0]], [-v[..., 1], v[..., 0], zero]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


@dataclass(frozen=True)
class Chain:
    """The chain of rotations of one mount kind at one latitude.

    Attributes
    ----------
    frame : ndarray, shape (3, 3)
        From `mount_axes.mount_frame`.
    altaz : bool
        Which base the first two angles mean.
    hemisphere : int
        +1 north, -1 south.
    """

    frame: Array
    altaz: bool
    hemisphere: int

    def base(self, angles: Array) -> tuple[Array, Array]:
        """Base matrix and the axes about which its two angles turn the tube.

        Parameters
        ----------
        angles : ndarray, shape (..., 2)
            polar_altitude, polar_azimuth or tilt_north, tilt_east.

        Returns
        -------
        ndarray, shape (..., 3, 3)
        ndarray, shape (..., 2, 3)
        """
        first, second = angles[..., 0], angles[..., 1]
        if not self.altaz:
            h = float(self.hemisphere)
            turn = rotation(UP, -h * second)
            axis_first = h * turn[..., :, 0]
            axis_second = np.broadcast_to(-h * UP, axis_first.shape)
            return turn @ rotation(EAST, h * first), np.stack([axis_first, axis_second], axis=-2)
        vector = _stack(-first, second, np.zeros_like(first))
        angle = np.linalg.norm(vector, axis=-1)
        safe = np.where(angle > 1e-9, angle, 1.0)
        cross = _cross_matrix(vector)
        square = cross @ cross
        sine = np.where(angle > 1e-9, np.sin(angle) / safe, 1.0)[..., None, None]
        versine = np.where(angle > 1e-9, (1.0 - np.cos(angle)) / safe**2, 0.5)[..., None, None]
        rest = np.where(angle > 1e-9, (safe - np.sin(safe)) / safe**3, 1.0 / 6.0)[..., None, None]
        matrix = np.eye(3) + sine * cross + versine * square
        # Left Jacobian of the rotation group: how the rotation turns when its vector grows.
        jacobian = np.eye(3) + versine * cross + rest * square
        return matrix, np.stack([-jacobian[..., :, 0], jacobian[..., :, 1]], axis=-2)

    def tube(self, angles: Array, axes: Array) -> Array:
        """Where the tube points.

        Parameters
        ----------
        angles : ndarray, shape (..., 6)
            The six rotations, radians.
        axes : ndarray, shape (..., m, 2)
            Mechanical readings, radians.

        Returns
        -------
        ndarray, shape (..., m, 3)
        """
        matrix, _ = self.base(angles[..., :2])
        local = self._local(angles[..., None, 2:], axes)
        return np.asarray(local @ np.swapaxes(matrix @ self.frame, -1, -2))

    def _local(self, inner: Array, axes: Array) -> Array:
        primary, secondary = axes[..., 0] + inner[..., 0], axes[..., 1] + inner[..., 1]
        skew, cone = inner[..., 2], inner[..., 3]
        x, y, z = np.cos(cone) * np.cos(secondary), np.sin(cone), np.cos(cone) * np.sin(secondary)
        y, z = y * np.cos(skew) - z * np.sin(skew), y * np.sin(skew) + z * np.cos(skew)
        c, s = np.cos(primary), np.sin(primary)
        return _stack(c * x + s * y, c * y - s * x, z)

    def tube_and_axes(self, angles: Array, axes: Array) -> tuple[Array, Array]:
        """Where the tube points, and the axis of each of the six rotations there.

        Parameters
        ----------
        angles : ndarray, shape (..., 6)
        axes : ndarray, shape (..., m, 2)

        Returns
        -------
        ndarray, shape (..., m, 3)
        ndarray, shape (..., m, 6, 3)
            The derivative of the tube by an angle is the cross product of its axis with the tube.
        """
        matrix, base_axes = self.base(angles[..., :2])
        inner = angles[..., None, 2:]
        primary, secondary = axes[..., 0] + inner[..., 0], axes[..., 1] + inner[..., 1]
        skew = np.broadcast_to(inner[..., 2], primary.shape)
        c, s = np.cos(primary), np.sin(primary)
        ck, sk = np.cos(skew), np.sin(skew)
        cs, ss = np.cos(secondary), np.sin(secondary)
        local_axes = np.empty((*primary.shape, 4, 3))
        local_axes[..., 0, :] = np.array([0.0, 0.0, -1.0])
        local_axes[..., 1, :] = -_stack(s * ck, c * ck, sk)
        local_axes[..., 2, :] = _stack(c, -s, np.zeros_like(c))
        local_axes[..., 3, :] = _stack(-ss * c - s * cs * sk, ss * s - c * cs * sk, cs * ck)
        outward = matrix @ self.frame
        inward = np.swapaxes(outward, -1, -2)
        turning = np.empty((*primary.shape, 6, 3))
        turning[..., :2, :] = base_axes[..., None, :, :]
        turning[..., 2:, :] = local_axes @ inward[..., None, :, :]
        return self._local(inner, axes) @ inward, turning

    def axes_for(self, angles: Array, directions: Array, side: ArrayLike) -> Array:
        """Mechanical readings that point the tube in given directions: the exact inverse of `tube`.

        Parameters
        ----------
        angles : ndarray, shape (6,)
        directions : ndarray, shape (m, 3)
        side : array_like of int, shape (m,)
            1, or -1 for a flipped tube.

        Returns
        -------
        ndarray, shape (m, 2)
            The primary in [-pi, pi); nan within the cone's or the skew's reach of the pole, where no reading points.
        """
        matrix, _ = self.base(angles[:2])
        local = directions @ (matrix @ self.frame)
        skew, cone = angles[4], angles[5]
        sine = (local[..., 2] - np.sin(cone) * np.sin(skew)) / (np.cos(cone) * np.cos(skew))
        secondary = np.arcsin(np.where(np.abs(sine) <= 1.0, sine, np.nan))
        secondary = np.where(np.asarray(side) < 0, np.pi - secondary, secondary)
        x = np.cos(cone) * np.cos(secondary)
        y = np.sin(cone) * np.cos(skew) - np.cos(cone) * np.sin(secondary) * np.sin(skew)
        primary = np.arctan2(y, x) - np.arctan2(local[..., 1], local[..., 0])
        primary = (primary - angles[2] + np.pi) % (2.0 * np.pi) - np.pi
        return np.stack([primary, secondary - angles[3]], axis=-1)

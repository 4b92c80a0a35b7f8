"""Where the fit starts: the best rotation between the axes' frame and the sky, for any encoder zero.

A secondary zero cannot be had from a rotation, so it is scanned; for each the best rotation is closed-form (Wahba's
problem, solved by singular values: Markley 1988, J. Astronaut. Sci. 36, 245).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import wrap_pi
from skysample.site.mount_axes import ideal_direction

if TYPE_CHECKING:
    from skysample.fitting.rotations import Chain
    from skysample.geometry import Array

__all__ = ["starting_angles"]

_SCAN = np.radians(np.arange(-180.0, 180.0, 2.5))


def starting_angles(chain: Chain, axes: Array, observed: Array, free: tuple[bool, ...]) -> Array:
    """The six rotation angles to start from, skew and cone being zero.

    Parameters
    ----------
    chain : Chain
    axes : ndarray, shape (n, 2)
        Mechanical readings, radians.
    observed : ndarray, shape (n, 3)
        Where the tube really pointed.
    free : tuple of bool
        Which of the six the fit may move; the others stay zero.

    Returns
    -------
    ndarray, shape (6,)
    """
    zeros = _SCAN if free[3] else np.zeros(1)
    readings = axes[None] + np.stack([np.zeros_like(zeros), zeros], axis=-1)[:, None, :]
    nominal = ideal_direction(chain.frame, readings)
    attitude, cost = _best_rotation(nominal, observed)
    candidates = np.argsort(cost)[:6]
    found = [_as_angles(chain, attitude[i], zeros[i]) * free for i in candidates]
    misfit = [
        float(np.median(np.linalg.norm(chain.tube(angles, axes) - observed, axis=-1))) for angles in found
    ]
    return found[int(np.argmin(misfit))]


def _best_rotation(nominal: Array, observed: Array) -> tuple[Array, Array]:
    profile = np.einsum("ni,snj->sij", observed, nominal)
    left, singular, right = np.linalg.svd(profile)
    handed = np.sign(np.linalg.det(left @ right))
    flip = np.ones((len(singular), 3))
    flip[:, 2] = handed
    attitude = (left * flip[:, None, :]) @ right
    return attitude, len(observed) - np.sum(singular * flip, axis=1)


def _as_angles(chain: Chain, attitude: Array, secondary_zero: float) -> Array:
    """Split one rotation of the sky into the base's two angles and a turn of the primary axis."""
    axis = attitude @ chain.frame[:, 2]
    if chain.altaz:
        lean = float(np.arctan2(np.hypot(axis[0], axis[1]), axis[2]))
        toward = np.arctan2(axis[0], axis[1])
        first, second = lean * np.cos(toward), lean * np.sin(toward)
    else:
        elevated = axis * chain.hemisphere
        nominal = chain.frame[:, 2] * chain.hemisphere
        azimuth = np.arctan2(elevated[0], chain.hemisphere * elevated[1])
        first = np.arcsin(np.clip(elevated[2], -1.0, 1.0)) - np.arcsin(nominal[2])
        second = azimuth
    base, _ = chain.base(np.array([first, second]))
    turn = chain.frame.T @ base.T @ attitude @ chain.frame
    primary_zero = -np.arctan2(turn[1, 0], turn[0, 0])
    return np.array([first, second, wrap_pi(primary_zero), wrap_pi(secondary_zero), 0.0, 0.0])

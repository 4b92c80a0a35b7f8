"""What a tube does when an axis stands further on than it reads: the column of any encoder error, the core's or not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing


def axis_slip(kind: str, axis: Literal["primary", "secondary"], by: Array, pointing: Pointing) -> Array:
    """Displacement of the tube by an axis that stands beyond its reading.

    Parameters
    ----------
    kind : str
        Of mount.
    axis : {"primary", "secondary"}
        Which one.
    by : ndarray, shape (n,)
        How far beyond, radians, or radians per radian of coefficient.
    pointing : Pointing
        Where the mount points.

    Returns
    -------
    ndarray, shape (n, 2)
        West and north, or clockwise and up (`altaz`). The primary moves the tube along its small circle; a growing
        secondary angle moves a flipped tube the other way.
    """
    zero = np.zeros_like(by)
    if axis == "primary":
        height = pointing.alt if kind == "altaz" else pointing.dec
        return np.stack([by * np.cos(height), zero], axis=-1)
    return np.stack([zero, by * pointing.pier], axis=-1)

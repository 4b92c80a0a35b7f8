"""Plate solutions that are wrong: somewhere else on the sky, and nothing about them says so."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.testing.sphere import moved

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
else:
    Array = Any

__all__ = ["with_false_solutions"]

FALSE_OFFSET_ARCMIN = (3.0, 180.0)


def with_false_solutions(
    ra: Array, dec: Array, share: float, rng: np.random.Generator
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Move a share of places away by 3' to 3 degrees, uniform in the logarithm, in any direction.

    Parameters
    ----------
    ra, dec : ndarray, shape (n,)
        Radians.
    share : float
        From 0 to 1, rounded to whole places.
    rng : numpy.random.Generator

    Returns
    -------
    ra, dec : ndarray, shape (n,)
    false : ndarray of bool, shape (n,)
    """
    count = len(ra)
    false = np.zeros(count, bool)
    false[rng.permutation(count)[: round(share * count)]] = True
    nearest, farthest = np.log(FALSE_OFFSET_ARCMIN)
    arc = np.radians(np.exp(rng.uniform(nearest, farthest, count)) / 60.0)
    towards = rng.uniform(0.0, 2.0 * np.pi, count)
    off = np.stack([arc * np.cos(towards), arc * np.sin(towards)], axis=-1)
    return *moved(ra, dec, np.where(false[:, None], off, 0.0)), false

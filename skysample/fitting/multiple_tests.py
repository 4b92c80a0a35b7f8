"""Many questions, one chance of being wrong: Holm's step-down (Holm 1979, Scand. J. Stat. 6, 65)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["FAMILY_WISE", "holm"]

FAMILY_WISE = 0.05
"""Chance that any of the answers is wrong, at most."""


def holm(p: ArrayLike) -> NDArray[np.bool_]:
    """Which of several findings stand together, whatever their dependence.

    Parameters
    ----------
    p : array_like, shape (k,)
        Each finding's own chance.

    Returns
    -------
    ndarray of bool, shape (k,)
        At a family-wise `FAMILY_WISE`.
    """
    chances = np.asarray(p, float)
    order = np.argsort(chances, kind="stable")
    passed = chances[order] <= FAMILY_WISE / np.arange(len(chances), 0, -1)
    stands = np.zeros(len(chances), bool)
    stands[order[: len(chances) if passed.all() else int(np.argmin(passed))]] = True
    return stands

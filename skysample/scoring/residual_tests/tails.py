"""Tails heavier than normal: kurtosis of the residuals, each component by its own size (Pearson's b2)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.scoring.residual_tests.residual_space import Examined

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.scoring.residual_tests.residual_space import Leftovers

__all__ = ["tails"]

_FEWEST_DOF = 8


def tails(left: Leftovers) -> Examined:
    """Ask whether a few points stand out farther than normal noise lets them."""
    name = "tails"
    if left.dof < _FEWEST_DOF:
        return Examined(name, None, None, "too few points")

    def kurtosis(errors: Array) -> Array:
        squares = errors.reshape(-1, 2, errors.shape[1]) ** 2
        return np.asarray(np.mean(np.mean(squares**2, axis=0) / np.mean(squares, axis=0) ** 2, axis=0))

    b2, p = left.chance(kurtosis)
    size = np.linalg.norm(left.errors.reshape(-1, 2), axis=1)
    rows = ", ".join(str(left.rows[i]) for i in np.argsort(-size, kind="stable")[:3])
    return Examined(
        name,
        b2,
        p,
        f"a few points stand out farther than noise does, though none far enough to be rejected (kurtosis {b2:.1f},"
        f" normal 3; rows {rows}): wind, cloud or poor plate solutions; look at those frames, and take the"
        " intervals for rather too narrow",
    )

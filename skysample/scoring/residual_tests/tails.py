"""Tails heavier than normal: kurtosis of the residuals, each component by its own size (Pearson's b2)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.scoring.residual_tests.residual_space import TestResult

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.scoring.residual_tests.residual_space import ResidualSpace

_FEWEST_DOF = 8


def tails(left: ResidualSpace) -> TestResult | str:
    """Test whether a few residuals are larger than normal noise makes them."""
    if left.dof < _FEWEST_DOF:
        return "too few points"

    def kurtosis(errors: Array) -> Array:
        squares = errors.reshape(-1, 2, errors.shape[1]) ** 2
        return np.asarray(np.mean(np.mean(squares**2, axis=0) / np.mean(squares, axis=0) ** 2, axis=0))

    b2, p = left.chance(kurtosis)
    size = np.linalg.norm(left.errors.reshape(-1, 2), axis=1)
    rows = ", ".join(str(left.rows[i]) for i in np.argsort(-size, kind="stable")[:3])
    return TestResult(
        b2,
        p,
        f"a few residuals are larger than noise explains, though none is large enough to reject (kurtosis {b2:.1f},"
        f" normal 3; rows {rows}): wind, cloud or poor plate solutions; check those frames, and take the intervals to"
        " be somewhat too narrow",
    )

"""Nearby points with similar residuals: Moran's I of the residuals (Cliff and Ord 1981, Spatial Processes, ch. 8).

Residuals are vectors on the sky, so the product of two neighbours' is the inner product of the vectors, and I is a
ratio of two quadratic forms in the noise, as it is for the residuals of any regression. (Source from memory.)
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.scoring.residual_tests.residual_space import TestResult

if TYPE_CHECKING:
    from scipy.sparse import csr_array

    from skysample.geometry import Array
    from skysample.scoring.residual_tests.residual_space import ResidualSpace

NEAREST = 4
_FEWEST_POINTS = 8
_BLOCK = 256


def neighbour_weights(left: ResidualSpace) -> csr_array:
    """Weights of I, shape (2n, 2n): between neighbours, what turns one's components into the other's.

    Two points are neighbours where either is among the four nearest of the other. The weights add up to n in
    the sense that I = e^T W e / e^T e.
    """
    from scipy.sparse import csr_array

    n = len(left.places)
    # In blocks, so that memory grows with n; a point is the nearest to itself.
    blocks = np.array_split(left.places, 1 + n // _BLOCK)
    near = np.concatenate(
        [np.argsort(-(each @ left.places.T), axis=1)[:, 1 : NEAREST + 1] for each in blocks]
    )
    pairs = np.stack([np.repeat(np.arange(n), NEAREST), near.ravel()], axis=1)
    pairs = np.unique(np.concatenate([pairs, pairs[:, ::-1]]), axis=0)
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    turned = left.basis[pairs[:, 0]] @ left.basis[pairs[:, 1]].swapaxes(1, 2)
    row = 2 * pairs[:, 0, None, None] + np.arange(2)[:, None] + np.zeros((1, 1, 2), int)
    column = 2 * pairs[:, 1, None, None] + np.arange(2) + np.zeros((1, 2, 1), int)
    return csr_array((turned.ravel() * n / len(pairs), (row.ravel(), column.ravel())), shape=(2 * n, 2 * n))


def neighbours(left: ResidualSpace) -> TestResult | str:
    """Test whether nearby points have similar residuals."""
    if len(left.places) < _FEWEST_POINTS:
        return f"needs {_FEWEST_POINTS} points"
    weights = neighbour_weights(left)

    def moran(errors: Array) -> Array:
        return np.asarray(np.sum(errors * (weights @ errors), axis=0) / np.sum(errors**2, axis=0))

    i, p = left.chance(moran)
    # W has no diagonal, so of tr((I - H) W) only the part of H is left (Cliff and Ord, section 8.3; from memory).
    expected = -float(np.sum(left.fitted * (weights @ left.fitted))) / left.dof
    return TestResult(
        i,
        p,
        f"nearby points have similar residuals (Moran's I {i:+.2f}, {expected:+.2f} expected by chance). Some error"
        " depends on where the tube points and no term describes it, so the model error is larger than stated. Try the"
        " extended terms; if they do not help, look for a cable or cover that drags",
    )

"""Which terms the points cannot tell apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.model import WeakPair

if TYPE_CHECKING:
    from skysample.geometry import Array

__all__ = ["SINGULAR", "scaled_condition", "weak_pairs"]

WEAK = 300.0
"""Condition of the scaled design from which a pair is named: errors are then a hundredfold those of a term alone."""

SINGULAR = 1e8
"""Condition beyond which rounding and the smallest flexure decide the answer, not the data."""


def scaled_condition(rows: Array) -> tuple[float, Array, Array]:
    """Condition number, singular values and right singular vectors of a design (m, p) with its columns scaled."""
    scale = np.linalg.norm(rows, axis=0)
    scale[scale == 0.0] = 1.0
    _, singular, right = np.linalg.svd(rows / scale, full_matrices=False)
    smallest = singular[-1] if len(singular) == rows.shape[1] else 0.0
    condition = float(singular[0] / smallest) if smallest > singular[0] * 1e-15 else float("inf")
    return condition, singular, right


def weak_pairs(rows: Array, names: tuple[str, ...]) -> tuple[float, tuple[WeakPair, ...]]:
    """Condition of a design, and the pairs behind its weak directions.

    Parameters
    ----------
    rows : ndarray, shape (m, p)
    names : tuple of str

    Returns
    -------
    float
    tuple of WeakPair
        For each direction weaker than `WEAK`, the two terms that weigh most in it.
    """
    condition, singular, right = scaled_condition(rows)
    if len(singular) < rows.shape[1]:
        _, _, right = np.linalg.svd(rows, full_matrices=True)
        singular = np.concatenate([singular, np.zeros(rows.shape[1] - len(singular))])
    pairs = []
    for value, vector in zip(singular[::-1], right[::-1], strict=True):
        ratio = float(singular[0] / value) if value > singular[0] * 1e-15 else float("inf")
        if ratio < WEAK or len(names) < 2:
            break
        first, second = np.argsort(-np.abs(vector), kind="stable")[:2]
        pairs.append(WeakPair((names[int(first)], names[int(second)]), ratio))
    return condition, tuple(pairs)

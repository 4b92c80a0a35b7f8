"""Least squares or ridge on a tall design, and what leaving out each of its rows does, without a second design.

The formulas are those of `skysample.scoring.linear` for points of one component, shared by k columns of the target;
the rows are passed through three times, a block at a time, so that memory grows with rows, not with rows times columns.
The last pass is one step of iterative refinement (Björck 1996, Numerical Methods for Least Squares Problems, 2.9).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.scoring.linear import DOF_ROUNDING, UNDETERMINED, ratio
from skysample.scoring.triangle import EPS, Reduced, reduce_rows

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from skysample.geometry import Array

__all__ = ["LinearRows", "RowFit", "fit_rows"]

_BLOCK = 4096
_CACHED = 1024


@dataclass(frozen=True, eq=False)
class LinearRows:
    """What a linear model minimises: sum of w (y - a - X b)^2 for each column of y, plus alpha |b|^2.

    Attributes
    ----------
    regressors : ndarray, shape (n, m)
    target : ndarray, shape (n, k)
    weights : ndarray, shape (n,), or None
        Ones where None.
    alpha : float
        Ridge penalty; not on the intercept.
    intercept : bool
        Whether there is a; it is then the first of the p = m + 1 coefficients.
    origin : ndarray, shape (m,), or None
        What X is counted from; zero where None.
    """

    regressors: Array
    target: Array
    weights: Array | None
    alpha: float
    intercept: bool
    origin: Array | None = None

    @property
    def coefficients(self) -> int:
        """Number of coefficients a column of the target, p."""
        return int(self.regressors.shape[1]) + int(self.intercept)

    def blocks(self) -> Iterator[Array]:
        """Weighted rows [1, X, y], then those of the penalty."""
        n, p, k = len(self.regressors), self.coefficients, self.target.shape[1]
        first = int(self.intercept)
        for start in range(0, n, _BLOCK):
            part = slice(start, start + _BLOCK)
            block = np.ones((min(_BLOCK, n - start), p + k))
            block[:, first:p] = self._counted(part)
            block[:, p:] = self.target[part]
            if self.weights is not None:
                block *= np.sqrt(self.weights[part])[:, None]
            yield block
        if self.alpha > 0.0:
            yield np.sqrt(self.alpha) * np.eye(p, p + k)[first:]

    def times(self, part: slice, factor: Array) -> Array:
        """Rows of the unweighted design [1, X], times a matrix of shape (p, any)."""
        first = int(self.intercept)
        product = self._counted(part) @ factor[first:]
        return product + factor[0] if first else product

    def _counted(self, part: slice) -> Array:
        return self.regressors[part] if self.origin is None else self.regressors[part] - self.origin


@dataclass(frozen=True, eq=False)
class RowFit:
    """The fit and its influence figures; a row is left out with all k columns of the target.

    A row without which some coefficients are not determined has nan in `loo_residuals` and `studentised`, and inf in
    `cooks_distance`. A row of weight zero is no part of the fit: its left-out residual is its residual, its
    `studentised` nan.

    Attributes
    ----------
    coefficients : ndarray, shape (p, k)
    variance : ndarray, shape (p,)
        Of the coefficients at unit noise; nan where not determined. With a penalty that of the shrunken ones.
    residuals, loo_residuals : ndarray, shape (n, k)
        Target minus fit, not weighted; and minus the fit without the row.
    leverage : ndarray, shape (n,)
        Diagonal of the hat matrix of the weighted design, 0 to 1.
    studentised, cooks_distance : ndarray, shape (n,)
        sqrt(T^2 / k) and Cook's distance, the columns of the target pooled.
    sigma : ndarray, shape (k,)
        Residual standard deviation of unit weight; nan without degrees of freedom.
    dof : float
        Degrees of freedom of each column: rows of positive weight less the trace of the hat matrix.
    """

    coefficients: Array
    variance: Array
    residuals: Array
    loo_residuals: Array
    leverage: Array
    studentised: Array
    cooks_distance: Array
    sigma: Array
    dof: float

    @property
    def undetermined(self) -> NDArray[np.bool_]:
        """Rows without which the model is not determined, shape (n,)."""
        return np.asarray(np.isnan(self.loo_residuals).any(axis=1))


@dataclass(frozen=True, eq=False)
class _Hat:
    """For each row z of Q: z^T z, z^T H z with H what the penalty holds, and z^T g with g the penalty's pull."""

    leverage: Array
    held: Array
    pull: Array
    fitted: float


def fit_rows(rows: LinearRows) -> RowFit:
    """Fit, and leave each row out in closed form.

    Parameters
    ----------
    rows : LinearRows
        Finite numbers, at least one coefficient.

    Returns
    -------
    RowFit
    """
    plain = rows
    if rows.intercept:
        # Counted from their means, columns far from zero are not nearly that of ones.
        rows = replace(plain, origin=np.mean(plain.regressors, axis=0))
    reduced = reduce_rows(rows.blocks(), rows.coefficients)
    if rows.intercept and reduced.rank < rows.coefficients:
        # Which coefficients are not determined hangs on what the intercept is counted from.
        rows, reduced = plain, reduce_rows(plain.blocks(), plain.coefficients)
    coefficients = reduced.factor @ reduced.projected
    first = int(rows.intercept)
    shrunk = np.sqrt(rows.alpha) * reduced.factor[first:]
    held = shrunk.T @ shrunk
    pull = shrunk.T @ (np.sqrt(rows.alpha) * coefficients[first:])
    residuals = rows.target.copy()
    hat, missed = _hat(rows, reduced, coefficients, residuals, held, pull)
    refinement = reduced.factor @ (missed - pull)
    residuals -= plain.times(slice(None), _from_zero(rows, refinement))
    share, axes = np.linalg.eigh(held)
    root = _from_zero(rows, reduced.factor @ axes)
    variance = root**2 @ np.maximum(1.0 - share, 0.0)
    variance[~reduced.determined] = np.nan
    return _left_out(
        rows,
        _from_zero(rows, coefficients + refinement),
        variance,
        residuals,
        hat,
        reduced.determined_condition,
    )


def _from_zero(rows: LinearRows, coefficients: Array) -> Array:
    """Coefficients with the intercept at X = 0 instead of at the origin."""
    if rows.origin is None:
        return coefficients
    return np.concatenate([coefficients[:1] - rows.origin @ coefficients[1:], coefficients[1:]])


def _hat(
    rows: LinearRows, reduced: Reduced, coefficients: Array, residuals: Array, held: Array, pull: Array
) -> tuple[_Hat, Array]:
    """Hat figures; takes the fit off `residuals`, and gives what of Q^T r rounding has left there."""
    n = len(rows.target)
    leverage, kept, pulled = np.empty(n), np.zeros(n), np.zeros((n, pull.shape[1]))
    missed = np.zeros_like(pull)
    both = np.concatenate([reduced.factor, coefficients], axis=1)
    for part in _parts(n):
        product = rows.times(part, both)
        q, weighted = product[:, : reduced.rank], residuals[part]
        weighted -= product[:, reduced.rank :]
        if rows.weights is not None:
            root = np.sqrt(rows.weights[part])[:, None]
            q *= root
            weighted = root * weighted
        missed += q.T @ weighted
        leverage[part] = np.einsum("ij,ij->i", q, q)
        if rows.alpha > 0.0:
            kept[part] = np.einsum("ij,ij->i", q @ held, q)
            pulled[part] = q @ pull
    return _Hat(leverage, kept, pulled, reduced.rank - float(np.trace(held))), missed


def _left_out(
    rows: LinearRows, coefficients: Array, variance: Array, residuals: Array, hat: _Hat, condition: float
) -> RowFit:
    n, k = residuals.shape
    w = np.ones(n) if rows.weights is None else rows.weights
    seen = w > 0.0
    room = 1.0 - hat.leverage
    # Rounding in the hat matrix grows with the condition: below this, 1 - h is noise.
    undetermined = room <= max(UNDETERMINED, 16.0 * EPS * condition)
    room[undetermined] = np.nan
    left_out = residuals / room[:, None]
    inner = w[:, None] * residuals * left_out
    total = w @ residuals**2

    # Squares and degrees of freedom of the other rows about the fit without this one, for each column.
    squares = total - inner
    deleted_dof = np.count_nonzero(seen) - seen - hat.fitted
    ones = np.ones(k)  # A product with them is quicker than a sum over few columns.
    moved = inner @ ones * hat.leverage / room
    if rows.alpha > 0.0:
        weighted = np.sqrt(w)[:, None] * left_out
        bent = hat.held[:, None] * weighted**2
        squares += 2.0 * weighted * hat.pull - bent
        deleted_dof += hat.held / room
        moved -= bent @ ones
    dof = float(np.count_nonzero(seen)) - hat.fitted
    square = total / dof if dof > DOF_ROUNDING else np.full(k, np.nan)
    # The columns share their noise: variances are averaged, squared changes added.
    deleted = ratio(
        np.maximum(squares, 0.0) @ ones / k, np.where(deleted_dof > DOF_ROUNDING, deleted_dof, np.nan)
    )
    studentised = np.sqrt(ratio(inner @ ones, k * deleted))
    return RowFit(
        coefficients=coefficients,
        variance=variance,
        residuals=residuals,
        loo_residuals=left_out,
        leverage=hat.leverage,
        studentised=np.where(seen, studentised, np.nan),
        cooks_distance=np.where(undetermined, np.inf, ratio(moved, hat.fitted * np.sum(square))),
        sigma=np.sqrt(square),
        dof=dof,
    )


def _parts(n: int) -> list[slice]:
    return [slice(start, start + _CACHED) for start in range(0, n, _CACHED)]

"""Least squares or ridge on a tall design, and what leaving out each of its rows does, without a second design.

The formulas are those of `skysample.fitting.linear` for points of one component, shared by k columns of the target;
the rows are passed through three times, a block at a time, so that memory grows with rows, not with rows times columns.
The last pass is one step of iterative refinement (Björck 1996, Numerical Methods for Least Squares Problems, 2.9).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.linear import DOF_ROUNDING, UNDETERMINED, ratio
from skysample.fitting.triangle import EPS, Reduced, reduce_by_sample, reduce_rows

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from skysample.geometry import Array

__all__ = ["LinearRows", "RowFit", "fit_rows"]

_BLOCK = 2048
_TALL = 100
"""Rows for each coefficient from which a design is worth a sample."""

_SAMPLED = 32
"""Rows of the sample for each coefficient: its columns are then orthogonal to about a fifth."""


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
            block = np.empty((min(_BLOCK, n - start), p + k))
            block[:, :first] = 1.0
            np.subtract(self.regressors[part], 0.0 if self.origin is None else self.origin, block[:, first:p])
            for column in range(k):  # one by one, as a column is in one piece
                block[:, p + column] = self.target[part, column]
            if self.weights is not None:
                block *= np.sqrt(self.weights[part])[:, None]
            yield block
        if self.alpha > 0.0:
            yield np.sqrt(self.alpha) * np.eye(p, p + k)[first:]

    def reduced(self) -> Reduced:
        """The triangle of the weighted rows."""
        n, p = len(self.regressors), self.coefficients
        if n > _TALL * p:
            every = slice(None, None, n // (_SAMPLED * p))
            weights = None if self.weights is None else self.weights[every]
            few = replace(self, regressors=self.regressors[every], target=self.target[every], weights=weights)
            found = reduce_by_sample(self.blocks(), np.concatenate(list(few.blocks()))[:, :p])
            if found is not None:
                return found
        return reduce_rows(self.blocks(), p)

    def times(self, part: slice, factor: Array) -> Array:
        """Rows of the unweighted design [1, X], times a matrix of shape (p, any)."""
        first = int(self.intercept)
        product = self._counted(part) @ factor[first:]
        if first:
            product += factor[0]
        return product

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


@dataclass(frozen=True, eq=False)
class _Penalty:
    """What a penalty holds, in the basis of Q that makes that diagonal, and how it pulls.

    Attributes
    ----------
    factor : ndarray, shape (p, rank)
        A times it is Q in that basis.
    share : ndarray, shape (rank,)
        Of each direction, 0 (free) to 1 (held).
    pull : ndarray, shape (rank, k)
    """

    factor: Array
    share: Array
    pull: Array

    @classmethod
    def of(cls, rows: LinearRows, factor: Array, coefficients: Array) -> _Penalty:
        """The basis, where there is a penalty; the factor's own, where there is none."""
        if rows.alpha == 0.0:
            return cls(factor, np.zeros(factor.shape[1]), np.zeros((factor.shape[1], coefficients.shape[1])))
        first = int(rows.intercept)
        shrunk = np.sqrt(rows.alpha) * factor[first:]
        share, axes = np.linalg.eigh(shrunk.T @ shrunk)
        pull = (shrunk @ axes).T @ (np.sqrt(rows.alpha) * coefficients[first:])
        return cls(factor @ axes, share, pull)


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
        count = len(plain.regressors)
        rows = replace(plain, origin=np.ones(count) @ plain.regressors / count)
    reduced = rows.reduced()
    if rows.intercept and reduced.rank < rows.coefficients:
        # Which coefficients are not determined hangs on what the intercept is counted from.
        rows, reduced = plain, plain.reduced()
    coefficients = reduced.factor @ reduced.projected
    penalty = _Penalty.of(rows, reduced.factor, coefficients)
    # Reductions over rows are quick where a column is in one piece.
    residuals = rows.target.copy(order="F")
    hat, missed = _hat(rows, penalty, coefficients, residuals)
    refinement = penalty.factor @ (missed - penalty.pull)
    residuals -= np.asfortranarray(plain.times(slice(None), _from_zero(rows, refinement)))
    variance = _from_zero(rows, penalty.factor) ** 2 @ np.maximum(1.0 - penalty.share, 0.0)
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


def _hat(rows: LinearRows, penalty: _Penalty, coefficients: Array, residuals: Array) -> tuple[_Hat, Array]:
    """Hat figures; takes the fit off `residuals`, and gives what of Q^T r rounding has left there."""
    n, k = residuals.shape
    rank = len(penalty.share)
    leverage, held, pull = np.empty(n), np.zeros(n), np.zeros((n, k), order="F")
    missed = np.zeros_like(penalty.pull)
    asked = np.concatenate([penalty.factor, coefficients, penalty.factor @ penalty.pull], axis=1)
    if rows.alpha == 0.0:
        asked = asked[:, : rank + k]
    for part in _parts(n):
        product = rows.times(part, asked)
        residuals[part] -= np.asfortranarray(product[:, rank : rank + k])
        weighted = residuals[part]
        if rows.weights is not None:
            root = np.sqrt(rows.weights[part])[:, None]
            product *= root
            weighted = root * weighted
        q = product[:, :rank]
        missed += q.T @ weighted
        if rows.alpha > 0.0:
            pull[part] = product[:, rank + k :]
            np.square(q, out=q)
            leverage[part], held[part] = q @ np.ones(rank), q @ penalty.share
        else:
            leverage[part] = np.einsum("ij,ij->i", q, q)
    return _Hat(leverage, held, pull, rank - float(np.sum(penalty.share))), missed


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
    inner = residuals * left_out
    if rows.weights is not None:
        inner *= w[:, None]
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
    return [slice(start, start + _BLOCK) for start in range(0, n, _BLOCK)]

"""Linear least squares by QR, and what leaving out a point, all its components together, does to the fit.

The fit never forms normal equations: see `skysample.fitting.scaled_design`. The deletion formulas are those of Cook and
Weisberg, Residuals and Influence in Regression (1982), sections 2.2 and 3.6, for subsets of cases: here the subset is
one point's k rows. A penalty is that of ridge: the fit minimises the weighted squares plus those of P b, also when a
point is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.scaled_design import EPS, ScaledDesign

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from skysample.geometry import Array

_DOF_ROUNDING = 1e-6
"""Degrees of freedom up to here are none."""
_UNDETERMINED = 1e-12
"""A point whose 1 - h is no larger alone determines a coefficient."""


@dataclass(frozen=True, eq=False)
class Solution:
    """A least-squares fit of m rows with p coefficients.

    Attributes
    ----------
    coefficients : ndarray, shape (p,) or (p, c)
        Where the rank is below p: the solution of smallest norm in scaled columns.
    residuals : ndarray, shape (m,) or (m, c)
        Target minus fit, not weighted.
    scaled : ScaledDesign
        Of the weighted design, a penalty's rows included: rank, condition, covariance.
    dof : float
        Rows of positive weight less the trace of the hat matrix.
    sigma : ndarray, shape () or (c,)
        Residual standard deviation (of unit weight), nan without degrees of freedom.
    """

    coefficients: Array
    residuals: Array
    scaled: ScaledDesign
    dof: float
    sigma: Array

    @property
    def standard_errors(self) -> Array:
        """Of the coefficients, in their shape; nan where not determined. Not for a fit with a penalty."""
        root = np.sqrt(np.diag(self.scaled.unscaled_covariance))
        return np.multiply.outer(root, self.sigma)


@dataclass(frozen=True, eq=False)
class Influence:
    """What leaving out each of n points, all its k components together, does to a linear fit.

    A point without which some coefficients are not determined has nan in `loo_residuals`, `t_squared`,
    `deleted_sigma`, `deleted_shift` and `deleted_dof`, and inf in `cooks_distance`. A point of weight zero is
    no part of the fit: leverage, shift and distance are 0, its left-out residual is its residual, `t_squared`
    is nan. Of c fits to one design, each point is left out of all; they share their noise.

    Attributes
    ----------
    blocks : ndarray, shape (n, k, k)
        H_ii, the point's block of the hat matrix (of the weighted rows).
    loo_residuals : ndarray, shape (n, k) or (n, k, c)
        e_(i) = (I - H_ii)^-1 e_i: target minus the prediction of the fit without the point, not weighted.
    t_squared : ndarray, shape (n,)
        w_i e_(i)^T (I - H_ii) e_(i) / s_(i)^2. With normal errors T^2 / k follows F(k, deleted_dof). Nan
        where `deleted_dof` is not positive or numerator and denominator are both 0; inf where only the latter
        is.
    cooks_distance : ndarray, shape (n,)
        (b - b_(i))^T A^T W A (b - b_(i)) / (p s^2); nan without degrees of freedom or where s is 0.
    deleted_sigma : ndarray, shape (n,)
        s_(i), residual standard deviation of the fit without the point; nan where `deleted_dof` is not
        positive.
    deleted_dof : ndarray, shape (n,)
        Degrees of freedom of s_(i), of each of c fits: nk - p - k for a plain fit.
    """

    blocks: Array
    loo_residuals: Array
    t_squared: Array
    cooks_distance: Array
    deleted_sigma: Array
    deleted_dof: Array
    _rows: Array
    _missed: Array
    _scaled: ScaledDesign

    @property
    def leverage(self) -> Array:
        """Trace of the point's block of the hat matrix, 0 to k, shape (n,)."""
        return np.asarray(np.trace(self.blocks, axis1=1, axis2=2))

    @property
    def studentised(self) -> Array:
        """sqrt(T^2 / (k c)), shape (n,): for k = c = 1 the size of the externally studentised residual."""
        return np.asarray(np.sqrt(self.t_squared / self.loo_residuals[0].size))

    @property
    def deleted_shift(self) -> Array:
        """B - b_(i) of a single fit, shape (n, p); nan in columns that the design does not determine at all."""
        shift = np.asarray(np.einsum("nkr,nkc->nr", self._rows, self._missed) @ self._scaled.factor.T)
        shift[:, ~self._scaled.determined] = np.nan
        return shift


def solve(
    design: ArrayLike,
    target: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    penalty: ArrayLike | None = None,
) -> Solution:
    """Weighted linear least squares, or ridge, by QR of the column-scaled design.

    Parameters
    ----------
    design : array_like, shape (m, p)
        Finite, p >= 1.
    target : array_like, shape (m,) or (m, c)
        Finite.
    weights : array_like, shape (m,), optional
        Inverse variances up to a common factor, >= 0.
    penalty : array_like, shape (q, p), optional
        P.

    Returns
    -------
    Solution
        Too few rows or columns that depend on each other are no error: rank and condition say so.
    """
    A, y = np.asarray(design, float), np.asarray(target, float)
    w = np.ones(len(A)) if weights is None else np.asarray(weights, float)
    P = np.zeros((0, A.shape[1])) if penalty is None else np.asarray(penalty, float)
    columns = y.reshape(len(A), -1)
    scaled = ScaledDesign.of(A, columns, None if weights is None else np.sqrt(w), penalty=P)
    coefficients, PF = scaled.coefficients, P @ scaled.factor
    # One step of iterative refinement (Björck 1996, Numerical Methods for Least Squares Problems, section 2.9).
    missed = A.T @ (w[:, None] * (columns - A @ coefficients)) - P.T @ (P @ coefficients)
    coefficients += scaled.factor @ (scaled.factor.T @ missed)
    residuals = columns - A @ coefficients
    dof = float(np.count_nonzero(w) - scaled.rank + np.sum(PF**2))
    square = w @ residuals**2
    sigma = np.sqrt(square / dof) if dof > _DOF_ROUNDING else np.full_like(square, np.nan)
    return Solution(
        coefficients=coefficients.reshape(-1, *y.shape[1:]),
        residuals=residuals.reshape(y.shape),
        scaled=scaled,
        dof=dof,
        sigma=sigma.reshape(y.shape[1:]),
    )


def pointwise_influence(
    design: ArrayLike,
    residuals: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    penalty: ArrayLike | None = None,
    scaled: ScaledDesign | None = None,
) -> Influence:
    """Leverage, left-out residuals and influence of each point of a linear fit, in closed form.

    Equal to fitting n times without one point's k rows, up to rounding; memory grows as n k (p + k + c).

    Parameters
    ----------
    design : array_like, shape (n, k, p)
        Rows of the design for the k components of each point.
    residuals : array_like, shape (n, k) or (n, k, c)
        Target minus fit, not weighted; of c fits.
    weights : array_like, shape (n,), optional
        Inverse variance of each point's components up to a common factor, >= 0.
    penalty : array_like, shape (q, p), optional
        P. s^2 is then the mean square of the residuals with nk - trace(H) degrees of
        freedom, trace(H) stands for p in Cook's distance, and T^2 / k follows F only approximately.
    scaled : ScaledDesign, optional
        Of the weighted design with the penalty, where it is known already.

    Returns
    -------
    Influence
    """
    A, given = np.asarray(design, float), np.asarray(residuals, float)
    n, k, p = A.shape
    e = given.reshape(n, k, -1)
    c = e.shape[2]
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    P = np.zeros((0, p)) if penalty is None else np.asarray(penalty, float)
    root = np.sqrt(w)[:, None, None]
    e = root * e
    scaled = scaled or ScaledDesign.of(A, weights=root[:, 0, 0], penalty=P)

    # Z are the rows of Q: Z_i Z_i^T = H_ii. P F is what the penalty adds to their squares.
    Z = (A.reshape(n * k, p) @ scaled.factor).reshape(n, k, scaled.rank)
    if weights is not None:
        Z *= root
    PF = P @ scaled.factor
    blocks = Z @ Z.swapaxes(1, 2)
    room, axes = np.linalg.eigh(np.eye(k) - blocks)
    # Rounding in H grows with the condition: below this, 1 - h is noise.
    undetermined = np.min(room, axis=1) <= max(_UNDETERMINED, 16.0 * EPS * scaled.determined_condition)
    room = np.where(undetermined[:, None], np.nan, room)
    widen = (axes / room[:, None, :]) @ axes.swapaxes(1, 2)
    left_out = widen @ e

    # Squares and degrees of freedom of the other points about the fit without this one. Without a penalty
    # they are e^T e - e_i^T e_(i) and nk - p - k; the rest is what a penalty changes in He = 0 and HH = H.
    inner = np.sum(e * left_out, axis=(1, 2))
    squares = np.sum(e * e) - inner
    moved = np.sum(left_out * (blocks @ left_out), axis=(1, 2))
    held = PF.T @ PF
    fitted = scaled.rank - np.trace(held)
    deleted_dof = k * (np.count_nonzero(w) - (w > 0.0)) - fitted
    if len(P):
        bend = Z @ held @ Z.swapaxes(1, 2)
        bent = np.sum(left_out * (bend @ left_out), axis=(1, 2))
        pull = Z @ np.einsum("nkr,nkc->rc", Z, e)
        squares = squares + 2.0 * np.sum(left_out * pull, axis=(1, 2)) - bent
        deleted_dof = deleted_dof + np.einsum("nij,nji->n", widen, bend)
        moved -= bent
    deleted_dof[undetermined] = np.nan
    free = np.where(deleted_dof > _DOF_ROUNDING, deleted_dof, np.nan)
    deleted_square = ratio(np.maximum(squares, 0.0), c * free)
    dof = k * np.count_nonzero(w) - fitted
    square = np.sum(e * e) / (c * dof) if dof > _DOF_ROUNDING else np.nan
    return Influence(
        blocks=blocks,
        loo_residuals=np.where(root > 0.0, ratio(left_out, root), given.reshape(e.shape)).reshape(
            given.shape
        ),
        t_squared=np.where(w > 0.0, ratio(inner, deleted_square), np.nan),
        cooks_distance=np.where(undetermined, np.inf, ratio(moved, c * fitted * square)),
        deleted_sigma=np.sqrt(deleted_square),
        deleted_dof=deleted_dof,
        _rows=Z,
        _missed=left_out,
        _scaled=scaled,
    )


def ratio(numerator: Array, denominator: ArrayLike) -> Array:
    """Quotient without warnings: x / 0 is inf with the sign of x, and 0 / 0 is nan."""
    if np.all(denominator):
        return np.asarray(numerator / np.asarray(denominator))
    a, b = np.broadcast_arrays(numerator, denominator)
    at_zero = np.where(a == 0.0, np.nan, np.copysign(np.inf, a))
    return np.asarray(np.divide(a, b, out=at_zero, where=b != 0.0))


def radial_rms(components: Array) -> float:
    """Square root of the mean over n points of the squares of their components (n, k) summed, in their unit."""
    return float(np.sqrt(np.sum(components**2) / len(components)))

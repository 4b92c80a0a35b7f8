"""Linear least squares by QR, and what leaving out a point, all its components together, does to the fit.

The fit never forms normal equations: columns are scaled to unit norm and reduced by Householder QR (Golub and
Van Loan, Matrix Computations, 4th ed., section 5.3; `skysample.fitting.triangle`); the singular values of the small
triangle give rank and condition. The deletion formulas are those of Cook and Weisberg, Residuals and Influence in
Regression (1982), sections 2.2 and 3.6, for subsets of cases: here the subset is one point's k rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.triangle import EPS, reduce_rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from skysample.geometry import Array

__all__ = [
    "DOF_ROUNDING",
    "UNDETERMINED",
    "Influence",
    "Solution",
    "familywise_limit",
    "p_values",
    "pointwise_influence",
    "ratio",
    "solve",
]

DOF_ROUNDING = 1e-6
"""Degrees of freedom up to here are none."""
UNDETERMINED = 1e-12
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
    factor : ndarray, shape (p, rank)
        F with F F^T = (A^T W A)^-1: the inverse of R with the scaling of the columns undone.
    weakest : ndarray, shape (p, q)
        Orthonormal directions in scaled columns that the design does not determine; if it determines all, the
        one that it determines worst (q = 1).
    dof : int
        Rows of positive weight less the rank.
    sigma : ndarray, shape () or (c,)
        Residual standard deviation (of unit weight), nan without degrees of freedom.
    condition : float
        Condition number of the scaled, weighted design; may be inf.
    rank : int
        Effective rank of the scaled, weighted design.
    determined : ndarray of bool, shape (p,)
        Which coefficients the design determines.
    """

    coefficients: Array
    residuals: Array
    factor: Array
    weakest: Array
    dof: int
    sigma: Array
    condition: float
    rank: int
    determined: NDArray[np.bool_]

    @property
    def unscaled_covariance(self) -> Array:
        """(A^T W A)^-1, shape (p, p); nan in the rows and columns of coefficients that are not determined."""
        covariance = self.factor @ self.factor.T
        covariance[~self.determined] = np.nan
        covariance[:, ~self.determined] = np.nan
        return covariance

    @property
    def standard_errors(self) -> Array:
        """Of the coefficients, in their shape; nan where not determined."""
        root = np.sqrt(np.diag(self.unscaled_covariance))
        return np.multiply.outer(root, self.sigma)

    def null_pair(self, names: Sequence[str]) -> tuple[str, ...]:
        """Name the two columns that the design separates worst.

        They are the pair with the largest product of loadings on the smallest singular vector; where several
        directions are undetermined, on the projector on all of them, so that the answer does not hang on how
        the decomposition happened to mix them.

        Parameters
        ----------
        names : sequence of str, length p

        Returns
        -------
        tuple of str
            Two names in the order of the columns, or one where a column is empty (all zeros) by itself.
        """
        projector = np.abs(self.weakest @ self.weakest.T)
        pairs = np.triu(projector, 1)
        first, second = np.unravel_index(int(np.argmax(pairs)), pairs.shape)
        if pairs[first, second] < 1e-8:
            return (names[int(np.argmax(np.diag(projector)))],)
        return names[int(first)], names[int(second)]


@dataclass(frozen=True, eq=False)
class Influence:
    """What leaving out each of n points, all its k components together, does to a linear fit.

    A point without which some coefficients are not determined has nan in `loo_residuals`, `t_squared`,
    `deleted_sigma`, `deleted_shift` and `deleted_dof`, and inf in `cooks_distance`. A point of weight zero is
    no part of the fit: leverage, shift and distance are 0, its left-out residual is its residual, `t_squared`
    is nan.

    Attributes
    ----------
    blocks : ndarray, shape (n, k, k)
        H_ii, the point's block of the hat matrix (of the weighted rows).
    loo_residuals : ndarray, shape (n, k)
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
    deleted_shift : ndarray, shape (n, p)
        b - b_(i); nan in columns that the design does not determine at all.
    deleted_dof : ndarray, shape (n,)
        Degrees of freedom of s_(i): nk - p - k for a plain fit.
    """

    blocks: Array
    loo_residuals: Array
    t_squared: Array
    cooks_distance: Array
    deleted_sigma: Array
    deleted_shift: Array
    deleted_dof: Array

    @property
    def leverage(self) -> Array:
        """Trace of the point's block of the hat matrix, 0 to k, shape (n,)."""
        return np.asarray(np.trace(self.blocks, axis1=1, axis2=2))

    @property
    def studentised(self) -> Array:
        """sqrt(T^2 / k), shape (n,): for k = 1 the size of the externally studentised residual."""
        return np.asarray(np.sqrt(self.t_squared / self.blocks.shape[-1]))


def solve(design: ArrayLike, target: ArrayLike, weights: ArrayLike | None = None) -> Solution:
    """Weighted linear least squares by QR of the column-scaled design.

    Parameters
    ----------
    design : array_like, shape (m, p)
        Finite, p >= 1.
    target : array_like, shape (m,) or (m, c)
        Finite.
    weights : array_like, shape (m,), optional
        Inverse variances up to a common factor, >= 0.

    Returns
    -------
    Solution
        Too few rows or columns that depend on each other are no error: `rank` and `condition` say so.
    """
    A, y = np.asarray(design, float), np.asarray(target, float)
    w = np.ones(len(A)) if weights is None else np.asarray(weights, float)
    columns = y.reshape(len(A), -1)
    root = np.sqrt(w)[:, None]
    reduced = reduce_rows([np.concatenate([root * A, root * columns], axis=1)], A.shape[1])
    coefficients = reduced.factor @ reduced.projected
    # One step of iterative refinement (Björck 1996, Numerical Methods for Least Squares Problems, section 2.9).
    missed = (root * A @ reduced.factor).T @ (root * (columns - A @ coefficients))
    coefficients += reduced.factor @ missed
    residuals = columns - A @ coefficients
    dof = int(np.count_nonzero(w)) - reduced.rank
    square = w @ residuals**2
    sigma = np.sqrt(square / dof) if dof > 0 else np.full_like(square, np.nan)
    return Solution(
        coefficients=coefficients.reshape(-1, *y.shape[1:]),
        residuals=residuals.reshape(y.shape),
        factor=reduced.factor,
        weakest=reduced.weakest,
        dof=dof,
        sigma=sigma.reshape(y.shape[1:]),
        condition=reduced.condition,
        determined=reduced.determined,
        rank=reduced.rank,
    )


def pointwise_influence(
    design: ArrayLike,
    residuals: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    penalty: ArrayLike | None = None,
) -> Influence:
    """Leverage, left-out residuals and influence of each point of a linear fit, in closed form.

    Equal to fitting n times without one point's k rows, up to rounding; memory grows as n k (p + k).

    Parameters
    ----------
    design : array_like, shape (n, k, p)
        Rows of the design for the k components of each point.
    residuals : array_like, shape (n, k)
        Target minus fit, not weighted.
    weights : array_like, shape (n,), optional
        Inverse variance of each point's components up to a common factor, >= 0.
    penalty : array_like, shape (q, p), optional
        P where the fit minimises the weighted squares plus those of P b (ridge: P = sqrt(alpha) I). It stays
        when a point is left out. s^2 is then the mean square of the residuals with nk - trace(H) degrees of
        freedom, trace(H) stands for p in Cook's distance, and T^2 / k follows F only approximately.

    Returns
    -------
    Influence
    """
    A, e = np.asarray(design, float), np.asarray(residuals, float)
    n, k, p = A.shape
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    P = np.zeros((0, p)) if penalty is None else np.asarray(penalty, float)
    root = np.sqrt(w)
    A = root[:, None, None] * A
    e = root[:, None] * e
    reduced = reduce_rows([np.concatenate([A.reshape(n * k, p), P])], p)
    factor, rank, condition = reduced.factor, reduced.rank, reduced.determined_condition

    # Z are the rows of Q: Z_i Z_i^T = H_ii. P F is what the penalty adds to their squares.
    Z = A @ factor
    PF = P @ factor
    blocks = Z @ Z.swapaxes(1, 2)
    room, axes = np.linalg.eigh(np.eye(k) - blocks)
    # Rounding in H grows with the condition: below this, 1 - h is noise.
    undetermined = np.min(room, axis=1) <= max(UNDETERMINED, 16.0 * EPS * condition)
    room = np.where(undetermined[:, None], np.nan, room)
    widen = (axes / room[:, None, :]) @ axes.swapaxes(1, 2)
    left_out = np.einsum("nij,nj->ni", widen, e)
    shift = np.einsum("nij,ni->nj", Z, left_out)

    # Squares and degrees of freedom of the other points about the fit without this one. Without a penalty
    # they are e^T e - e_i^T e_(i) and nk - p - k; the rest is what a penalty changes in He = 0 and HH = H.
    inner = np.einsum("ni,ni->n", e, left_out)
    squares = np.sum(e * e) - inner
    held = PF.T @ PF
    fitted = rank - np.trace(held)
    deleted_dof = k * (np.count_nonzero(w) - (w > 0.0)) - fitted
    penalty_shift = np.zeros(n)
    if len(P):
        Q = Z @ held @ Z.swapaxes(1, 2)
        gradient = np.einsum("nij,ni->j", Z, e)
        penalty_shift = np.einsum("ni,nij,nj->n", left_out, Q, left_out)
        squares = squares + 2.0 * np.einsum("nj,j->n", shift, gradient) - penalty_shift
        deleted_dof = deleted_dof + np.einsum("nij,nji->n", widen, Q)
    squares = np.maximum(squares, 0.0)
    deleted_dof[undetermined] = np.nan
    deleted_square = ratio(squares, np.where(deleted_dof > DOF_ROUNDING, deleted_dof, np.nan))

    dof = k * np.count_nonzero(w) - fitted
    square = np.sum(e * e) / dof if dof > DOF_ROUNDING else np.nan
    cooks = ratio(np.sum(shift * shift, axis=1) - penalty_shift, fitted * square)
    t_squared = ratio(inner, deleted_square)
    back = root[:, None]
    deleted_shift = shift @ factor.T
    deleted_shift[:, ~reduced.determined] = np.nan
    return Influence(
        blocks=blocks,
        loo_residuals=np.where(back > 0.0, ratio(left_out, back), np.asarray(residuals, float)),
        t_squared=np.where(w > 0.0, t_squared, np.nan),
        cooks_distance=np.where(undetermined, np.inf, cooks),
        deleted_sigma=np.sqrt(deleted_square),
        deleted_shift=deleted_shift,
        deleted_dof=deleted_dof,
    )


def p_values(t_squared: ArrayLike, k: int, dof: ArrayLike) -> Array:
    """Probability that a point of a sound fit has a T^2 at least this large: T^2 / k against F(k, dof).

    Parameters
    ----------
    t_squared : array_like, shape (n,)
        `Influence.t_squared`; nan stays nan.
    k : int
        Components of a point.
    dof : array_like, shape () or (n,)
        `Influence.deleted_dof`.

    Returns
    -------
    ndarray, shape (n,)
    """
    from scipy.special import fdtrc

    return np.asarray(fdtrc(k, dof, np.asarray(t_squared, float) / k))


def familywise_limit(n: int, k: int, dof: float, alpha: float = 0.05) -> float:
    """Limit on `Influence.t_squared` that any of n points of a sound fit passes with probability <= alpha.

    Bonferroni's bound, which holds although the points' statistics depend on each other: k times the upper
    alpha / n point of F(k, dof). The limit on `Influence.studentised` is its square root after division by k.

    Parameters
    ----------
    n, k : int
        Points, and components of each.
    dof : float
        `Influence.deleted_dof`; the limit is nan where it is not positive.
    alpha : float
        Between 0 and 1.
    """
    from scipy.special import betaincinv

    if not dof > 0.0:
        return float("nan")
    # F's upper tail is I_x(dof / 2, k / 2) at x = dof / (dof + k F): exact where 1 - alpha / n would round.
    x = float(betaincinv(dof / 2.0, k / 2.0, alpha / n))
    return dof * (1.0 - x) / x


def ratio(numerator: Array, denominator: ArrayLike) -> Array:
    """Quotient without warnings: x / 0 is inf with the sign of x, and 0 / 0 is nan."""
    if np.all(denominator):
        return np.asarray(numerator / np.asarray(denominator))
    a, b = np.broadcast_arrays(numerator, denominator)
    at_zero = np.where(a == 0.0, np.nan, np.copysign(np.inf, a))
    return np.asarray(np.divide(a, b, out=at_zero, where=b != 0.0))

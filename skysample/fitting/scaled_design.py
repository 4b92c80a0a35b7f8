"""A design with its columns scaled to unit norm, reduced by QR: rank, condition, covariance, and terms it confuses.

Rows are reduced in panels, and the panels' triangles together (Demmel, Grigori, Hoemmen and Langou 2012, SIAM J. Sci.
Comput. 34, A206): as stable as Householder's QR of the whole, and Q is not stored. Columns are scaled in the triangle,
which has their norms; its singular values give rank and condition.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.model import WeakPair

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array

EPS = float(np.finfo(float).eps)

WEAK = 300.0
"""Condition from which a pair is named: errors are then a hundredfold those of a term alone."""

SINGULAR = 1e8
"""Condition beyond which rounding and the smallest flexure decide the answer, not the data."""

_PANEL = 256
"""Rows of a panel: some twenty columns of them stay in a processor's cache."""


@dataclass(frozen=True, eq=False)
class ScaledDesign:
    """A weighted design A (m, p), and a target y (m, c), reduced.

    Attributes
    ----------
    scale : ndarray, shape (p,)
        Norms of the columns; 1 for an empty one.
    singular : ndarray, shape (p,)
        Singular values of the scaled design, falling.
    directions : ndarray, shape (p, p)
        Its right singular vectors, one a column.
    rank : int
    projected : ndarray, shape (rank, c)
        Q^T y.
    """

    scale: Array
    singular: Array
    directions: Array
    rank: int
    projected: Array

    @classmethod
    def of(
        cls,
        design: Array,
        target: Array | None = None,
        weights: Array | None = None,
        *,
        penalty: Array | None = None,
        smallest: float | None = None,
    ) -> ScaledDesign:
        """Reduce a design.

        Parameters
        ----------
        design : ndarray, shape (n, p) or (n, k, p)
            Finite.
        target : ndarray, shape (n, c) or (n, k), optional
            As many rows as the design.
        weights : ndarray, shape (n,), optional
            Inverse standard deviations.
        penalty : ndarray, shape (q, p), optional
            Further rows of the design, whose target is zero.
        smallest : float, optional
            Singular values up to this share of the largest count as zero; default: rounding.
        """
        p = design.shape[-1]
        flat = design.reshape(-1, p)
        rows = np.concatenate(
            [flat, np.empty((len(flat), 0)) if target is None else target.reshape(len(flat), -1)], 1
        )
        if weights is not None:
            rows *= np.repeat(weights, len(rows) // len(weights))[:, None]
        if penalty is not None:
            rows = np.concatenate([rows, np.pad(penalty, ((0, 0), (0, rows.shape[1] - p)))])
        reduced = np.linalg.qr(_panels_reduced(rows), mode="r")[:p]
        triangle = np.zeros((p, rows.shape[1]))
        triangle[: len(reduced)] = reduced
        scale = np.linalg.norm(triangle[:, :p], axis=0)
        scale[scale == 0.0] = 1.0
        left, singular, right = np.linalg.svd(triangle[:, :p] / scale)
        least = max(len(rows), p) * EPS if smallest is None else smallest
        rank = int(np.count_nonzero(singular > least * singular[0]))
        return cls(scale, singular, right.T, rank, left[:, :rank].T @ triangle[:, p:])

    @cached_property
    def factor(self) -> Array:
        """F with F F^T = (A^T A)^-1, shape (p, rank): A F is Q."""
        return np.asarray(self.directions[:, : self.rank] / self.singular[: self.rank] / self.scale[:, None])

    @property
    def coefficients(self) -> Array:
        """Of the least-squares fit, shape (p, c); where the rank is below p the shortest in scaled columns."""
        return self.factor @ self.projected

    @property
    def unscaled_covariance(self) -> Array:
        """(A^T A)^-1, shape (p, p); nan in the rows and columns of coefficients that are not determined."""
        covariance = self.factor @ self.factor.T
        covariance[~self.determined] = np.nan
        covariance[:, ~self.determined] = np.nan
        return covariance

    @property
    def determined(self) -> NDArray[np.bool_]:
        """Coefficients without a part in any undetermined direction, shape (p,)."""
        return np.asarray(np.max(np.abs(self.directions[:, self.rank :]), axis=1, initial=0.0) < 1e-8)

    @property
    def condition(self) -> float:
        """Condition number of the scaled design; inf where a direction is empty."""
        return self._condition_of(len(self.singular))

    @property
    def determined_condition(self) -> float:
        """The same within the directions that the design determines."""
        return self._condition_of(self.rank) if self.rank else 1.0

    def basis(self, rows: Array) -> Array:
        """Orthonormal columns that span the design's own weighted rows (m, p), shape (m, rank)."""
        return np.linalg.qr(rows @ self.factor)[0]

    def worst_pair(self, names: Sequence[str]) -> tuple[str, ...]:
        """The two terms that the design separates worst, or the one that is empty by itself.

        They have the largest product of loadings on the weakest direction; where several are undetermined, on the
        projector on all of them, so that the answer does not hang on how the decomposition mixed them.
        """
        weakest = self.directions[:, min(self.rank, len(names) - 1) :]
        projector = np.abs(weakest @ weakest.T)
        pairs = np.triu(projector, 1)
        first, second = np.unravel_index(int(np.argmax(pairs)), pairs.shape)
        if pairs[first, second] < 1e-8:
            return (names[int(np.argmax(np.diag(projector)))],)
        return names[int(first)], names[int(second)]

    def weak_pairs(self, names: Sequence[str]) -> tuple[WeakPair, ...]:
        """For each direction weaker than `WEAK`, weakest first, the two terms that weigh most in it."""
        pairs = []
        for count in range(len(names), 1, -1):
            condition = self._condition_of(count)
            if condition < WEAK:
                break
            first, second = np.argsort(-np.abs(self.directions[:, count - 1]), kind="stable")[:2]
            pairs.append(WeakPair((names[int(first)], names[int(second)]), condition))
        return tuple(pairs)

    def _condition_of(self, count: int) -> float:
        smallest = self.singular[count - 1]
        return float(self.singular[0] / smallest) if smallest > 0.0 else float("inf")


def _panels_reduced(rows: Array) -> Array:
    """Triangles of the panels, one below the other; rows that do not fill a panel as they are."""
    columns = rows.shape[1]
    height = max(_PANEL, 4 * columns)
    whole = len(rows) // height * height
    triangles = np.asarray(np.linalg.qr(rows[:whole].reshape(-1, height, columns), mode="r"))
    return np.concatenate([triangles.reshape(-1, columns), rows[whole:]])

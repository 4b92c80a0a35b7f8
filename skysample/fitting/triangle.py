"""A tall design reduced to a small triangle by QR, and what the triangle tells: rank, condition, null directions.

Rows are reduced in panels, and the panels' triangles together (Demmel, Grigori, Hoemmen and Langou 2012, SIAM J. Sci.
Comput. 34, A206): as stable as Householder's QR of the whole, and neither Q nor a second copy of the design is held.
Columns are scaled to unit norm in the triangle, which has their norms.

A very tall design is quicker by Cholesky, which squares its condition. So its columns are first made nearly orthogonal
by the triangle of a sample of the rows (Garrison and Ipsen 2024, A randomized preconditioned Cholesky-QR algorithm,
arXiv 2406.11751; from memory); where they are then not, panels answer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from skysample.geometry import Array

__all__ = ["EPS", "Reduced", "reduce_by_sample", "reduce_rows"]

EPS = float(np.finfo(float).eps)

_PANEL = 256
"""Rows of a panel: some twenty columns of them stay in a processor's cache."""

_UNEVEN = 100.0
"""Condition of the preconditioned columns' products from which Cholesky would lose digits that panels keep."""


class Reduced(NamedTuple):
    """A design (m, p) and a target (m, c), reduced.

    Attributes
    ----------
    factor : ndarray, shape (p, rank)
        F with F F^T = (A^T A)^-1: the inverse of R with the scaling of the columns undone. A F is Q.
    weakest : ndarray, shape (p, q)
        Orthonormal directions in scaled columns that the design does not determine; if it determines all, the
        one that it determines worst (q = 1).
    singular : ndarray, shape (p,)
        Singular values of the scaled design, falling.
    projected : ndarray, shape (rank, c)
        Q^T y: the coefficients are F (Q^T y).
    rank : int
    """

    factor: Array
    weakest: Array
    singular: Array
    projected: Array
    rank: int

    @property
    def determined(self) -> NDArray[np.bool_]:
        """Coefficients without a part in any undetermined direction, shape (p,)."""
        if self.rank == len(self.weakest):
            return np.ones(self.rank, bool)
        return np.asarray(np.abs(self.weakest).max(axis=1) < 1e-8)

    @property
    def condition(self) -> float:
        """Condition number of the scaled design; inf where a direction is empty."""
        return self._quotient(len(self.singular))

    @property
    def determined_condition(self) -> float:
        """The same within the directions that the design determines."""
        return self._quotient(self.rank) if self.rank else 1.0

    def _quotient(self, count: int) -> float:
        smallest = self.singular[count - 1]
        return float(self.singular[0] / smallest) if smallest > 0.0 else float("inf")


def reduce_rows(blocks: Iterable[Array], p: int) -> Reduced:
    """Reduce the rows of a design, beside them those of the target, which spares forming Q.

    Parameters
    ----------
    blocks : iterable of ndarray, each of shape (any, p + c)
        Rows [A, y], in any division. Finite.
    p : int
        Columns of the design.

    Returns
    -------
    Reduced
    """
    triangles, m = [], 0
    for block in blocks:
        triangles.append(_panel_triangles(block))
        m += len(block)
    columns = triangles[0].shape[1]
    rows = np.linalg.qr(np.concatenate(triangles), mode="r")[:p]
    triangle = np.zeros((p, columns))
    triangle[: len(rows)] = rows
    return _of_triangle(triangle, m)


def reduce_by_sample(blocks: Iterable[Array], sample: Array) -> Reduced | None:
    """Reduce the rows of a very tall design by Cholesky, once a sample has made its columns nearly orthogonal.

    Parameters
    ----------
    blocks : iterable of ndarray, each of shape (any, p + c)
        Rows [A, y], in any division. Finite.
    sample : ndarray, shape (any, p)
        Some of the rows of A.

    Returns
    -------
    Reduced or None
        None where the sample is no likeness of the whole.
    """
    p = sample.shape[1]
    first = np.linalg.qr(sample, mode="r")
    size = np.abs(np.diag(first))
    if len(first) < p or not np.min(size / np.linalg.norm(first, axis=0).clip(min=1e-300)) > np.sqrt(EPS):
        return None
    undo = np.linalg.inv(first)
    products, m = np.zeros(()), 0
    for block in blocks:
        apart = np.eye(block.shape[1])
        apart[:p, :p] = undo
        even = block @ apart
        products = products + even.T @ even
        m += len(block)
    length = np.sqrt(np.diag(products)[:p])
    scaled = products[:p, :p] / length / length[:, None]
    if not np.linalg.cond(scaled) < _UNEVEN:
        return None
    second = np.linalg.cholesky(scaled).T * length
    target = np.linalg.solve(second.T, products[:p, p:])
    return _of_triangle(np.concatenate([second @ first, target], axis=1), m)


def _of_triangle(triangle: Array, m: int) -> Reduced:
    """What a triangle [R, Q^T y] of m rows tells."""
    p = len(triangle)
    scale = np.linalg.norm(triangle[:, :p], axis=0)
    scale[scale == 0.0] = 1.0
    left, singular, right = np.linalg.svd(triangle[:, :p] / scale)
    rank = int(np.count_nonzero(singular > max(m, p) * EPS * singular[0]))
    return Reduced(
        factor=right[:rank].T / singular[:rank] / scale[:, None],
        weakest=right[min(rank, p - 1) :].T,
        singular=singular,
        projected=left[:, :rank].T @ triangle[:, p:],
        rank=rank,
    )


def _panel_triangles(block: Array) -> Array:
    """Triangles of a block's panels, one below the other; rows that do not fill a panel as they are."""
    columns = block.shape[1]
    height = max(_PANEL, 4 * columns)
    whole = len(block) // height * height
    if whole == 0:
        return block
    panels = block[:whole].reshape(-1, height, columns)
    triangles = np.asarray(np.linalg.qr(panels, mode="r")).reshape(-1, columns)
    return np.concatenate([triangles, block[whole:]])

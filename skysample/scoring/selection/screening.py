"""Candidate terms beside a fit: which of them its points keep apart from the fit's terms, and how well each would do.

All is linear algebra about one model, whose coefficients are where the true geometry is linearised.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.gauss_newton import Converged
from skysample.fitting.linear import radial_rms
from skysample.fitting.pointing import PointingFunction
from skysample.fitting.scaled_design import ScaledDesign
from skysample.fitting.terms import choose_terms
from skysample.scoring.term_evidence import left_out

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.fitting.gauss_newton import Observations
    from skysample.geometry import Array
    from skysample.plugins.contracts import Term

__all__ = ["SEPARABLE", "Linearised", "Screening", "linearise"]

SEPARABLE = 0.05
"""Share of a candidate's column that the present terms must leave unexplained: less, and its standard error is more
than twentyfold what it would be alone."""

_MARGIN = 1e-6
"""Share of the squared residuals by which another term has to fit better: beyond what curvature can turn round."""


@dataclass(frozen=True, eq=False)
class Linearised:
    """What n points say about w coefficients, to first order about a model.

    Attributes
    ----------
    names : tuple of str
        Terms of the model and everything on offer.
    design : ndarray, shape (n, 2, w)
    target : ndarray, shape (n, 2)
        Residuals of the model with its optional terms put back to zero.
    weights : ndarray, shape (n,)
        Inverse standard deviations.
    """

    names: tuple[str, ...]
    design: Array
    target: Array
    weights: Array

    def beside(self, present: Sequence[str]) -> Screening:
        """Fit some of the terms, and look at the others beside them."""
        chosen = np.array([name in present for name in self.names], bool)
        return Screening(
            tuple(np.array(self.names)[chosen].tolist()),
            tuple(np.array(self.names)[~chosen].tolist()),
            self.design[..., chosen],
            self.design[..., ~chosen],
            self.target,
            self.weights,
        )


def linearise(
    model: FittedModel, optional: Sequence[str], data: Observations, available: Mapping[str, Term]
) -> Linearised:
    """Linearise about a model, with every displacement on offer.

    Parameters
    ----------
    model : FittedModel
    optional : sequence of str
        Terms of the model that are up for choice.
    data : Observations
    available : mapping of str to Term
    """
    names = choose_terms(model.kind, [*model.names, *available], available)
    function = PointingFunction.of(model.kind, model.function.latitude_rad, names, available)
    found = dict(zip(model.names, model.values_rad.tolist(), strict=True))
    values = np.array([found.get(name, 0.0) for name in names])
    here = Converged.at(function, values, data)
    put_back = here.design @ np.where([name in optional for name in names], values, 0.0)
    return Linearised(names, here.design, here.residuals + put_back, data.weights)


@dataclass(frozen=True, eq=False)
class Screening:
    """A linear fit of p terms to n points, and m candidates, each looked at beside it.

    Attributes
    ----------
    present, candidates : tuple of str
    design : ndarray, shape (n, 2, p)
    columns : ndarray, shape (n, 2, m)
        Of the candidates.
    target : ndarray, shape (n, 2)
    weights : ndarray, shape (n,)
    """

    present: tuple[str, ...]
    candidates: tuple[str, ...]
    design: Array
    columns: Array
    target: Array
    weights: Array

    @property
    def dof(self) -> int:
        """Degrees of freedom of the fit."""
        return 2 * len(self.target) - len(self.present)

    @property
    def sigma(self) -> float:
        """Noise of the fit, of unit weight; radians where all weights are 1."""
        return float(np.sqrt(np.sum(self.residuals**2) / self.dof))

    @cached_property
    def values(self) -> Array:
        """Of the present terms, shape (p,)."""
        return self._fit.coefficients[:, 0]

    @cached_property
    def stderr(self) -> Array:
        """Standard errors of the present terms, shape (p,)."""
        return np.asarray(self.sigma * np.linalg.norm(self._fit.factor, axis=1))

    @cached_property
    def idle(self) -> NDArray[np.bool_]:
        """Which candidates move no point of this run, shape (m,)."""
        return np.asarray(~np.any(self._columns, axis=0))

    @cached_property
    def separable(self) -> NDArray[np.bool_]:
        """Which candidates the points keep apart from the present terms, shape (m,)."""
        share = self.length > SEPARABLE * np.linalg.norm(self._columns, axis=0)
        return np.asarray(share & ~self.idle)

    @cached_property
    def residuals(self) -> Array:
        """Weighted residuals of the fit, shape (2n,)."""
        return self._target - self._basis @ (self._basis.T @ self._target)

    @cached_property
    def length(self) -> Array:
        """Length of what the present terms leave of each candidate's column, shape (m,)."""
        return np.asarray(np.linalg.norm(self._left, axis=0))

    def directions(self, chosen: NDArray[np.bool_]) -> Array:
        """Unit vectors along what the present terms leave of the chosen candidates, shape (2n, number chosen)."""
        return np.asarray(self._left[:, chosen] / self.length[chosen])

    def partner(self, index: int) -> tuple[str, float]:
        """The present term whose error would be tied most to a candidate's, and their correlation."""
        along = ScaledDesign.of(self._rows, self._columns[:, index]).coefficients[:, 0]
        # A new column adds to the covariance the outer product of `along` with itself, over its squared length.
        error = np.linalg.norm(self._fit.factor, axis=1)
        correlation = -along / np.hypot(error * self.length[index], along)
        strongest = int(np.argmax(np.abs(correlation)))
        return self.present[strongest], float(correlation[strongest])

    def better_than(self, name: str, allowed: NDArray[np.bool_]) -> str | None:
        """The allowed candidate that would fit best in the place of a present term, if better than that term does."""
        index = self.present.index(name)
        others = np.delete(self._rows, index, axis=1)
        basis = ScaledDesign.of(others).basis(others)
        columns = np.column_stack([self._rows[:, index], self._columns[:, allowed]])
        left = columns - basis @ (basis.T @ columns)
        length = np.linalg.norm(left, axis=0)
        apart = length > SEPARABLE * np.linalg.norm(columns, axis=0)
        # The present term counts for what it explains, however little of it stands apart: so every exchange fits
        # better, and exchanges come to an end.
        apart[0] = length[0] > 0.0
        gain = np.where(apart, (left.T @ self._target) ** 2 / np.where(apart, length, 1.0) ** 2, 0.0)
        best = int(np.argmax(gain))
        if gain[best] <= gain[0] + _MARGIN * float(self.residuals @ self.residuals):
            return None
        return str(np.array(self.candidates)[allowed][best - 1])

    def loo_rms(self, index: int | None = None) -> float:
        """Leave-one-out RMS of the fit, radians; with a candidate's index, of the fit with that candidate too.

        Nan where a point left out leaves some term undetermined.
        """
        return radial_rms(self._left_out(index))

    def gains_by(self, index: int) -> bool:
        """Whether left-out points are met better with a candidate, and none by itself carries it."""
        before, after = self._left_out(None), self._left_out(index)
        counts = np.isfinite(before).all(axis=1)
        # A nan in `after` makes the comparison false.
        return bool(np.sum(after[counts] ** 2) < np.sum(before[counts] ** 2))

    def _left_out(self, index: int | None) -> Array:
        """Left-out residuals, shape (n, 2), not weighted."""
        design, residuals = self.design, self.residuals
        if index is not None:
            left = self._left[:, index]
            residuals = residuals - left * (left @ residuals) / self.length[index] ** 2
            design = np.concatenate([design, self.columns[..., index : index + 1]], axis=-1)
        plain = residuals.reshape(-1, 2) / self.weights[:, None]
        return left_out(design, plain, self.weights)

    def _weighted(self, array: Array) -> Array:
        root = self.weights.reshape(-1, *[1] * (array.ndim - 1))
        return (array * root).reshape(-1, *array.shape[2:])

    @cached_property
    def _rows(self) -> Array:
        """Weighted design, shape (2n, p)."""
        return self._weighted(self.design)

    @cached_property
    def _columns(self) -> Array:
        return self._weighted(self.columns)

    @cached_property
    def _target(self) -> Array:
        return self._weighted(self.target)

    @cached_property
    def _fit(self) -> ScaledDesign:
        return ScaledDesign.of(self._rows, self._target)

    @cached_property
    def _basis(self) -> Array:
        return self._fit.basis(self._rows)

    @cached_property
    def _left(self) -> Array:
        """What the present terms leave of each candidate's column, shape (2n, m)."""
        return self._columns - self._basis @ (self._basis.T @ self._columns)

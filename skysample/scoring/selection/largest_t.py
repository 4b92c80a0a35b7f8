"""The largest of several correlated t statistics: what it reaches by chance, and what it takes to be found.

Max-T adjustment (P. H. Westfall and S. S. Young 1993, Resampling-Based Multiple Testing, Wiley, ch. 2; cited from
memory), here with normal errors simulated from the design: exact at any number of points but for the finite number of
draws. Bonferroni's bound would waste what correlated candidates share.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.multiple_tests import SELECTION_TESTED_AT

if TYPE_CHECKING:
    from skysample.geometry import Array

POWER = 0.84
"""Chance that a term of the detectable size is admitted under its own name. The promise is 80 %."""

_DRAWS = 20_000
_POWER_DRAWS = 4_000
_LARGEST = 1e3
_HALVINGS = 16


@dataclass(frozen=True, eq=False)
class Family:
    """m candidates that are tested together, each added alone to the same fit.

    Attributes
    ----------
    directions : ndarray, shape (N, m)
        The candidates' columns (of the weighted design) less what the present terms explain, of unit length.
    dof : int
        Degrees of freedom of the noise without any candidate: N - p.
    seed : int
        Of the draws.
    """

    directions: Array
    dof: int
    seed: int

    @cached_property
    def _coordinates(self) -> Array:
        """The directions in an orthonormal basis of what they span, shape (m, rank)."""
        values, vectors = np.linalg.eigh(self.directions.T @ self.directions)
        kept = values > 1e-10 * values[-1]
        return np.asarray(vectors[:, kept] * np.sqrt(values[kept]))

    @cached_property
    def _largest(self) -> Array:
        """Sorted draws of the largest |t| under noise alone."""
        inside, outside = self._noise(np.random.default_rng(self.seed), _DRAWS)
        share = np.max((inside @ self._coordinates.T) ** 2, axis=1) / (np.sum(inside**2, axis=1) + outside)
        return np.asarray(np.sort(self._t(np.sqrt(share))))

    @cached_property
    def threshold(self) -> float:
        """What the largest |t| exceeds by noise alone in a share `SELECTION_TESTED_AT` of nights."""
        return float(np.quantile(self._largest, 1.0 - SELECTION_TESTED_AT))

    def t(self, residuals: Array) -> Array:
        """Student's t of each candidate, shape (m,), from the present fit's weighted residuals, shape (N,)."""
        length = float(np.linalg.norm(residuals))
        return self._t(self.directions.T @ residuals / (length if length > 0.0 else 1.0))

    def adjusted_p(self, t: float) -> float:
        """Chance that noise alone makes the largest |t| as large as this.

        By the draws; beyond their reach, where it is smaller, by Bonferroni's bound.
        """
        from scipy.special import stdtr

        beyond = len(self._largest) - int(np.searchsorted(self._largest, abs(t)))
        bound = 2.0 * self.directions.shape[1] * float(stdtr(self.dof - 1, -abs(t)))
        return float(min((1.0 + beyond) / (1.0 + len(self._largest)), bound))

    def detectable(self, index: int) -> float:
        """How long a candidate's part must be, in standard deviations of the noise, to be found.

        It is found if its |t| is the largest and exceeds the threshold. The power counts fresh noise and the error of
        the estimate of the noise (chi-square) that the length is stated in.

        Parameters
        ----------
        index : int
            Which candidate.
        """
        rng = np.random.default_rng(self.seed)
        inside, outside = self._noise(rng, _POWER_DRAWS)
        stated = np.sqrt(rng.chisquare(self.dof, _POWER_DRAWS) / self.dof)
        along = self._coordinates[index]

        def power(length: float) -> float:
            seen = inside + (length * stated)[:, None] * along
            projected = np.abs(seen @ self._coordinates.T)
            share = projected[:, index] ** 2 / (np.sum(seen**2, axis=1) + outside)
            found = np.argmax(projected, axis=1) == index
            return float(np.mean(found & (self._t(np.sqrt(share)) > self.threshold)))

        low, high = 0.0, 4.0
        while power(high) < POWER and high < _LARGEST:
            low, high = high, 2.0 * high
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if power(middle) < POWER else (low, middle)
        return high

    def _noise(self, rng: np.random.Generator, draws: int) -> tuple[Array, Array]:
        """Unit noise in the span of the directions, shape (draws, rank), and its square in the rest, shape (draws,)."""
        rank = self._coordinates.shape[1]
        inside = rng.standard_normal((draws, rank))
        rest = self.dof - rank
        return inside, rng.chisquare(rest, draws) if rest > 0 else np.zeros(draws)

    def _t(self, cosine: Array) -> Array:
        """T of a column that makes this cosine with the residuals."""
        left = np.maximum(1.0 - cosine**2, 1e-300)
        return np.asarray(cosine * np.sqrt((self.dof - 1) / left))

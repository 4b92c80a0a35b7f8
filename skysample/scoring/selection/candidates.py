"""Candidate terms beside a fit: which of them the points separate, how well each would do, and the verdict on each.

All is linear algebra about one model, whose coefficients are where the true geometry is linearised.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import compress
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.gauss_newton import Converged
from skysample.fitting.linear import radial_rms
from skysample.fitting.pointing import PointingFunction
from skysample.fitting.scaled_design import ScaledDesign
from skysample.fitting.terms import choose_terms
from skysample.geometry import ARCSEC
from skysample.plugins.contracts import ROTATIONS
from skysample.scoring.term_evidence import correlations, left_out

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.fitting.gauss_newton import Observations
    from skysample.geometry import Array
    from skysample.plugins.contracts import Term
    from skysample.scoring.selection.forward import Added, Selected
    from skysample.scoring.term_evidence import TermEvidence

SEPARABLE = 0.05
"""Share of a candidate's column that the present terms must leave unexplained: less, and its standard error is more
than twentyfold what it would be alone."""

_MARGIN = 1e-6
"""Share of the squared residuals by which another term has to fit better: beyond what curvature can turn round."""


@dataclass(frozen=True, eq=False)
class Screening:
    """A linear fit of p of w terms to n points, and the other m, each looked at beside it.

    Attributes
    ----------
    names : tuple of str
        Terms of a model and everything on offer.
    fitted : ndarray of bool, shape (w,)
        Which are in the fit.
    design : ndarray, shape (n, 2, w)
    target : ndarray, shape (n, 2)
        Residuals of the model with its optional terms put back to zero.
    weights : ndarray, shape (n,)
        Inverse standard deviations.
    """

    names: tuple[str, ...]
    fitted: NDArray[np.bool_]
    design: Array
    target: Array
    weights: Array

    def beside(self, present: Sequence[str]) -> Screening:
        """Fit other terms, and look at the rest beside them."""
        return replace(self, fitted=np.isin(self.names, present))

    @property
    def present(self) -> tuple[str, ...]:
        """The terms in the fit."""
        return tuple(compress(self.names, self.fitted))

    @property
    def candidates(self) -> tuple[str, ...]:
        """The terms that are not in the fit."""
        return tuple(compress(self.names, ~self.fitted))

    @property
    def dof(self) -> int:
        """Degrees of freedom of the fit."""
        return 2 * len(self.target) - int(np.count_nonzero(self.fitted))

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
        """Which candidates the points separate from the present terms, shape (m,)."""
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
        """The present term whose error would correlate most with a candidate's, and the correlation."""
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
        """Whether a candidate lowers the leave-one-out error, and no single point carries it."""
        before, after = self._left_out(None), self._left_out(index)
        counts = np.isfinite(before).all(axis=1)
        # A nan in `after` makes the comparison false.
        return bool(np.sum(after[counts] ** 2) < np.sum(before[counts] ** 2))

    def _left_out(self, index: int | None) -> Array:
        """Left-out residuals, shape (n, 2), not weighted."""
        present, residuals = self.fitted.copy(), self.residuals
        if index is not None:
            left = self._left[:, index]
            residuals = residuals - left * (left @ residuals) / self.length[index] ** 2
            present[np.flatnonzero(~self.fitted)[index]] = True
        plain = residuals.reshape(-1, 2) / self.weights[:, None]
        return left_out(self.design[..., present], plain, self.weights)

    def _weighted(self, array: Array) -> Array:
        return (array * self.weights[:, None, None]).reshape(2 * len(array), -1)

    @cached_property
    def _rows(self) -> Array:
        """Weighted design of the fit, shape (2n, p)."""
        return self._weighted(self.design[..., self.fitted])

    @cached_property
    def _columns(self) -> Array:
        """The candidates' weighted columns, shape (2n, m)."""
        return self._weighted(self.design[..., ~self.fitted])

    @cached_property
    def _target(self) -> Array:
        return self._weighted(self.target[..., None])[:, 0]

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


@dataclass(frozen=True, slots=True)
class Candidate:
    """A term that was not in the model from the start.

    Attributes
    ----------
    name : str
    verdict : str
        `added`; `not found` (no larger than chance); `not separable` (from a term of the model, by these points);
        `dropped` (added, then made redundant by another); `not better` (a large t, but the leave-one-out error does not
        fall); `idle` (has no effect on any point of this run); `not tested` (too few points).
    reason : str
        Half a sentence.
    t, threshold, adjusted_p : float
        Of the term beside the rest of the final model, what its ``|t|`` has to exceed, and the chance that noise alone
        makes any ``|t|`` of a candidate as large; nan where not tested.
    loo_rms_rad, loo_rms_with_rad : float
        Leave-one-out RMS without and with it.
    detectable_rad : float
        Coefficient that would be found, under its own name, in 80 % of nights like this one; nan where it was
        added or not tested.
    correlates_with : str or None
        The term of the model that its error would correlate with most.
    correlation : float
    """

    name: str
    verdict: str
    reason: str
    t: float
    threshold: float
    adjusted_p: float
    loo_rms_rad: float
    loo_rms_with_rad: float
    detectable_rad: float
    correlates_with: str | None
    correlation: float


def linearise(
    model: FittedModel, optional: Sequence[str], data: Observations, available: Mapping[str, Term]
) -> Screening:
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
    nothing = np.zeros(len(names), bool)
    return Screening(names, nothing, here.design, here.residuals + put_back, data.weights)


def judged_terms(
    evidence: Sequence[TermEvidence], limits: Array, selected: Selected, model: FittedModel
) -> tuple[TermEvidence, ...]:
    """Give the terms of the final model the verdicts of a selection.

    Geometry and the terms that the selection started from stay whatever they weigh: that they are there is known, not
    found, and dropping them by what one night says would spoil the errors of the others.
    """
    added = {each.name: each for each in selected.added}
    return tuple(
        _judged(replace(each, ci95_rad=float(limit) * each.stderr_rad), added.get(each.name), model)
        for each, limit in zip(evidence, limits, strict=True)
    )


def _judged(evidence: TermEvidence, added: Added | None, model: FittedModel) -> TermEvidence:
    if evidence.verdict == "not determined":
        return evidence
    if added is not None:
        reason = (
            f'adjusted p {added.adjusted_p:.2g}; leave-one-out RMS {added.loo_after_rad / ARCSEC:.2f}" with it,'
            f' {added.loo_before_rad / ARCSEC:.2f}" without'
        )
        if added.rivals:
            *others, last = added.rivals
            listed = f"{', '.join(others)} or {last}" if others else last
            reason += f"; {listed} would fit as well in its place"
        return replace(evidence, verdict="added", reason=reason)
    kept = evidence.name in ROTATIONS[model.kind] or evidence.verdict == "significant"
    if kept or evidence.loo_rms_without_rad > evidence.loo_rms_rad:
        return replace(evidence, verdict="kept")
    return replace(evidence, verdict="not needed", reason=f"{evidence.reason}; kept because it was asked for")


def judged_candidates(selected: Selected, model: FittedModel) -> tuple[Candidate, ...]:
    """Say what became of every candidate: those added first, then the others by falling |t|."""
    beside, family, t = selected.beside, selected.family, selected.t
    unknown = float("nan")
    correlation = correlations(model)
    judged = []
    for each in selected.added:
        row = correlation[model.names.index(each.name)]
        partner = int(np.argmax(np.abs(row)))
        judged.append(
            Candidate(
                each.name,
                "added",
                f"|t| {abs(each.t):.1f}, above the limit {each.threshold:.1f}; the leave-one-out error falls",
                each.t,
                each.threshold,
                each.adjusted_p,
                each.loo_before_rad,
                each.loo_after_rad,
                unknown,
                model.names[partner],
                float(row[partner]),
            )
        )
    before = beside.loo_rms()
    for index in np.argsort(-np.nan_to_num(np.abs(t), nan=-1.0), kind="stable").tolist():
        name, with_it = (None, 0.0) if beside.idle[index] else beside.partner(index)
        tested = family is not None and bool(selected.tested[index])
        judged.append(
            Candidate(
                beside.candidates[index],
                *_words(selected, index, name),
                float(t[index]),
                family.threshold if family is not None and tested else unknown,
                family.adjusted_p(float(t[index])) if family is not None and tested else unknown,
                before,
                beside.loo_rms(index) if tested else unknown,
                detectable_rad(selected, index),
                name,
                with_it,
            )
        )
    return tuple(judged)


def detectable_rad(selected: Selected, index: int) -> float:
    """Coefficient of a tested candidate that would be found (see `Family.detectable`); nan where it is not tested."""
    beside, family = selected.beside, selected.family
    if family is None or not selected.tested[index]:
        return float("nan")
    place = int(np.count_nonzero(selected.tested[:index]))
    return family.detectable(place) * beside.sigma / float(beside.length[index])


def _words(selected: Selected, index: int, partner: str | None) -> tuple[str, str]:
    """Verdict and reason of a candidate that is not in the model."""
    beside, family = selected.beside, selected.family
    name = beside.candidates[index]
    if beside.idle[index]:
        return "idle", "no effect on any point of this run"
    if name in selected.dropped:
        rival = selected.dropped[name]
        return (
            "dropped",
            f"redundant beside {rival}" if rival else "no larger than chance once others were dropped",
        )
    if not beside.separable[index]:
        return "not separable", f"these points cannot separate it from {partner}"
    if family is None:
        return "not tested", "too few points"
    t = abs(float(selected.t[index]))
    if t > family.threshold:
        return "not better", "it does not lower the leave-one-out error"
    return "not found", f"|t| {t:.1f}; noise alone reaches {family.threshold:.1f}"

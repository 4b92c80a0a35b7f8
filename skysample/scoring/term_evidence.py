"""Evidence for each term of a fitted model: its t, what leaving it out costs, and what it is most correlated with."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError, NoSolution
from skysample.fitting import fingerprint
from skysample.fitting.gauss_newton import Converged, Observations, converge
from skysample.fitting.linear import pointwise_influence, radial_rms
from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.runs import Run


@dataclass(frozen=True, slots=True)
class TermEvidence:
    """One term of a model, judged.

    Attributes
    ----------
    name : str
    value_rad, stderr_rad, ci95_rad : float
        Coefficient, its standard error, and half the width of its 95 % interval.
    t, p : float
        Student's t and its two-sided p.
    loo_rms_rad, loo_rms_without_rad : float
        Leave-one-out RMS of the model, and of the same model fitted without this term; nan where a point left out
        leaves some term undetermined, or the fit does not settle.
    correlates_with : str or None
        The term whose error correlates most with this one's; None for a model of one term.
    correlation : float
        Of the two errors, -1 to 1; 0 without a partner.
    verdict : str
        As in `FittedModel.terms`; after a selection as in `skysample.scoring.selection`.
    reason : str
        Half a sentence.
    """

    name: str
    value_rad: float
    stderr_rad: float
    ci95_rad: float
    t: float
    p: float
    loo_rms_rad: float
    loo_rms_without_rad: float
    correlates_with: str | None
    correlation: float
    verdict: str
    reason: str


def used_points(model: FittedModel, run: Run) -> Observations:
    """The points of a run that a model was fitted to, as the fit saw them.

    Raises
    ------
    InputError
        If it was fitted to another run.
    """
    if fingerprint(run) != model.run.fingerprint:
        raise InputError(
            f"this run is not the one the model was fitted to ({model.run.source or 'a run from memory'});"
            " fit it first",
            key="run",
            file=run.source,
        )
    return Observations.of(run, np.isin(run.rows, model.run.rows))


def term_evidence(model: FittedModel, run: Run) -> tuple[TermEvidence, ...]:
    """Judge every term of a model on the run that it was fitted to.

    Without a term the true geometry is fitted again to the same points, starting from the model.

    Parameters
    ----------
    model : FittedModel
    run : Run

    Returns
    -------
    tuple of TermEvidence
        In the order of the model's terms.

    Raises
    ------
    InputError
        If the run is not the one that the model was fitted to.
    """
    data = used_points(model, run)
    whole = _loo_rms(model, model.values_rad, data)
    t, p, verdicts = model.tests
    error = model.stderr_rad
    correlation = correlations(model)
    judged = []
    for i, name in enumerate(model.names):
        partner = int(np.argmax(np.abs(correlation[i])))
        alone = len(model.names) == 1
        without = float("nan") if alone else _loo_rms_without(model, i, data)
        evidence = TermEvidence(
            name=name,
            value_rad=float(model.values_rad[i]),
            stderr_rad=float(error[i]),
            ci95_rad=float(error[i]) * model.t_limit,
            t=float(t[i]),
            p=float(p[i]),
            loo_rms_rad=whole,
            loo_rms_without_rad=without,
            correlates_with=None if alone else model.names[partner],
            correlation=0.0 if alone else float(correlation[i, partner]),
            verdict=verdicts[i],
            reason="",
        )
        judged.append(replace(evidence, reason=_reason(evidence)))
    return tuple(judged)


def correlations(model: FittedModel) -> Array:
    """Correlations of the errors of a model's terms, shape (p, p); 0 of each with itself."""
    scale = np.where(model.stderr_rad > 0.0, model.stderr_rad, 1.0)
    return np.asarray(model.covariance_rad2 / np.outer(scale, scale) - np.diag(model.stderr_rad > 0.0))


def left_out(design: Array, residuals: Array, weights: Array) -> Array:
    """Closed-form leave-one-out residuals, shape (n, 2); weights are inverse standard deviations."""
    return pointwise_influence(design, residuals, weights**2).loo_residuals


def _loo_rms(model: FittedModel, values: Array, data: Observations) -> float:
    here = Converged.at(model.function, values, data)
    return radial_rms(left_out(here.design, here.residuals, data.weights))


def _loo_rms_without(model: FittedModel, index: int, data: Observations) -> float:
    function = model.function
    kept = np.arange(len(function.names)) != index
    smaller = replace(
        function,
        names=tuple(name for name, stays in zip(function.names, kept, strict=True) if stays),
        terms=tuple(term for term in function.terms if term.name != function.names[index]),
    )
    try:
        found = converge(smaller, model.values_rad[kept], data)
    except NoSolution:
        return float("nan")
    return radial_rms(left_out(found.design, found.residuals, data.weights))


def _reason(evidence: TermEvidence) -> str:
    if evidence.verdict == "not determined":
        return f"these points cannot separate it from {evidence.correlates_with}"
    if evidence.verdict == "not significant":
        return "no larger than chance"
    before, after = evidence.loo_rms_rad, evidence.loo_rms_without_rad
    if after > before:
        return f'leave-one-out RMS {before / ARCSEC:.2f}" with it, {after / ARCSEC:.2f}" without'
    return "larger than chance"

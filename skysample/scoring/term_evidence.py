"""Evidence for each term of a fitted model: its t, what leaving it out costs, and what it is most correlated with."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import compress
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
    whole = _loo_rms(Converged.at(model.function, model.values_rad, data), data)
    partners = most_correlated(model)
    judged = []
    for name, value, error, t, p, verdict in zip(
        model.names, model.values_rad.tolist(), model.stderr_rad.tolist(), *model.tests, strict=True
    ):
        without = float("nan") if len(model.names) == 1 else _loo_rms_without(model, name, data)
        partner, correlation = partners[name]
        judged.append(
            TermEvidence(
                name=name,
                value_rad=value,
                stderr_rad=error,
                ci95_rad=error * model.t_limit,
                t=float(t),
                p=float(p),
                loo_rms_rad=whole,
                loo_rms_without_rad=without,
                correlates_with=partner,
                correlation=correlation,
                verdict=verdict,
                reason=_reason(verdict, partner, whole, without),
            )
        )
    return tuple(judged)


def most_correlated(model: FittedModel) -> dict[str, tuple[str | None, float]]:
    """By term, the other whose error correlates most with its own, and the correlation; None and 0 for a lone term."""
    if len(model.names) == 1:
        return {model.names[0]: (None, 0.0)}
    scale = np.where(model.stderr_rad > 0.0, model.stderr_rad, 1.0)
    correlation = model.covariance_rad2 / np.outer(scale, scale) - np.diag(model.stderr_rad > 0.0)
    strongest = np.argmax(np.abs(correlation), axis=1).tolist()
    return {
        name: (model.names[other], float(row[other]))
        for name, row, other in zip(model.names, correlation, strongest, strict=True)
    }


def left_out(design: Array, residuals: Array, weights: Array) -> Array:
    """Closed-form leave-one-out residuals, shape (n, 2); weights are inverse standard deviations."""
    return pointwise_influence(design, residuals, weights**2).loo_residuals


def _loo_rms(fitted: Converged, data: Observations) -> float:
    return radial_rms(left_out(fitted.design, fitted.residuals, data.weights))


def _loo_rms_without(model: FittedModel, name: str, data: Observations) -> float:
    function = model.function
    kept = np.array(function.names) != name
    smaller = replace(
        function,
        names=tuple(compress(function.names, kept)),
        terms=tuple(term for term in function.terms if term.name != name),
    )
    try:
        return _loo_rms(converge(smaller, model.values_rad[kept], data), data)
    except NoSolution:
        return float("nan")


def _reason(verdict: str, partner: str | None, whole: float, without: float) -> str:
    if verdict == "not determined":
        return f"these points cannot separate it from {partner}"
    if verdict == "not significant":
        return "no larger than chance"
    if without > whole:
        return f'leave-one-out RMS {whole / ARCSEC:.2f}" with it, {without / ARCSEC:.2f}" without'
    return "larger than chance"

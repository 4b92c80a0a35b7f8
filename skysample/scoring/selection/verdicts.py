"""What a selection says of every term and candidate: a word and the reason."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import ARCSEC
from skysample.plugins.contracts import ROTATIONS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.scoring.selection.forward import Added, Selected
    from skysample.scoring.term_evidence import TermEvidence

__all__ = ["Candidate", "detectable_rad", "judged_candidates", "judged_terms"]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A term that was not in the model from the start.

    Attributes
    ----------
    name : str
    verdict : str
        `added`; `not found` (noise makes as much); `not separable` (these points cannot tell it from a term of the
        model); `dropped` (added, then made needless by another); `not better` (a large t, but leave-one-out does not
        gain); `idle` (moves no point of this run); `not tested` (too few points).
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
        The term of the model whose error it would be tied to most.
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


def judged_terms(
    evidence: Sequence[TermEvidence], limits: Array, selected: Selected, model: FittedModel
) -> tuple[TermEvidence, ...]:
    """Give the terms of the final model the words of a selection.

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
            f"adjusted p {added.adjusted_p:.2g}; left-out points are missed by"
            f' {added.loo_after_rad / ARCSEC:.2f}", without it by {added.loo_before_rad / ARCSEC:.2f}"'
        )
        if added.rivals:
            reason += f"; {' or '.join(added.rivals)} would do as well"
        return replace(evidence, verdict="added", reason=reason)
    if evidence.name in ROTATIONS[model.kind] or evidence.verdict == "significant":
        return replace(evidence, verdict="kept")
    if evidence.loo_rms_without_rad <= evidence.loo_rms_rad:
        return replace(
            evidence, verdict="not needed", reason=f"{evidence.reason}; stays, as it was asked for"
        )
    return replace(evidence, verdict="kept", reason=f"{evidence.reason}, yet not significant")


def judged_candidates(selected: Selected, model: FittedModel) -> tuple[Candidate, ...]:
    """Say what became of every candidate: those added first, then the others by falling |t|."""
    beside, family, t = selected.beside, selected.family, selected.t
    before = beside.loo_rms()
    at = {each.name: each for each in _present_partners(selected, model)}
    judged = [at[each.name] for each in selected.added]
    order = np.argsort(-np.nan_to_num(np.abs(t), nan=-1.0), kind="stable")
    for index in order.tolist():
        partner, correlation = (None, 0.0) if beside.idle[index] else beside.partner(index)
        candidate = Candidate(
            beside.candidates[index],
            *_words(selected, index, partner),
            t=float(t[index]),
            threshold=float("nan"),
            adjusted_p=float("nan"),
            loo_rms_rad=before,
            loo_rms_with_rad=float("nan"),
            detectable_rad=float("nan"),
            correlates_with=partner,
            correlation=correlation,
        )
        if family is not None and selected.tested[index]:
            candidate = replace(
                candidate,
                threshold=family.threshold,
                adjusted_p=family.adjusted_p(candidate.t),
                loo_rms_with_rad=beside.loo_rms(index),
                detectable_rad=detectable_rad(selected, index),
            )
        judged.append(candidate)
    return tuple(judged)


def detectable_rad(selected: Selected, index: int) -> float:
    """Coefficient of a tested candidate that would be found (see `Family.detectable`); nan where it is not tested."""
    beside, family = selected.beside, selected.family
    if family is None or not selected.tested[index]:
        return float("nan")
    place = int(np.count_nonzero(selected.tested[:index]))
    return family.detectable(place) * beside.sigma / float(beside.length[index])


def _present_partners(selected: Selected, model: FittedModel) -> list[Candidate]:
    """The terms that were added, as candidates."""
    error = model.stderr_rad
    correlation = model.covariance_rad2 / np.outer(error, error) - np.eye(len(error))
    found = []
    for each in selected.added:
        index = model.names.index(each.name)
        partner = int(np.argmax(np.abs(correlation[index])))
        found.append(
            Candidate(
                each.name,
                "added",
                f"|t| {abs(each.t):.1f} beyond {each.threshold:.1f}, and leave-one-out gains",
                t=each.t,
                threshold=each.threshold,
                adjusted_p=each.adjusted_p,
                loo_rms_rad=each.loo_before_rad,
                loo_rms_with_rad=each.loo_after_rad,
                detectable_rad=float("nan"),
                correlates_with=model.names[partner],
                correlation=float(correlation[index, partner]),
            )
        )
    return found


def _words(selected: Selected, index: int, partner: str | None) -> tuple[str, str]:
    """Verdict and reason of a candidate that is not in the model."""
    beside, family = selected.beside, selected.family
    name = beside.candidates[index]
    if beside.idle[index]:
        return "idle", "moves no point of this run"
    if name in selected.dropped:
        beside_it = selected.dropped[name]
        return (
            "dropped",
            f"needless beside {beside_it}" if beside_it else "noise makes as much once others went",
        )
    if not beside.separable[index]:
        return "not separable", f"these points cannot tell it from {partner}"
    if family is None:
        return "not tested", "too few points"
    t = abs(float(selected.t[index]))
    if t > family.threshold:
        return "not better", "left-out points are not met better with it"
    return "not found", f"|t| {t:.1f}; noise alone reaches {family.threshold:.1f}"

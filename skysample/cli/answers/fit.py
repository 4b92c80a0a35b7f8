"""What `fit --json` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.cli.answers.values import number, probability, value
from skysample.fitting.multiple_tests import SELECTION_LEVEL
from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from skysample.scoring.judged import JudgedFit
    from skysample.scoring.selection import TermSelection

__all__ = ["fit_answer"]


def fit_answer(judged: JudgedFit) -> dict[str, Any]:
    """Keys of `fit`."""
    model, score, selection = judged.model, judged.score, judged.selection
    return {
        "points": model.run.points,
        "used": model.run.used,
        "rejected": [
            {"row": each.row, "frame": each.frame, "reason": each.reason} for each in model.rejected
        ],
        "rms_arcsec": value(score.rms),
        "loo_rms_arcsec": value(score.loo_rms),
        "loo_expected_arcsec": value(score.loo_expected),
        "sigma_arcsec": value(model.sigma),
        "dof": model.dof,
        "terms": [
            {
                "name": term.name,
                "value_arcsec": number(term.value_rad / ARCSEC),
                "stderr_arcsec": number(term.stderr_rad / ARCSEC),
                "ci95_arcsec": number(term.ci95_rad / ARCSEC),
                "t": number(term.t, 4),
                "p": probability(term.p),
                "verdict": term.verdict,
                "reason": term.reason,
                "loo_rms_without_arcsec": number(term.loo_rms_without_rad / ARCSEC),
                "correlates_with": term.correlates_with,
                "correlation": number(term.correlation, 4),
            }
            for term in judged.evidence
        ],
        "selected": None if selection is None else list(selection.added),
        "selection": None if selection is None else _selection(selection),
        "sky_rms_arcsec": value(judged.error.rms),
        "fresh_rms_arcsec": value(judged.error.fresh),
        "sky_p95_arcsec": value(judged.error.p95),
        "condition": number(model.condition, 1),
        "weak_pairs": [
            {"pair": list(weak.pair), "condition": number(weak.condition, 1)} for weak in model.weak_pairs
        ],
        "points_table": [
            {
                "row": int(row["row"]),
                "residual_arcsec": value(row["residual"]),
                "loo_residual_arcsec": value(row["loo_residual"]),
                "studentised": number(row["studentised"], 4),
                "leverage": number(row["leverage"], 4),
                "cooks_distance": number(row["cooks_distance"], 4),
            }
            for row in score.points
        ],
        "structure": [
            {
                "name": each.name,
                "statistic": number(each.statistic),
                "p": probability(each.p),
                "found": each.found,
                "sentence": each.sentence or None,
                "not_done": each.not_done or None,
            }
            for each in judged.left.findings
        ],
        "hints": list(judged.hints),
        "axes": model.run.axes_kind,
        "old_model": model.run.old_model,
    }


def _selection(selection: TermSelection) -> dict[str, Any]:
    return {
        "started_from": list(selection.started_from),
        "family_wise": SELECTION_LEVEL,
        "intervals": selection.note,
        "tried": [
            {
                "name": each.name,
                "verdict": each.verdict,
                "reason": each.reason,
                "t": number(each.t, 4),
                "t_limit": number(each.threshold, 4),
                "p_adjusted": probability(each.adjusted_p),
                "loo_rms_with_arcsec": number(each.loo_rms_with_rad / ARCSEC),
                "loo_rms_without_arcsec": number(each.loo_rms_rad / ARCSEC),
                "detectable_arcsec": number(each.detectable_rad / ARCSEC),
                "correlates_with": each.correlates_with,
                "correlation": number(each.correlation, 4),
            }
            for each in selection.candidates
        ],
    }

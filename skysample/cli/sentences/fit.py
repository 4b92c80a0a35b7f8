"""A judged fit in sentences."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from skysample.cli.sentences.columns import columns
from skysample.cli.sentences.selection import selection_lines
from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.scoring.judged import JudgedFit

__all__ = ["fit_lines"]


def fit_lines(judged: JudgedFit) -> Iterator[str]:
    """Say what was fitted, term by term, and how far to trust it."""
    model, score, error, evidence = judged.model, judged.score, judged.error, judged.evidence
    if model.run.axes_kind == "corrected" or model.run.old_model == "on":
        yield "A model was active in the mount: these terms are only what is left over that model."
    yield (
        f'{model.run.used} of {model.run.points} points used; residual {score.rms.value:.2f}" RMS on the sky,'
        f' noise {model.sigma.value:.2f}" per axis ({model.dof} degrees of freedom).'
    )
    expected = f"{score.loo_expected.value:.2f}"
    by_design = "" if expected == "nan" else f' (noise alone makes {expected}" of so many points)'
    yield f'Left out in turn, a point is missed by {score.loo_rms.value:.2f}" RMS{by_design}.'
    yield (
        f'The model\'s own error over the usable sky: {error.rms.value:.2f}" RMS, {error.p95.value:.2f}" or better'
        f' over 95 % of it; a fresh pointing is missed by {error.fresh.value:.2f}" RMS, noise included.'
    )
    yield from columns(
        ("term", "value", "+- error", "95 % +-", "t", "p", "without"),
        [
            (
                each.name,
                f'{each.value_rad / ARCSEC:.2f}"',
                f'{each.stderr_rad / ARCSEC:.2f}"',
                f'{each.ci95_rad / ARCSEC:.2f}"',
                f"{each.t:.1f}",
                f"{each.p:.0e}" if each.p < 0.001 else f"{each.p:.3f}",
                "-" if math.isnan(each.loo_rms_without_rad) else f'{each.loo_rms_without_rad / ARCSEC:.2f}"',
            )
            for each in evidence
        ],
    )
    yield '"without": how far left-out points are missed (RMS) by a fit without the term.'
    yield from columns(
        ("term", "verdict", "error tied most to", ""),
        [
            (term.name, term.verdict, term.correlates_with or "-", f"{term.correlation:+.2f}")
            for term in evidence
        ],
    )
    for term in evidence:
        if term.verdict not in ("kept", "significant"):
            yield f"- {term.name}: {term.verdict}; {term.reason}."
    if judged.selection is not None:
        yield from selection_lines(judged.selection)
    _, told, furthest = str(score).partition("furthest out is ")
    yield f"Furthest out: {furthest}." if told else "The points are too few to judge any of them."
    for weak in model.weak_pairs:
        yield f"Hardly told apart by these points: {weak.pair[0]} and {weak.pair[1]} (condition {weak.condition:.0f})."
    for each in model.rejected:
        frame = f" ({each.frame})" if each.frame else ""
        yield f"Not used, row {each.row}{frame}: {each.reason}."
    for sentence in judged.left.sentences:
        yield f"Left over: {sentence}."
    for hint in judged.hints:
        yield f"Look: {hint}"

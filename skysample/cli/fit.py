"""The command `fit`: what it takes, its JSON, its words."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Option

from skysample.cli import inputs
from skysample.cli.check import doubt_lines, explained, trust_in, trust_json
from skysample.cli.printing import columns, plain, sentence, show, values

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.scoring import Score
    from skysample.scoring.judged import JudgedFit
    from skysample.scoring.selection import TermSelection
    from skysample.trust import Trust

_AXES = (
    "Primary: the hour angle axis; secondary: the declination axis.",
    "Primary: the azimuth axis; secondary: the altitude axis.",
)
_HIGH_CORRELATION = 0.95
"""From here on two terms are not to be read one by one (our choice)."""


def fit(
    run: inputs.RunArgument,
    site: inputs.SiteOption,
    terms: inputs.TermsOption = None,
    select: Annotated[
        bool, Option("--select", help="Add optional terms that the run supports; the others stay.")
    ] = False,
    out: Annotated[Path | None, Option(metavar="MODEL", help="Save the model (JSON).")] = None,
    assume: inputs.AssumeOption = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """Fit the pointing model and judge every term and every point.

    Example: skysample fit run.ecsv --site site.toml --select --out model.json
    """
    from skysample.files.whole_files import check_place
    from skysample.fitting.model_file import MODEL_FORMAT
    from skysample.scoring.judged import judge
    from skysample.site import load_site

    place = load_site(site)
    if out is not None:
        check_place(out, [site, run], holds=MODEL_FORMAT)
    table = inputs.read_run_at(run, place, assume)
    with explained([table], place, as_json=as_json):
        judged = judge(table, place, inputs.read_terms(terms), select=select)
    trust = trust_in(table, place)
    if out is not None:
        model = judged.model
        replace(model, run=replace(model.run, trust=trust.verdict)).save(out)
    show(as_json, fit_json, fit_lines, judged, trust)


def fit_json(judged: JudgedFit, trust: Trust | None = None) -> dict[str, Any]:
    """Keys of `fit --json`."""
    model, score, selection = judged.model, judged.score, judged.selection
    return {
        **values(model.run, "points used axes=axes_kind old_model"),
        "rejected": [values(each, "row frame reason") for each in model.rejected],
        **values(score, "rms_arcsec loo_rms_arcsec loo_expected_arcsec"),
        **values(model, "sigma_arcsec dof condition"),
        "terms": [
            values(
                each,
                "name value_arcsec stderr_arcsec ci95_arcsec t p verdict reason loo_rms_without_arcsec"
                " correlates_with correlation",
            )
            for each in judged.evidence
        ],
        "selected": None if selection is None else list(selection.added),
        "selection": None if selection is None else _selection_json(selection),
        **values(judged.error, "sky_rms_arcsec=rms fresh_rms_arcsec=fresh sky_p95_arcsec=p95"),
        "weak_pairs": [values(each, "pair condition") for each in model.weak_pairs],
        "points_table": _points_json(score),
        "structure": [
            values(each, "name statistic p found sentence not_done") for each in judged.left.findings
        ],
        "hints": list(judged.hints),
        **trust_json(trust),
    }


def _points_json(score: Score) -> list[dict[str, Any]]:
    import numpy as np

    points = {
        "row": score.rows,
        "residual_arcsec": np.linalg.norm(score.residuals.value, axis=1),
        "loo_residual_arcsec": np.linalg.norm(score.loo_residuals.value, axis=1),
        "studentised": score.studentised,
        "leverage": score.leverage,
        "cooks_distance": score.cooks_distance,
    }
    return [
        {key: plain(value, key) for key, value in zip(points, row, strict=True)}
        for row in zip(*points.values(), strict=True)
    ]


def _selection_json(selection: TermSelection) -> dict[str, Any]:
    from skysample.fitting.multiple_tests import SELECTION_LEVEL

    return {
        **values(selection, "started_from intervals=note"),
        "family_wise": SELECTION_LEVEL,
        "tried": [
            values(
                each,
                "name verdict reason t t_limit=threshold p_adjusted=adjusted_p loo_rms_with_arcsec"
                " loo_rms_without_arcsec=loo_rms_arcsec detectable_arcsec correlates_with correlation",
            )
            for each in selection.candidates
        ],
    }


def fit_lines(judged: JudgedFit, trust: Trust | None = None) -> Iterator[str]:
    """What was fitted, term by term, and how far to trust it."""
    answer = fit_json(judged)
    yield from doubt_lines(trust)
    if answer["axes"] == "corrected" or answer["old_model"] == "on":
        yield "A model was active in the mount: these terms are only what it leaves uncorrected."
    yield (
        f'{answer["used"]} of {answer["points"]} points used; residual {answer["rms_arcsec"]:.2f}" RMS on the sky;'
        f' noise {answer["sigma_arcsec"]:.2f}" per axis, {math.sqrt(2.0) * answer["sigma_arcsec"]:.2f}" on the sky'
        f" ({answer['dof']} degrees of freedom)."
    )
    expected = answer["loo_expected_arcsec"]
    by_noise = "" if expected is None else f' ({expected:.2f}" expected from noise alone)'
    yield f'Leave-one-out error {judged.score.loo_rms.value:.2f}" RMS{by_noise}.'
    larger = any(each.name == "neighbours" for each in judged.left.found)
    see = ' (larger than this: see "In the residuals" below)' if larger else ""
    yield (
        f'Model error over the usable sky {answer["sky_rms_arcsec"]:.2f}" RMS{see},'
        f' {answer["sky_p95_arcsec"]:.2f}" or better over 95 % of it; expect a new pointing to miss by'
        f' {answer["fresh_rms_arcsec"]:.2f}" RMS, noise included.'
    )
    yield from columns(
        answer["terms"],
        ("term", "{name}"),
        ("value", '{value_arcsec:.2f}"'),
        ("+- error", '{stderr_arcsec:.2f}"'),
        ("95 % +-", '{ci95_arcsec:.2f}"'),
        ("t", "{t:.1f}"),
        ("p", "{p:.2g}"),
        ("LOO without", '{loo_rms_without_arcsec:.2f}"'),
    )
    yield f"LOO without: leave-one-out RMS without the term. {_AXES[judged.model.kind == 'altaz']}"
    if judged.selection is not None:
        yield judged.selection.note
    yield from columns(
        answer["terms"],
        ("term", "{name}"),
        ("verdict", "{verdict}"),
        ("most correlated with", "{correlates_with:s} {correlation:+.2f}"),
    )
    if any(abs(each["correlation"]) > _HIGH_CORRELATION for each in answer["terms"]):
        yield (
            f"Correlated beyond {_HIGH_CORRELATION:g}: the errors of the two terms go together. The model error allows"
            " for it; do not read either term alone."
        )
    judged_so = itemgetter("verdict", "reason")
    doubtful = [each for each in answer["terms"] if each["verdict"] not in ("kept", "significant")]
    for (verdict, reason), terms in groupby(sorted(doubtful, key=judged_so), judged_so):
        yield f"- {', '.join(each['name'] for each in terms)}: {verdict}; {reason}."
    if any(each["verdict"] == "not significant" for each in answer["terms"]):
        yield (
            "Terms that are not significant stay in the model. Keep the geometric ones; to drop another, name the rest"
            " with --terms."
        )
    if judged.selection is not None:
        yield from _selection_lines(judged.selection, answer["selection"])
    ranked = [each for each in answer["points_table"] if each["studentised"] is not None]
    if ranked:
        largest = max(ranked, key=itemgetter("studentised"))
        within = "within" if largest["studentised"] <= judged.score.limit else "beyond"
        yield (
            f'Largest residual: row {largest["row"]}, {largest["residual_arcsec"]:.2f}", studentised'
            f" {largest['studentised']:.2f}: {within} the limit of {judged.score.limit:.2f}."
        )
    else:
        yield "Too few points to judge any of them."
    for weak in answer["weak_pairs"]:
        yield f"These points barely separate {' and '.join(weak['pair'])} (condition {weak['condition']:.0f})."
    for each in answer["rejected"]:
        frame = f" ({each['frame']})" if each["frame"] else ""
        yield f"Rejected row {each['row']}{frame}: {each['reason']}."
    yield from (f"In the residuals: {each}." for each in judged.left.sentences)
    yield from map(sentence, answer["hints"])


def _selection_lines(selection: TermSelection, answer: dict[str, Any]) -> Iterator[str]:
    """What was tried, what was added, and the smallest term that would have been found."""
    from skysample.fitting.terms import STANDARD

    yield f"Selection: {selection}."
    yield from columns(
        answer["tried"],
        ("candidate", "{name}"),
        ("t", "{t:.1f}"),
        ("limit", "{t_limit:.1f}"),
        ("adj. p", "{p_adjusted:.2g}"),
        ("detectable", '{detectable_arcsec:.2f}"'),
        ("verdict", "{verdict}"),
    )
    yield "detectable: the size that would be detected on 80 % of nights like this one."
    for each in answer["tried"]:
        if each["verdict"] not in ("added", "not found"):
            yield f"- {each['name']}: {each['verdict']}; {each['reason']}."
    if selection.added:
        standard = selection.started_from == STANDARD[selection.model.kind]
        terms = ["standard", *selection.added] if standard else selection.model.names
        yield f"To use these terms in polar and report: --terms {','.join(terms)}"

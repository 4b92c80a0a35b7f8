"""The command `size`: what it takes, its JSON, its words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Option

from skysample.cli import inputs
from skysample.cli.printing import columns, show, values

if TYPE_CHECKING:
    from collections.abc import Iterator

    from astropy.table import QTable

    from skysample.sizing import LearningCurve, PointsNeeded


def size(
    site: inputs.SiteArgument,
    model: Annotated[Path, Option(metavar="MODEL", help="Model of the pilot run (JSON).")],
    target_arcsec: inputs.TargetOption = None,
    max_points: Annotated[
        int, Option(metavar="N", help="Most points to consider.", min=4, max=inputs.MOST_POINTS)
    ] = 300,
    failed_share: Annotated[
        float, Option(metavar="X", help="Expected fraction of failed exposures.", min=0.0, max=0.9)
    ] = 0.05,
    terms: inputs.FinalTermsOption = None,
    run: Annotated[
        Path | None,
        Option(
            metavar="RUN",
            help="Also say how few points of this run, the model's own, would have been enough.",
        ),
    ] = None,
    assume: inputs.AssumeOption = None,
    chart: Annotated[
        Path | None, Option(metavar="FILE", help="Draw error against number of points (.svg or .png).")
    ] = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """Choose the number of points for the final model.

    Example: skysample size site.toml --model pilot.json --target-arcsec 1
    """
    from skysample.fitting import load_model
    from skysample.site import load_site
    from skysample.sizing import learning_curve, points_needed

    inputs.check_chart_path(chart, [site, model, *inputs.existing(run)])
    place, fitted, target = load_site(site), load_model(model), inputs.quantity(target_arcsec)
    learning = (
        None if run is None else learning_curve(fitted, inputs.read_run_at(run, place, assume), place, target)
    )
    need = points_needed(
        place,
        fitted,
        target,
        terms=inputs.read_terms(terms),
        max_points=max_points,
        failed_share=failed_share,
    )
    if chart is not None:
        from skysample.report.charts import size_chart, write_chart

        write_chart(size_chart(need, learning), chart)
    show(as_json, size_json, size_lines, need, learning)


def size_json(need: PointsNeeded, learning: LearningCurve | None = None) -> dict[str, Any]:
    """Keys of `size --json`."""
    informed = need.informed
    return {
        **values(
            need, "recommended smallest target_arcsec sigma_arcsec sigma_upper_arcsec terms failed_share"
        ),
        "table": _table_json(need.table),
        "informed": None
        if informed is None
        else {**values(informed, "recommended smallest"), "table": _table_json(informed.table)},
        "learning": None if learning is None else _learning_json(learning),
        "sentence": str(need),
    }


def _table_json(table: QTable) -> list[dict[str, Any]]:
    return [
        values(row, "points sky_rms_arcsec sky_rms_upper_arcsec sky_p95_arcsec detectable_arcsec minutes")
        for row in table
    ]


def _learning_json(learning: LearningCurve) -> dict[str, Any]:
    return {
        **values(learning, "points would_have_done target_arcsec sigma_arcsec missed_over_expected"),
        "table": [
            values(row, "points sky_rms_arcsec sky_rms_upper_arcsec missed_arcsec expected_arcsec")
            for row in learning.table
        ],
        "sentence": str(learning),
    }


def size_lines(need: PointsNeeded, learning: LearningCurve | None = None) -> Iterator[str]:
    """How many points are enough, what more would buy, and what the other design would."""
    answer = size_json(need, learning)
    if answer["learning"] is not None:
        yield from _learning_lines(answer["learning"])
    yield answer["sentence"]
    informed = answer["informed"] or {"recommended": None, "table": []}
    for row in informed["table"]:
        if row["points"] == informed["recommended"]:
            yield (
                f"Placed where they constrain the terms best (plan --design informed), {row['points']} would be enough:"
                f' {row["sky_rms_arcsec"]:.2f}" RMS, {row["minutes"]:.0f} min. An even grid also reveals errors that no'
                " term describes."
            )
    half = ", half the noise" if need.by_design else ""
    yield (
        f'Target: model error {answer["target_arcsec"]:.2f}" RMS{half}. Noise {answer["sigma_arcsec"]:.2f}" per axis in'
        f" the pilot run; {len(answer['terms'])} terms; allowing for {100.0 * answer['failed_share']:.0f} % failed"
        " exposures."
    )
    if answer["recommended"] > answer["smallest"]:
        yield (
            f"{answer['smallest']} would be enough if the pilot's noise were exact; with 90 % confidence it is below"
            f' {answer["sigma_upper_arcsec"]:.2f}".'
        )
    beside = informed["table"] or [{} for _ in answer["table"]]
    yield from columns(
        [
            {
                **even,
                "mark": "*" if even["points"] == answer["recommended"] else "",
                "other": {key: other.get(key) for key in even},
                "other_mark": "*" if even["points"] == informed["recommended"] else "",
            }
            for even, other in zip(answer["table"], beside, strict=True)
        ],
        ("even", "{points}{mark}"),
        ("RMS", '{sky_rms_arcsec:.2f}"'),
        ("90 %", '{sky_rms_upper_arcsec:.2f}"'),
        ("95 % sky", '{sky_p95_arcsec:.2f}"'),
        ("detectable", '{detectable_arcsec:.2f}"'),
        ("min", "{minutes:.0f}"),
        ("informed", "{other[points]:d}{other_mark}"),
        ("RMS", '{other[sky_rms_arcsec]:.2f}"'),
        ("90 %", '{other[sky_rms_upper_arcsec]:.2f}"'),
        ("min", "{other[minutes]:.0f}"),
    )
    yield (
        "* recommended. even, informed: number of points. 90 %: RMS not exceeded on 90 % of nights. 95 % sky: error not"
        " exceeded on 95 % of the sky. detectable: smallest detectable term. min: minutes."
    )


def _learning_lines(answer: dict[str, Any]) -> Iterator[str]:
    """What fewer points of the run would have given."""
    yield f"This run: {answer['sentence']}"
    if answer["missed_over_expected"] is not None:
        yield (
            "Models from part of the run missed the other points by"
            f" {answer['missed_over_expected']:.2f} times what noise and model error predict."
        )
    yield from columns(
        [
            {**row, "mark": "*" if row["points"] == answer["would_have_done"] else ""}
            for row in answer["table"]
        ],
        ("points used", "{points}{mark}"),
        ("RMS", '{sky_rms_arcsec:.2f}"'),
        ("90 %", '{sky_rms_upper_arcsec:.2f}"'),
        ("missed", '{missed_arcsec:.2f}"'),
        ("expected", '{expected_arcsec:.2f}"'),
    )

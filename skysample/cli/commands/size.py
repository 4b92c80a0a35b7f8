"""The command `size`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skysample.cli.commands.given import (
    check_chart_place,
    paths_given,
    run_of,
    site_of,
    target_of,
    terms_of,
)
from skysample.cli.commands.options import (
    MOST_POINTS,
    AssumeOption,
    JsonOption,
    SiteArgument,
    TargetOption,
    TermsOption,
)
from skysample.cli.printing import show

__all__ = ["size"]


def size(
    site: SiteArgument,
    model: Annotated[
        Path, typer.Option(metavar="MODEL", help="Model of the pilot run (JSON).", show_default=False)
    ],
    target_arcsec: TargetOption = None,
    max_points: Annotated[
        int, typer.Option(metavar="N", help="Where to stop.", min=4, max=MOST_POINTS)
    ] = 300,
    failed_share: Annotated[
        float, typer.Option(metavar="X", help="Share of exposures that fail.", min=0.0, max=0.9)
    ] = 0.05,
    terms: TermsOption = None,
    run: Annotated[
        Path | None,
        typer.Option(
            "--run", metavar="RUN", help="The model's own run: say how few of its points would have done."
        ),
    ] = None,
    assume: AssumeOption = None,
    chart: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw error against number of points (.svg or .png).")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say how many points the final model needs.

    Example: skysample size site.toml --model pilot.json --target-arcsec 1
    """
    from skysample.cli.answers.size import size_answer
    from skysample.cli.sentences.size import learning_lines, size_lines
    from skysample.fitting import load_model
    from skysample.sizing import learning_curve, points_needed

    check_chart_place(chart, paths_given(site, model, run))
    place, fitted, target = site_of(site), load_model(model), target_of(target_arcsec)
    learning = None if run is None else learning_curve(fitted, run_of(run, place, assume), place, target)
    need = points_needed(
        place, fitted, target, terms=terms_of(terms), max_points=max_points, failed_share=failed_share
    )
    if chart is not None:
        from skysample.report.charts import size_chart, write_chart

        write_chart(size_chart(need, learning), chart)
    lines = [*([] if learning is None else learning_lines(learning)), *size_lines(need)]
    show(size_answer(need, learning), lines, as_json=as_json)

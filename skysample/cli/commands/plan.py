"""The command `plan`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from skysample.cli.commands.given import (
    check_chart_place,
    model_of,
    moment_of,
    paths_given,
    site_of,
    terms_of,
)
from skysample.cli.commands.options import MOST_POINTS, JsonOption, SiteArgument
from skysample.cli.printing import show
from skysample.errors import InputError
from skysample.files.whole_files import check_place

if TYPE_CHECKING:
    from astropy.time import Time

    from skysample.planning.plan_table import Plan

__all__ = ["plan"]


def plan(
    site: SiteArgument,
    points: Annotated[
        int | None,
        typer.Option(
            help="How many points; needed unless --plan says.", show_default=False, min=1, max=MOST_POINTS
        ),
    ] = None,
    when: Annotated[
        str | None, typer.Option(metavar="UTC", help="Start, ISO 8601; without it the Sun is not checked.")
    ] = None,
    design: Annotated[str, typer.Option(help="even, or informed: where the terms are learnt best.")] = "even",
    order: Annotated[
        str | None, typer.Option(metavar="NAME", help="annealed (default), snake, nearest, or a plugin's.")
    ] = None,
    dome_weight: Annotated[
        float | None,
        typer.Option(metavar="X", help="From 0, least time (default), to 1, least dome.", min=0.0, max=1.0),
    ] = None,
    model: Annotated[
        Path | None, typer.Option(metavar="MODEL", help="Add what the axes have to read, by this model.")
    ] = None,
    terms: Annotated[
        str | None,
        typer.Option(
            "--terms",
            metavar="NAME,...",
            help="What an informed design is for; default the model's terms, or the standard set.",
        ),
    ] = None,
    resume: Annotated[
        Path | None, typer.Option(metavar="RUN", help="Go on where this run of the plan stopped.")
    ] = None,
    of: Annotated[
        Path | None,
        typer.Option(
            "--plan",
            metavar="PLAN",
            help="With --resume: the plan's file; else it is made again from its points and seed.",
        ),
    ] = None,
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the plan (ECSV).")] = None,
    chart: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the sky chart (.svg or .png).")
    ] = None,
    seed: Annotated[int, typer.Option(help="The same seed gives the same plan.", min=0)] = 0,
    as_json: JsonOption = False,
) -> None:
    """Spread points evenly over the usable sky and order them.

    Example: skysample plan site.toml --points 15 --when 2026-11-25T20:00:00 --out plan.ecsv
    """
    from skysample.cli.answers.plan import plan_answer
    from skysample.cli.sentences.plan import plan_lines
    from skysample.planning import plan as make_plan
    from skysample.planning.plan_table import PLAN_FORMAT

    place, start = site_of(site), moment_of(when)
    if of is not None and resume is None:
        raise InputError("--plan goes with --resume; give the run too, or leave --plan out", key="--plan")
    sources = paths_given(site, model, resume, of)
    if out is not None:
        check_place(out, sources, holds=PLAN_FORMAT)
    check_chart_place(chart, [*sources, *paths_given(out)])
    by = model_of(model)
    if resume is not None and of is not None:
        from skysample.planning.plan_file import read_plan

        found = read_plan(of, place, check=False)
    elif points is None:
        raise InputError("--points is missing; say how many", key="--points")
    else:
        found = make_plan(
            place,
            points,
            None if resume else start,
            order,
            design,
            model=by,
            terms=terms_of(terms),
            seed=seed,
            dome_weight=dome_weight or 0.0,
        )
    if resume is not None:
        found = _resumed(found, resume, start, order, dome_weight)
    if out is not None:
        found.write(out)
    if chart is not None:
        from skysample.report.charts import sky_chart, write_chart

        write_chart(sky_chart(found), chart)
    choices = found.trade_off() if dome_weight is None else []
    show(plan_answer(found, choices), plan_lines(found, choices), as_json=as_json)


def _resumed(
    earlier: Plan, run: Path, start: Time | None, order: str | None, dome_weight: float | None
) -> Plan:
    from skysample.planning.plan_file import check_same_plan
    from skysample.planning.resuming import resume as resume_plan
    from skysample.runs import read_run
    from skysample.runs.points_done import read_points_done

    progress = read_points_done(run)
    if progress.done:
        check_same_plan(earlier, read_run(run, earlier.site))
    try:
        return resume_plan(earlier, progress, start, order=order, dome_weight=dome_weight)
    except InputError as error:
        raise InputError(error.message, file=error.file or str(run), row=error.row, key=error.key) from None

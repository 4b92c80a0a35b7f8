"""The command `progress`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skysample.cli.commands.given import run_of, site_of, target_of, terms_of
from skysample.cli.commands.options import AssumeOption, JsonOption, RunArgument, SiteOption, TargetOption
from skysample.cli.printing import show

__all__ = ["progress"]


def progress(
    run: RunArgument,
    site: SiteOption,
    of: Annotated[
        Path, typer.Option("--plan", metavar="PLAN", help="The plan being taken (ECSV).", show_default=False)
    ],
    target_arcsec: TargetOption = None,
    terms: Annotated[
        str | None,
        typer.Option(
            "--terms", metavar="NAME,...", help="What the model is to carry; default the extended set."
        ),
    ] = None,
    assume: AssumeOption = None,
    as_json: JsonOption = False,
) -> None:
    """While a run goes on: is it enough, and which points are next? Exit code 1 while it is not enough.

    Example: skysample progress run.ecsv --site site.toml --plan plan.ecsv --target-arcsec 1
    """
    from skysample.cli.answers.progress import progress_answer
    from skysample.cli.sentences.progress import progress_lines
    from skysample.planning.plan_file import check_same_plan, read_plan
    from skysample.runs.points_done import read_points_done
    from skysample.sizing.stopping import progress as progress_of

    place = site_of(site)
    earlier, taken = read_plan(of, place), run_of(run, place, assume)
    check_same_plan(earlier, taken)
    found = progress_of(
        taken, earlier, target_of(target_arcsec), terms=terms_of(terms), skipped=read_points_done(run).failed
    )
    show(progress_answer(found), progress_lines(found), as_json=as_json)
    if not found.enough:
        raise typer.Exit(1)

"""The command `fit`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skysample.cli.commands.given import run_of, site_of, terms_of
from skysample.cli.commands.options import AssumeOption, JsonOption, RunArgument, SiteOption, TermsOption
from skysample.cli.printing import show
from skysample.files.whole_files import check_place

__all__ = ["fit"]


def fit(
    run: RunArgument,
    site: SiteOption,
    terms: TermsOption = None,
    select: Annotated[
        bool, typer.Option("--select", help="Add the further terms that the run calls for; the others stay.")
    ] = False,
    out: Annotated[Path | None, typer.Option(metavar="MODEL", help="Save the model (JSON).")] = None,
    assume: AssumeOption = None,
    as_json: JsonOption = False,
) -> None:
    """Fit the pointing model and score it: every term, every point.

    Example: skysample fit run.ecsv --site site.toml --select --out model.json
    """
    from skysample.cli.answers.fit import fit_answer
    from skysample.cli.sentences.fit import fit_lines
    from skysample.fitting.model_file import MODEL_FORMAT
    from skysample.scoring.judged import judge

    place = site_of(site)
    if out is not None:
        check_place(out, [site, run], holds=MODEL_FORMAT)
    judged = judge(run_of(run, place, assume), place, terms_of(terms), select=select)
    if out is not None:
        judged.model.save(out)
    show(fit_answer(judged), fit_lines(judged), as_json=as_json)

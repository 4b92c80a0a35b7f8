"""The command `compare`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from skysample.cli.commands.given import run_of, site_of
from skysample.cli.commands.options import AssumeOption, JsonOption, SiteOption
from skysample.cli.printing import show

if TYPE_CHECKING:
    from collections.abc import Iterable

    from skysample.alignment import PolarAlignment
    from skysample.site import Site

__all__ = ["compare"]


def compare(
    before: Annotated[
        Path, typer.Argument(metavar="BEFORE", help="Run before the adjustment.", show_default=False)
    ],
    after: Annotated[Path, typer.Argument(metavar="AFTER", help="Run after it.", show_default=False)],
    site: SiteOption,
    limit_arcmin: Annotated[
        float, typer.Option(metavar="X", help="What the total error has to be within.")
    ] = 30.0,
    assume: AssumeOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether the adjustment worked; exit code 1 if the axis is not shown to be within the limit.

    Example: skysample compare before.ecsv after.ecsv --site site.toml --limit-arcmin 5
    """
    from astropy import units as u

    from skysample.alignment.comparing import compare as compare_alignments
    from skysample.cli.answers.compare import compare_answer
    from skysample.cli.sentences.compare import comparison_lines

    place = site_of(site)
    comparison = compare_alignments(
        _alignment_of(before, place, assume), _alignment_of(after, place, assume), limit_arcmin * u.arcmin
    )
    show(compare_answer(comparison), comparison_lines(comparison), as_json=as_json)
    if not comparison.within_limit:
        raise typer.Exit(1)


def _alignment_of(path: Path, site: Site, assume: Iterable[str] | None) -> PolarAlignment:
    from skysample.alignment import polar
    from skysample.fitting import fit

    return polar(fit(run_of(path, site, assume), site), site)

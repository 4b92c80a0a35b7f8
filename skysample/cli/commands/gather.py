"""The command `gather`."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from skysample.cli.commands.given import optional_site, paths_given
from skysample.cli.commands.options import JsonOption
from skysample.cli.printing import show
from skysample.errors import InputError
from skysample.files.whole_files import check_place

if TYPE_CHECKING:
    from collections.abc import Iterable

    from skysample.runs.gathering import HeaderKeywords

__all__ = ["gather"]


def gather(
    frames: Annotated[
        list[Path], typer.Argument(metavar="FITS...", help="Plate-solved frames.", show_default=False)
    ],
    out: Annotated[Path, typer.Option(metavar="RUN", help="Run table to write (ECSV).", show_default=False)],
    site: Annotated[
        Path | None, typer.Option("--site", metavar="SITE", help="Site file, to check the run against.")
    ] = None,
    keyword: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=KEYWORD",
            help="Header keyword to read instead: target_ra, target_dec, primary, secondary, pier, exposure, begin,"
            " middle or end.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make a run table from plate-solved frames.

    Example: skysample gather night/*.fits --out run.ecsv
    """
    from skysample.runs import Run, write_run
    from skysample.runs.gathering import gather_table
    from skysample.runs.reading import RUN_FORMAT

    place = optional_site(site)
    check_place(out, [*frames, *paths_given(site)], holds=RUN_FORMAT)
    gathered = gather_table(frames, keywords=_keywords(keyword))
    if place is not None:
        Run.from_table(gathered.table, place)
    write_run(out, gathered.table)
    answer = {"points": len(gathered.table), "skipped": gathered.skipped, "file": str(out)}
    lines = [f"{len(gathered.table)} frames gathered into {out}."]
    lines += [f"Skipped {each['file']}: {each['reason']}." for each in gathered.skipped]
    show(answer, lines, as_json=as_json)


def _keywords(pairs: Iterable[str] | None) -> HeaderKeywords:
    from skysample.runs.gathering import HeaderKeywords

    known = [each.name for each in fields(HeaderKeywords)]
    chosen = {}
    for pair in pairs or ():
        name, equals, keyword = pair.partition("=")
        if not equals or name not in known or not keyword:
            raise InputError(
                f"--keyword {pair}: write NAME=KEYWORD, NAME being one of {', '.join(known)}", key="keyword"
            )
        chosen[name] = (keyword,)
    return HeaderKeywords(**chosen)

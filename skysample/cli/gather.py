"""The command `gather`: what it takes, its JSON, its words."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Argument, Option

from skysample.cli import inputs
from skysample.cli.printing import show
from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from skysample.runs.gathering import HeaderKeywords


def gather(
    frames: Annotated[list[Path], Argument(metavar="FITS...", help="Plate-solved frames.")],
    out: Annotated[Path, Option(metavar="RUN", help="Run table to write (ECSV).")],
    site: inputs.SiteCheckOption = None,
    keyword: Annotated[
        list[str] | None,
        Option(
            metavar="NAME=KEYWORD",
            help="Read NAME from this header keyword instead: target_ra, target_dec, primary, secondary, pier,"
            " exposure, begin, middle or end.",
        ),
    ] = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """Make a run table from plate-solved frames.

    Example: skysample gather night/*.fits --out run.ecsv
    """
    from skysample.files.whole_files import check_place
    from skysample.runs import Run, write_run
    from skysample.runs.gathering import gather_table
    from skysample.runs.reading import RUN_FORMAT
    from skysample.site import load_site

    place = None if site is None else load_site(site)
    check_place(out, [*frames, *inputs.existing(site)], holds=RUN_FORMAT)
    gathered = gather_table(frames, keywords=_keywords(keyword))
    if place is not None:
        Run.from_table(gathered.table, place)
    write_run(out, gathered.table)
    show(as_json, _gather_json, _gather_lines, len(gathered.table), gathered.skipped, out)


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


def _gather_json(points: int, skipped: Sequence[Mapping[str, str]], out: Path) -> dict[str, Any]:
    return {"points": points, "skipped": skipped, "file": str(out)}


def _gather_lines(points: int, skipped: Sequence[Mapping[str, str]], out: Path) -> Iterator[str]:
    yield f"{points} frames written to {out}."
    yield from (f"Skipped {each['file']}: {each['reason']}." for each in skipped)

"""The command `report`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skysample.cli.commands.given import assumed_of, paths_given, site_of, target_of, terms_of
from skysample.cli.commands.options import (
    AssumeOption,
    JsonOption,
    RunArgument,
    SiteOption,
    TargetOption,
    TermsOption,
)
from skysample.cli.printing import show
from skysample.files.whole_files import check_place

__all__ = ["report"]


def report(
    run: RunArgument,
    site: SiteOption,
    before: Annotated[
        Path | None, typer.Option(metavar="RUN", help="First run, before the adjustment.")
    ] = None,
    after: Annotated[
        Path | None,
        typer.Option(
            metavar="RUN", help="Second run, right after it, by which the number of points is decided."
        ),
    ] = None,
    earlier: Annotated[
        list[Path] | None,
        typer.Option(metavar="MODEL", help="Earlier model, to say what moved since; may be repeated."),
    ] = None,
    tracking: Annotated[
        Path | None, typer.Option(metavar="LOG", help="Tracking log, if one was taken.")
    ] = None,
    target_arcsec: TargetOption = None,
    terms: TermsOption = None,
    out: Annotated[Path, typer.Option(metavar="FILE.html", help="Page to write.")] = Path("record.html"),
    assume: AssumeOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the record left with the client: one self-contained page that prints on two sheets.

    Example: skysample report final.ecsv --site site.toml --before first.ecsv --after second.ecsv
    """
    from astropy.time import Time

    from skysample.report import build_record, write_report

    models = earlier or []
    check_place(out, [run, site, *paths_given(before, after, tracking), *models], holds="")
    record = build_record(
        site_of(site),
        site,
        run,
        before,
        made=Time.now(),
        after_path=after,
        model_paths=models,
        tracking_path=tracking,
        terms=terms_of(terms),
        assume=assumed_of(assume),
        target=target_of(target_arcsec),
    )
    write_report(record, out)
    show({"file": str(out)}, [f"The record is in {out}."], as_json=as_json)

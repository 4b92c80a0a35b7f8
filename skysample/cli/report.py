"""The command `report`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from typer import Option

from skysample.cli import inputs
from skysample.cli.printing import show


def report(
    run: inputs.RunArgument,
    site: inputs.SiteOption,
    before: Annotated[Path | None, Option(metavar="RUN", help="First run, before the adjustment.")] = None,
    after: Annotated[
        Path | None,
        Option(metavar="RUN", help="Second run, right after the adjustment: it sizes the final run."),
    ] = None,
    earlier: Annotated[
        list[Path] | None,
        Option(metavar="MODEL", help="Earlier model, to show what moved since (repeatable)."),
    ] = None,
    tracking: Annotated[Path | None, Option(metavar="LOG", help="Tracking log, if there is one.")] = None,
    target_arcsec: inputs.TargetOption = None,
    terms: inputs.TermsOption = None,
    out: Annotated[Path, Option(metavar="FILE.html", help="Page to write.")] = Path("record.html"),
    turn_anyway: Annotated[
        str | None,
        Option(metavar="REASON", help="Give moves although `check` says do not turn; say why."),
    ] = None,
    assume: inputs.AssumeOption = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """Write the client's record: one self-contained HTML page.

    It prints on two pages.

    Example: skysample report final.ecsv --site site.toml --before first.ecsv --after second.ecsv
    """
    from astropy.time import Time

    from skysample.files.whole_files import check_place
    from skysample.report import build_record, write_report
    from skysample.site import load_site

    models = earlier or []
    check_place(out, [run, site, *inputs.existing(before, after, tracking), *models], holds="")
    record = build_record(
        load_site(site),
        site,
        run,
        before,
        made=Time.now(),
        after_path=after,
        model_paths=models,
        tracking_path=tracking,
        terms=inputs.read_terms(terms),
        assume=inputs.read_assumed(assume),
        target=inputs.quantity(target_arcsec),
        turn_anyway=inputs.read_reason(turn_anyway) or "",
    )
    write_report(record, out)
    show(as_json, _report_json, _report_lines, out)


def _report_json(out: Path) -> dict[str, str]:
    return {"file": str(out)}


def _report_lines(out: Path) -> list[str]:
    return [f"Record written to {out}."]

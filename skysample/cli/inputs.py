"""What commands take: the options that several share, and how what is given is read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from typer import Argument, Option

from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.runs import Run
    from skysample.site import Site

SiteArgument = Annotated[Path, Argument(metavar="SITE", help="Site file (TOML).")]
SiteOption = Annotated[Path, Option(metavar="SITE", help="Site file (TOML).")]
SiteCheckOption = Annotated[
    Path | None, Option(metavar="SITE", help="Site file; checks that it is the same telescope.")
]
RunArgument = Annotated[Path, Argument(metavar="RUN", help="Run table (ECSV or CSV).")]
JsonOption = Annotated[bool, Option("--json", help="Print one JSON object and nothing else.")]
AssumeOption = Annotated[
    list[str] | None,
    Option(
        metavar="KEY=VALUE",
        help="What the run does not declare: axes=raw|corrected|unknown, old_model=off|on|unknown,"
        " target_refraction=true|false.",
    ),
]
TermsOption = Annotated[
    str | None, Option(metavar="NAME,...", help="Terms to fit, or a set: standard (default), extended.")
]
FinalTermsOption = Annotated[
    str | None, Option(metavar="NAME,...", help="Terms of the final model; default the extended set.")
]
TargetOption = Annotated[
    float | None,
    Option(metavar="X", help="Model error wanted over the sky (RMS); default half the noise per axis."),
]

MOST_POINTS = 20_000
"""More would take hours to plan, and no night has room for them."""


def existing(*paths: Path | None) -> list[Path]:
    """Return the paths that were given."""
    return [path for path in paths if path is not None]


def read_run_at(path: Path, site: Site, assume: Iterable[str] | None) -> Run:
    """Read a run taken at a site, wherever its places are: `check` says what that means."""
    from skysample.runs import read_run

    if path.suffix == ".toml":
        raise InputError(
            "is not a run; give the run table first and the site file with --site, as in `skysample fit run.ecsv --site"
            " site.toml`",
            file=str(path),
        )
    return read_run(path, site, assume=read_assumed(assume), any_place=True)


def read_assumed(pairs: Iterable[str] | None) -> dict[str, str]:
    """Split each KEY=VALUE of --assume."""
    assumed = {}
    for pair in pairs or ():
        key, equals, value = pair.partition("=")
        if not equals:
            raise InputError(f"--assume {pair}: write KEY=VALUE, as in --assume axes=raw", key="assume")
        assumed[key.strip()] = value.strip()
    return assumed


def read_reason(text: str | None) -> str | None:
    """Read the reason of --turn-anyway, which may not be blank."""
    if text is not None and not text.strip():
        raise InputError("--turn-anyway is empty; say why the moves are to be made", key="--turn-anyway")
    return None if text is None else text.strip()


def read_terms(text: str | None) -> list[str] | None:
    """Split names at the commas."""
    return None if text is None else [name.strip() for name in text.split(",") if name.strip()]


def read_when(text: str | None) -> Time | None:
    """Read the UTC of --when."""
    from skysample.astrometry.times import parse_utc

    return None if text is None else parse_utc(text, key="--when")


def quantity(arcsec: float | None) -> Quantity | None:
    """Give an angle its unit."""
    from astropy import units as u

    return None if arcsec is None else arcsec * u.arcsec


def check_chart_path(chart: Path | None, sources: Iterable[Path]) -> None:
    """Refuse a chart of an unknown kind, or in place of a file that is read, before any work is done."""
    if chart is None:
        return
    from skysample.files.whole_files import check_place
    from skysample.report.charts import chart_suffix

    chart_suffix(chart)
    check_place(chart, sources, holds="")

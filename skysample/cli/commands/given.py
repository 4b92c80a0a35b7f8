"""What was given on the command line, read: sites, runs, moments, terms."""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.fitting import FittedModel
    from skysample.runs import Run
    from skysample.site import Site

__all__ = [
    "assumed_of",
    "check_chart_place",
    "model_of",
    "moment_of",
    "optional_site",
    "paths_given",
    "run_of",
    "site_of",
    "target_of",
    "terms_of",
]


def paths_given(*paths: Path | None) -> list[Path]:
    """Those of the files that were named."""
    return [path for path in paths if path is not None]


def site_of(path: Path) -> Site:
    """Read a site."""
    from skysample.site import load_site

    return load_site(path)


def optional_site(path: Path | None) -> Site | None:
    """Read a site, if one was named."""
    return None if path is None else site_of(path)


def model_of(path: Path | None) -> FittedModel | None:
    """Read a model, if one was named."""
    if path is None:
        return None
    from skysample.fitting import load_model

    return load_model(path)


def run_of(path: Path, site: Site, assume: Iterable[str] | None) -> Run:
    """Read a run taken at a site."""
    from skysample.runs import read_run

    return read_run(path, site, assume=assumed_of(assume))


def assumed_of(pairs: Iterable[str] | None) -> dict[str, str]:
    """Split each KEY=VALUE of --assume."""
    assumed = {}
    for pair in pairs or ():
        key, equals, value = pair.partition("=")
        if not equals:
            raise InputError(f"--assume {pair}: write KEY=VALUE, as in --assume axes=raw", key="assume")
        assumed[key.strip()] = value.strip()
    return assumed


def terms_of(text: str | None) -> list[str] | None:
    """Names that are separated by commas."""
    return None if text is None else [name.strip() for name in text.split(",") if name.strip()]


def moment_of(text: str | None) -> Time | None:
    """UTC of --when."""
    if text is None:
        return None
    from skysample.astrometry.times import parse_utc

    return parse_utc(text, key="--when")


def target_of(arcsec: float | None) -> Quantity | None:
    """Wanted error of a model, with its unit."""
    from astropy import units as u

    return None if arcsec is None else arcsec * u.arcsec


def check_chart_place(chart: Path | None, sources: Iterable[Path]) -> None:
    """Refuse a chart of a kind that is not drawn, or in the place of a file that is read; before any work is done."""
    if chart is None:
        return
    from skysample.files.whole_files import check_place
    from skysample.report.charts import chart_suffix

    chart_suffix(chart)
    check_place(chart, sources, holds="")

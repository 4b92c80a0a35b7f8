"""The command `polar`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from skysample.cli.commands.given import moment_of, run_of, site_of, terms_of
from skysample.cli.commands.options import AssumeOption, JsonOption, RunArgument, SiteOption, TermsOption
from skysample.cli.printing import show
from skysample.errors import InputError, NoSolution

if TYPE_CHECKING:
    from astropy.coordinates import SkyCoord
    from astropy.time import Time

    from skysample.alignment.star import AdjustingStar
    from skysample.fitting import FittedModel
    from skysample.runs import Run
    from skysample.site import Site

__all__ = ["polar"]


def polar(
    run: RunArgument,
    site: SiteOption,
    terms: TermsOption = None,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="ALT,AZ", help="How far stars trail at this place; default the worst of the usable sky."
        ),
    ] = None,
    star: Annotated[
        bool, typer.Option("--star", help="Choose a star that shows the move, and say how to use it.")
    ] = False,
    when: Annotated[
        str | None,
        typer.Option(
            metavar="UTC", help="With --star: when the bolts are turned, ISO 8601; without it, now."
        ),
    ] = None,
    centring_arcsec: Annotated[
        float | None,
        typer.Option(
            metavar="X",
            help="With --star: how well it will be centred; default 2 arcsec or 2 pixels, whichever is more.",
            min=0.0,
            max=3600.0,
        ),
    ] = None,
    assume: AssumeOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how far the polar axis is off, and what to turn.

    Example: skysample polar run.ecsv --site site.toml --star --when 2026-11-25T20:00:00
    """
    from skysample.alignment import polar as align
    from skysample.cli.answers.polar import polar_answer
    from skysample.cli.sentences.polar import polar_lines
    from skysample.fitting import fit as fit_model
    from skysample.tracking_errors.trails import trail

    if not star and (when is not None or centring_arcsec is not None):
        key = "--when" if when is not None else "--centring-arcsec"
        raise InputError(f"{key} goes with --star; give that too, or leave {key} out", key=key)
    trailing_at = None if at is None else _alt_az(at)
    moment, place = moment_of(when), site_of(site)
    table = run_of(run, place, assume)
    model = fit_model(table, place, terms_of(terms))
    alignment = align(model, place)
    trails = trail(alignment, at=trailing_at)
    found, reason = _star(model, place, table, moment, centring_arcsec) if star else (None, None)
    show(
        polar_answer(alignment, found, reason, trails),
        polar_lines(alignment, found, reason, trails),
        as_json=as_json,
    )
    if reason is not None:
        raise typer.Exit(1)


def _star(
    model: FittedModel, site: Site, run: Run, when: Time | None, centring_arcsec: float | None
) -> tuple[AdjustingStar | None, str | None]:
    """A star, or the reason why there is none: the moves are told all the same."""
    from astropy import units as u
    from astropy.time import Time

    from skysample.alignment.star import adjusting_star

    centring = None if centring_arcsec is None else centring_arcsec * u.arcsec
    try:
        return adjusting_star(model, site, when or Time.now(), run, centring=centring), None
    except NoSolution as error:
        return None, str(error)


def _alt_az(text: str) -> SkyCoord:
    from astropy.coordinates import AltAz, SkyCoord

    from skysample.files.tables import as_float

    try:
        altitude, azimuth = (as_float(part.strip()) for part in text.split(","))
    except ValueError:
        altitude = azimuth = float("nan")
    if not (0.0 < altitude <= 90.0 and -360.0 <= azimuth <= 360.0):
        raise InputError(f"--at {text}: write altitude and azimuth in degrees, as in --at 45,120", key="--at")
    return SkyCoord(az=azimuth, alt=altitude, unit="deg", frame=AltAz())

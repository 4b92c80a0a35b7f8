"""The command `tracking`: what it takes, its JSON, its words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Argument, Option

from skysample.cli import inputs
from skysample.cli.printing import columns, show, values
from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.tracking_errors.periodic_errors import Period
    from skysample.tracking_errors.quality import Tracking


def tracking(
    log: Annotated[Path, Argument(metavar="LOG", help="Tracking log (ECSV or CSV).")],
    site: Annotated[Path | None, Option(metavar="SITE", help="Site file, to remove refraction.")] = None,
    model: Annotated[
        Path | None,
        Option(metavar="MODEL", help="With --site: also remove polar error and the other model terms."),
    ] = None,
    assume: Annotated[
        list[str] | None,
        Option(
            metavar="KEY=VALUE",
            help="What the log does not declare: source=guide|encoder, error_of=tube|star,"
            " corrections=none|model|guider|unknown, target_ra_deg, target_dec_deg (ICRS), pier=east|west.",
        ),
    ] = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """Measure how well the mount tracks: drift and periodic error.

    Example: skysample tracking guide.csv --site site.toml --model model.json
    """
    from skysample.fitting import load_model
    from skysample.site import load_site
    from skysample.tracking_errors.log import read_tracking_log
    from skysample.tracking_errors.quality import tracking as judge

    if model is not None and site is None:
        raise InputError("--model goes with --site; give the site too, or leave --model out", key="--model")
    place = None if site is None else load_site(site)
    by = None if model is None else load_model(model)
    found = judge(read_tracking_log(log, assume=inputs.read_assumed(assume)), place, by)
    show(as_json, tracking_json, tracking_lines, found)


def tracking_json(found: Tracking) -> dict[str, Any]:
    """Keys of `tracking --json`."""
    from skysample.tracking_errors.component import PRACTICE_ARCSEC

    return {
        "rows": len(found.log),
        **values(found.log, "lost span_s source corrections"),
        "practice_arcsec": list(PRACTICE_ARCSEC),
        "components": [
            {
                **values(each, "name logged_rms_arcsec predicted_arcsec_per_min drift_arcsec_per_min"),
                **values(each, "drift_stderr_arcsec_per_min rms_arcsec sky_factor sky_rms_arcsec verdict"),
                **values(each, "noise_arcsec shortest_s longest_s"),
                "removed": [values(part, "cause rms_arcsec share") for part in each.removed],
                "periods": [_period_json(period) for period in each.periods],
                "strongest": None if each.strongest is None else _period_json(each.strongest),
            }
            for each in found.components
        ],
        **values(found, "condition sentences"),
    }


def _period_json(period: Period) -> dict[str, Any]:
    return values(period, "period_s period_stderr_s amplitude_arcsec amplitude_stderr_arcsec chance")


def tracking_lines(found: Tracking) -> Iterator[str]:
    """How well the mount tracked, and what explains the rest."""
    answer = tracking_json(found)
    lost = f"; the star was lost in {answer['lost']} more" if answer["lost"] else ""
    yield f"{answer['rows']} rows over {answer['span_s'] / 60.0:.1f} min{lost}."
    yield from found.sentences
    yield from columns(
        [
            {**part, "name": each["name"], "percent": 100.0 * part["share"]}
            for each in answer["components"]
            for part in each["removed"]
        ],
        ("removed, in turn", "{cause}"),
        ("component", "{name}"),
        ("RMS left", '{rms_arcsec:.3f}"'),
        ("share of variance", "{percent:z.1f} %"),
    )
    if any(part["share"] < 0.0 for each in answer["components"] for part in each["removed"]):
        yield "A negative share: removing it made the log worse."

"""The command `tracking`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skysample.cli.commands.given import assumed_of, model_of, optional_site
from skysample.cli.commands.options import JsonOption
from skysample.cli.printing import show
from skysample.errors import InputError

__all__ = ["tracking"]


def tracking(
    log: Annotated[
        Path, typer.Argument(metavar="LOG", help="Tracking log (ECSV or CSV).", show_default=False)
    ],
    site: Annotated[
        Path | None, typer.Option("--site", metavar="SITE", help="Site file: refraction is taken out.")
    ] = None,
    model: Annotated[
        Path | None,
        typer.Option(metavar="MODEL", help="With --site: polar error and the rest of this model too."),
    ] = None,
    assume: Annotated[
        list[str] | None,
        typer.Option(
            "--assume",
            metavar="KEY=VALUE",
            help="What the log does not say: source=guide|encoder, error_of=tube|star,"
            " corrections=none|model|guider|unknown, target_ra_deg, target_dec_deg (ICRS), pier=east|west.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say how well the mount tracks: what is left without drift, and its periods.

    Example: skysample tracking guide.csv --site site.toml --model model.json
    """
    from skysample.cli.answers.tracking import tracking_answer
    from skysample.cli.sentences.tracking import tracking_lines
    from skysample.tracking_errors.log import read_tracking_log
    from skysample.tracking_errors.quality import tracking as judge

    place, by = optional_site(site), model_of(model)
    if by is not None and place is None:
        raise InputError("--model goes with --site; give the site too, or leave --model out", key="--model")
    found = judge(read_tracking_log(log, assume=assumed_of(assume)), place, by)
    show(tracking_answer(found), tracking_lines(found), as_json=as_json)

"""Arguments and options that more than one command takes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = [
    "MOST_POINTS",
    "AssumeOption",
    "JsonOption",
    "RunArgument",
    "SiteArgument",
    "SiteOption",
    "TargetOption",
    "TermsOption",
]

SiteArgument = Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML).", show_default=False)]
SiteOption = Annotated[
    Path, typer.Option("--site", metavar="SITE", help="Site file (TOML).", show_default=False)
]
RunArgument = Annotated[
    Path, typer.Argument(metavar="RUN", help="Run table (ECSV or CSV).", show_default=False)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]
AssumeOption = Annotated[
    list[str] | None,
    typer.Option(
        "--assume",
        metavar="KEY=VALUE",
        help="What the run does not say: axes=raw|corrected|unknown, old_model=off|on|unknown,"
        " target_refraction=true|false.",
    ),
]
TermsOption = Annotated[
    str | None,
    typer.Option(
        "--terms", metavar="NAME,...", help="Terms to fit, or the sets standard (default) and extended."
    ),
]
TargetOption = Annotated[
    float | None,
    typer.Option(
        metavar="X", help="Wanted error of the model over the sky; default half the noise per axis."
    ),
]

MOST_POINTS = 20_000
"""Beyond it a plan takes hours to make, and a night has no room for it."""

"""The command `history`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skysample.cli.commands.given import optional_site
from skysample.cli.commands.options import JsonOption
from skysample.cli.printing import show

__all__ = ["history"]


def history(
    models: Annotated[
        list[Path],
        typer.Argument(metavar="MODEL...", help="Two or more models of one telescope.", show_default=False),
    ],
    site: Annotated[
        Path | None, typer.Option("--site", metavar="SITE", help="Site file, to check the models against.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say what moved between models of one telescope.

    Example: skysample history march.json may.json --site site.toml
    """
    from skysample.alignment.history import history as compare_models
    from skysample.cli.answers.history import history_answer
    from skysample.cli.sentences.history import history_lines
    from skysample.fitting import load_model

    place = optional_site(site)
    past = compare_models([load_model(each) for each in models], place)
    show(history_answer(past), history_lines(past), as_json=as_json)

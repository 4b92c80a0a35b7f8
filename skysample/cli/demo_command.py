"""The command `demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from typer import Option

from skysample.cli import inputs
from skysample.cli.printing import print_json, print_lines


def demo(
    out: Annotated[Path, Option(metavar="DIR", help="Folder for the files; created if needed.")] = Path(
        "skysample-demo"
    ),
    seed: Annotated[int, Option(metavar="N", help="Seed of the invented night.", min=0)] = 1,
    as_json: inputs.JsonOption = False,
) -> None:
    """Run a whole night on an invented observatory.

    Writes every file of it.

    Example: skysample demo --out night
    """
    from skysample.cli.demo import night

    story = night(out, seed)
    if as_json:
        print_json(story.answer)
    else:
        for lines in story.chapters():
            print_lines(lines)

"""The application that holds the commands, one a module.

A command imports what it works with when it is called, so that `--help` stays light.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from skysample.cli.check import check
from skysample.cli.compare import compare
from skysample.cli.demo_command import demo
from skysample.cli.fit import fit
from skysample.cli.gather import gather
from skysample.cli.history import history
from skysample.cli.plan import plan
from skysample.cli.plugins import plugins
from skysample.cli.polar import polar
from skysample.cli.progress import progress
from skysample.cli.report import report
from skysample.cli.size import size
from skysample.cli.tracking import tracking
from skysample.version import __version__

app = typer.Typer(
    name="skysample",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Sample the usable sky, order the points, fit and judge the pointing model, and say which bolt to turn.",
)


def _version(wanted: bool) -> None:
    if wanted:
        sys.stdout.write(f"skysample {__version__}\n")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    pass


for _command in (
    demo,
    plan,
    gather,
    check,
    fit,
    polar,
    size,
    progress,
    compare,
    history,
    tracking,
    report,
    plugins,
):
    app.command()(_command)

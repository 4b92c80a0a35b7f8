"""The command `history`: what it takes, its JSON, its words."""

from __future__ import annotations

from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Argument

from skysample.cli import inputs
from skysample.cli.compare import WITHIN_ERROR
from skysample.cli.printing import columns, sentence, show, values

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.alignment.history import History


def history(
    models: Annotated[list[Path], Argument(metavar="MODEL...", help="Two or more models of one telescope.")],
    site: inputs.SiteCheckOption = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """Compare models of one telescope taken at different times.

    Example: skysample history march.json may.json --site site.toml
    """
    from skysample.alignment.history import history as compare_models
    from skysample.fitting import load_model
    from skysample.site import load_site

    place = None if site is None else load_site(site)
    show(as_json, history_json, history_lines, compare_models([load_model(each) for each in models], place))


def history_json(past: History) -> dict[str, Any]:
    """Keys of `history --json`."""
    return {
        "models": [
            {"moment": moment, **values(model.run, "source start_utc end_utc used session")}
            for moment, model in zip(past.moments, past.models, strict=True)
        ],
        "changes": [
            values(each, "term since until change_arcsec stderr_arcsec sigmas dof p moved verdict sentence")
            for each in past.changes
        ],
        "axis": [
            values(each, "since until total_arcmin total_stderr_arcmin=stderr_arcmin") for each in past.axis
        ],
        "sentences": list(past.sentences),
    }


def history_lines(past: History) -> Iterator[str]:
    """What moved, and every change."""
    from skysample.alignment.cautions import WEDGE

    yield from map(sentence, past.sentences)
    for (since, until), changes in groupby(history_json(past)["changes"], itemgetter("since", "until")):
        yield f"From {since} to {until}:"
        yield from columns(
            changes,
            ("term", "{term}"),
            ("change", '{change_arcsec:+z.2f}"'),
            ("+-", '{stderr_arcsec:.2f}"'),
            ("sigma", "{sigmas:.1f}"),
            ("p", "{p:.2g}"),
            ("verdict", "{verdict}"),
        )
    if any(each.verdict == "within error" for each in past.changes):
        yield WITHIN_ERROR
    if past.axis_moved:
        yield "Find the cause before you correct it: a loose bolt or a settling pier would do this."
        yield "Before you touch a bolt:"
        yield from (f"  - {caution}" for caution in WEDGE)

"""What moved between models, in sentences."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from skysample.alignment.cautions import WEDGE
from skysample.cli.sentences.columns import columns
from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.alignment.history import History

__all__ = ["history_lines"]


def history_lines(past: History) -> Iterator[str]:
    """Say what moved, and list every change."""
    for sentence in past.sentences:
        yield f"{sentence[0].upper()}{sentence[1:]}."
    for (since, until), changes in groupby(past.changes, lambda each: (each.since, each.until)):
        yield f"From {since} to {until}:"
        yield from columns(
            ("term", "change", "+-", "sigma", "p", "verdict"),
            [
                (
                    each.term,
                    f'{each.change_rad / ARCSEC:+.2f}"',
                    f'{each.stderr_rad / ARCSEC:.2f}"',
                    f"{each.sigmas:.1f}",
                    f"{each.p:.2g}",
                    each.verdict,
                )
                for each in changes
            ],
        )
    if past.axis_moved:
        yield "Find out why before you correct it: a loose bolt, or a pier that settles. Before you touch a bolt:"
        for caution in WEDGE:
            yield f"  - {caution}"

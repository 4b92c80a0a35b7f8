"""An adjustment in sentences: whether it worked."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.cli.sentences.columns import columns
from skysample.cli.sentences.polar import move_lines
from skysample.tracking_errors.trails import trail

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.alignment.comparing import Comparison

__all__ = ["comparison_lines"]


def comparison_lines(comparison: Comparison) -> Iterator[str]:
    """Say whether the adjustment worked."""
    yield str(comparison)
    names = (
        ("altitude", "azimuth") if comparison.before.equatorial else ("lean to the north", "lean to the east")
    )
    to_arcmin = float(np.degrees(1.0) * 60.0)
    before = (comparison.before.first_rad, comparison.before.second_rad)
    after = (comparison.after.first_rad, comparison.after.second_rad)
    yield from columns(
        ("error", "before", "after", "moved", "+-"),
        [
            (name, f"{b * to_arcmin:+.2f}'", f"{a * to_arcmin:+.2f}'", f"{change:+.2f}'", f"{error:.2f}'")
            for name, b, a, (change, error) in zip(
                names, before, after, comparison.changes_arcmin, strict=True
            )
        ],
    )
    yield from comparison.sentences[:-1]
    yield from columns(
        ("term", "before", "after", "changed", "+-", "p", "verdict"),
        [
            (
                str(row["term"]),
                f'{row["before"].value:.1f}"',
                f'{row["after"].value:.1f}"',
                f'{row["change"].value:+.2f}"',
                f'{row["stderr"].value:.2f}"',
                f"{row['p']:.2g}",
                str(row["verdict"]),
            )
            for row in comparison.terms
        ],
    )
    found = trail(comparison.after)
    if found.exposure is not None:
        # The limit is somebody's habit; what this camera needs is another number.
        yield f"For the camera: {found}"
    yield f"Next: {comparison.next_sentence}"
    if comparison.next_moves:
        yield from move_lines(replace(comparison.after, moves=comparison.next_moves))

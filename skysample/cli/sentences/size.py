"""How many points are enough, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.cli.sentences.columns import columns

if TYPE_CHECKING:
    from collections.abc import Iterator

    from astropy.table import Row

    from skysample.sizing import LearningCurve, PointsNeeded

__all__ = ["learning_lines", "size_lines"]


def size_lines(need: PointsNeeded) -> Iterator[str]:
    """Say how many points, what more would buy, and what the other design would."""
    yield str(need)
    if need.informed is not None and need.informed.recommended is not None:
        rows = {int(row["points"]): row for row in need.informed.table}
        row = rows[need.informed.recommended]
        yield (
            f"Placed where the terms are learnt best (plan --design informed), {need.informed.recommended} would do:"
            f' {row["sky_rms"].value:.2f}", {row["minutes"].value:.0f} min. Even points also see what no term'
            " describes."
        )
    yield (
        f'Target {need.target.value:.2f}" over the sky; noise {need.sigma.value:.2f}" per axis in the pilot run;'
        f" {len(need.terms)}"
        f" terms; {100.0 * need.failed_share:.0f} % failed exposures allowed for."
    )
    if need.recommended > need.smallest:
        yield (
            f"{need.smallest} would do if the pilot's noise were exact; with 90 % confidence it is below"
            f' {need.sigma_upper.value:.2f}".'
        )
    yield from _size_table(need)
    yield "below: not exceeded in 90 % of nights. detects: the smallest term that is found."


def _size_table(need: PointsNeeded) -> Iterator[str]:
    header: tuple[str, ...] = ("even points", "rms", "below", "95 %", "detects", "min")
    rows = [_size_cells(row, mark=int(row["points"]) == need.recommended) for row in need.table]
    if need.informed is not None:
        header += ("informed", "rms", "below", "min")
        for cells, row in zip(rows, need.informed.table, strict=True):
            rms, below, _, _, minutes = _size_cells(row)[1:]
            cells += ["<-" if int(row["points"]) == need.informed.recommended else "", rms, below, minutes]
    yield from columns(header, [tuple(cells) for cells in rows])


def _size_cells(row: Row, *, mark: bool = False) -> list[str]:
    errors = [f'{row[name].value:.2f}"' for name in ("sky_rms", "sky_rms_upper", "sky_p95", "detectable")]
    return [f"{int(row['points'])}" + (" <-" if mark else ""), *errors, f"{row['minutes'].value:.0f}"]


def learning_lines(learning: LearningCurve) -> Iterator[str]:
    """Say what fewer points of the run would have given."""
    yield f"This run: {learning}"
    if np.isfinite(learning.missed_over_expected):
        yield (
            f"Models from parts of the run missed the points left out by {learning.missed_over_expected:.2f} of what"
            " noise and model error say."
        )
    yield from columns(
        ("of its points", "rms", "below", "missed", "expected"),
        [
            (
                f"{int(row['points'])}" + (" <-" if int(row["points"]) == learning.would_have_done else ""),
                *(
                    f'{row[name].value:.2f}"' if np.isfinite(row[name].value) else "-"
                    for name in ("sky_rms", "sky_rms_upper", "missed", "expected")
                ),
            )
            for row in learning.table
        ],
    )

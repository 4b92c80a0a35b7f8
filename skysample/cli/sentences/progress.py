"""How far a run is, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.cautions import MOVING
from skysample.cli.sentences.columns import columns

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.sizing.stopping import RunProgress

__all__ = ["progress_lines"]

_NEXT_SHOWN = 10


def progress_lines(found: RunProgress) -> Iterator[str]:
    """Say whether the run may stop, and which points to take next."""
    yield str(found)
    if found.more and np.isfinite(found.sky_rms.value):
        shown = found.next_points[:_NEXT_SHOWN]
        yield "Next, best first:"
        german = bool(shown["pier"][0])
        yield from columns(
            ("point", "alt", "az", *(("pier",) if german else ()), "then rms", "at most"),
            [
                (
                    f"{int(row['point'])}",
                    f"{row['alt'].value:.1f}",
                    f"{row['az'].value:.1f}",
                    *((str(row["pier"]),) if german else ()),
                    *(
                        f'{row[name].value:.2f}"' if np.isfinite(row[name].value) else "-"
                        for name in ("sky_rms", "sky_rms_upper95")
                    ),
                )
                for row in shown
            ],
        )
    if not found.enough:
        yield from MOVING

"""How well a mount tracks, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.cli.sentences.columns import columns

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.tracking_errors.quality import Tracking

__all__ = ["tracking_lines"]


def tracking_lines(found: Tracking) -> Iterator[str]:
    """Say how well the mount tracked, and what explains the rest."""
    lost = f"; the star was lost in {found.log.lost} more" if found.log.lost else ""
    yield f"{len(found.log)} rows over {found.log.span_s / 60.0:.1f} min{lost}."
    yield from found.sentences
    yield from columns(
        ("taken out", "of", "left, RMS", "share"),
        [
            (part.cause, each.name, f'{part.rms_arcsec:.3f}"', f"{100.0 * part.share:.1f} %")
            for each in found.components
            for part in each.removed
        ],
    )

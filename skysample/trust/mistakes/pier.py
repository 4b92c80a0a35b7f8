"""A side of the pier that is wrong in some rows: by what the axes can reach, and by what a fit makes of each row."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.plugins.contracts import Mistake
from skysample.site.mount_axes import ideal_axes, limits, mount_frame, sides, within_limits

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = "Look up on which side of the pier the tube was in these rows, and correct the column pier."


def mistakes(site: Site) -> Iterator[Mistake]:
    """Sides that the axes cannot reach, for a mount that flips."""
    if len(sides(site.mount.kind)) > 1:
        sentence = "the side of the pier is wrong where the axes do not reach it"
        yield Mistake("pier out of reach", "pier", sentence, _FIX, _within_reach, -5.0)


def _within_reach(log: Log, site: Site) -> tuple[Log, Site] | None:
    frame, reach = mount_frame(site.mount.kind, site.location.latitude_rad), limits(site.mount)
    directions = log.directions(site)
    own, other = (within_limits(ideal_axes(frame, directions, side), reach) for side in (log.side, -log.side))
    wrong = np.asarray(~own & other)
    return (replace(log, side=np.where(wrong, -log.side, log.side)), site) if wrong.any() else None


def wrong_in(site: Site, suspects: NDArray[np.bool_]) -> Mistake | None:
    """The mistake that the suspected rows have the other side of the pier; None where it cannot be."""
    if len(sides(site.mount.kind)) == 1 or not suspects.any() or suspects.all():
        return None

    def undo(log: Log, site: Site) -> tuple[Log, Site]:
        return replace(log, side=np.where(suspects, -log.side, log.side)), site

    count = int(np.count_nonzero(suspects))
    sentence = f"the side of the pier is wrong in {count} row{'' if count == 1 else 's'}"
    return Mistake("pier in some rows", "pier", sentence, _FIX, undo, -5.0)

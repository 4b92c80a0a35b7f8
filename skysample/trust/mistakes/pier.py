"""A side of the pier that is wrong in some rows, by what a fit to the others makes of them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.plugins.contracts import Mistake
from skysample.site.mount_axes import sides

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = "Look up on which side of the pier the tube was in these rows, and correct the column pier."


def wrong_in(site: Site, suspects: NDArray[np.bool_]) -> Mistake | None:
    """The mistake that the suspected rows have the other side of the pier; None where it cannot be."""
    if len(sides(site.mount.kind)) == 1 or not suspects.any() or suspects.all():
        return None

    def undo(log: Log, site: Site) -> tuple[Log, Site]:
        return replace(log, side=np.where(suspects, -log.side, log.side)), site

    count = int(np.count_nonzero(suspects))
    return Mistake(
        "pier in some rows",
        "pier",
        f"the side of the pier is wrong in {count} row{'' if count == 1 else 's'}",
        _FIX,
        undo,
        -5.0,
    )

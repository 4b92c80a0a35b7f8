"""Another kind of mount than the site file says."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from skysample.plugins.contracts import AXIS_TERMS, Mistake
from skysample.site import Axis

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = "Correct mount.kind in the site file."


def mistakes(site: Site) -> Iterator[Mistake]:
    """Each other kind."""
    for kind in AXIS_TERMS:
        if kind == site.mount.kind:
            continue

        def undo(log: Log, site: Site, kind: str = kind) -> tuple[Log, Site]:
            # The other kind's limits are not known: those of this one say nothing about it.
            mount = msgspec.structs.replace(site.mount, kind=kind, primary=Axis(), secondary=Axis())
            side = np.where(log.side == 0, 1, log.side)
            return replace(log, side=side), msgspec.structs.replace(site, mount=mount)

        yield Mistake(
            f"kind {kind}", "kind", f"the mount is of the kind {kind}, not {site.mount.kind}", _FIX, undo
        )

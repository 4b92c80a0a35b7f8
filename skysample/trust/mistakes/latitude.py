"""A latitude with the wrong sign, or minutes of arc written as decimals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.plugins.contracts import Mistake
from skysample.trust.mistakes.longitude import moved

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = "Compare latitude_deg in the site file with a map or a phone: degrees and decimals, north positive."


def mistakes(site: Site) -> Iterator[Mistake]:  # noqa: ARG001 - every cause is asked alike
    """The sign; smaller errors move the axis and leave no trace, see `skysample.trust.worth`."""

    def undo(log: Log, site: Site) -> tuple[Log, Site]:
        return log, moved(site, latitude_deg=-site.location.latitude_deg)

    yield Mistake("latitude sign", "latitude", "the latitude has the wrong sign", _FIX, undo, -4.5)

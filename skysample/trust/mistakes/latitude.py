"""A latitude with the wrong sign, or minutes of arc written as decimals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.plugins.contracts import Mistake
from skysample.trust.mistakes.longitude import moved

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.runs.log import Log
    from skysample.site import Site

_STEPS_DEG = (-10.0, -3.0, -1.0, -0.3, 0.3, 1.0, 3.0, 10.0)
_FIX = "Compare latitude_deg in the site file with a map or a phone: degrees and decimals, north positive."


def mistakes(site: Site) -> Iterator[Mistake]:
    """The sign, minutes as decimals, and steps of degrees."""
    given = site.location.latitude_deg
    yield _meant(-given, "latitude sign", "the latitude has the wrong sign", -4.5, near=False)
    degrees = float(int(given))
    if abs(given - degrees) < 0.6:
        sentence = "minutes of arc are written as decimals of latitude_deg"
        yield _meant(degrees + (given - degrees) / 0.6, "latitude minutes", sentence, -6.5)
    for by in _STEPS_DEG:
        if abs(given + by) <= 90.0 and (given + by) * given > 0.0:
            yield _meant(
                given + by, f"latitude {by:+g}", f"the latitude is wrong by about {abs(by):g} deg", -7.5
            )


def _meant(latitude_deg: float, name: str, sentence: str, odds: float, *, near: bool = True) -> Mistake:
    def undo(log: Log, site: Site) -> tuple[Log, Site]:
        return log, moved(site, latitude_deg=latitude_deg)

    return Mistake(name, "latitude", sentence, _FIX, undo, odds, near)

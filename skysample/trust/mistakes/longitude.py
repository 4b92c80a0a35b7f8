"""A longitude with the wrong sign, in hours, or in the latitude's place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from skysample.plugins.contracts import Mistake

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Any

    from skysample.runs.log import Log
    from skysample.site import Site

FIX = "Compare longitude_deg in the site file with a map or a phone: degrees and decimals, east positive."


def moved(site: Site, **location: Any) -> Site:
    """The same telescope at another place, or in other air."""
    return msgspec.structs.replace(site, location=msgspec.structs.replace(site.location, **location))


def mistakes(site: Site) -> Iterator[Mistake]:
    """Sign, hours for degrees, and latitude for longitude."""
    longitude, latitude = site.location.longitude_deg, site.location.latitude_deg
    other: dict[str, tuple[str, dict[str, float], float]] = {
        "longitude sign": ("the longitude has the wrong sign", {"longitude_deg": -longitude}, -4.5),
        "longitude hours": (
            "the longitude is in hours, not degrees",
            {"longitude_deg": 15.0 * longitude},
            -6.5,
        ),
        "longitude and latitude": (
            "latitude and longitude are swapped",
            {"longitude_deg": latitude, "latitude_deg": longitude},
            -6.5,
        ),
    }
    for name, (sentence, location, odds) in other.items():
        if abs(location["longitude_deg"]) > 360.0 or abs(location.get("latitude_deg", 0.0)) > 90.0:
            continue

        def undo(log: Log, site: Site, location: dict[str, float] = location) -> tuple[Log, Site]:
            return log, moved(site, **location)

        yield Mistake(name, "longitude", sentence, FIX, undo, odds)

"""Refraction in other air than meant: a pressure in another unit or for another height, targets without refraction."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.plugins.contracts import Mistake
from skysample.trust.mistakes.longitude import moved

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = "Check the pressure: hPa, at the station and not reduced to sea level; leave it out if in doubt."
_TARGETS_FIX = (
    "Check whether the mount allows for refraction, and declare it: target_refraction = true or false."
)
_MOST_HPA = 1150.0
_SAME_HPA = 15.0


def mistakes(site: Site) -> Iterator[Mistake]:
    """Pressures, and refraction of the targets."""
    yield Mistake(
        "refraction of the targets",
        "air",
        "the mount treats refraction of its targets otherwise than the run declares",
        _TARGETS_FIX,
        _other_refraction,
        near=True,
    )
    height = site.location.elevation_m
    standard = moved(site, pressure_hpa=None).location.station_pressure_hpa
    given = site.location.station_pressure_hpa
    for name, sentence, pressure in (
        ("mmHg", "the pressure is in mmHg, not hPa", given * 1.333224),
        ("inHg", "the pressure is in inches of mercury, not hPa", given * 33.86389),
        ("kPa", "the pressure is in kPa, not hPa", given * 10.0),
        ("sea level", "the pressure is reduced to sea level", given * standard / 1013.25),
        ("standard", f"the pressure does not fit the elevation of {height:g} m", standard),
    ):
        if pressure > _MOST_HPA or abs(pressure - given) < _SAME_HPA:
            continue

        def undo(log: Log, site: Site, pressure: float = pressure) -> tuple[Log, Site]:
            return replace(log, pressure_hpa=np.full(len(log), np.nan)), moved(site, pressure_hpa=pressure)

        yield Mistake(f"pressure {name}", "air", sentence, _FIX, undo, -6.0, near=True)


def _other_refraction(log: Log, site: Site) -> tuple[Log, Site] | None:
    return (replace(log, target_refraction=not log.target_refraction), site) if log.from_targets else None

"""Axis readings that count the other way or from elsewhere, are swapped, or are right ascensions."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.times import terrestrial
from skysample.geometry import wrap_pi
from skysample.plugins.contracts import Mistake

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from skysample.geometry import Array
    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = "Move one axis at a time and watch its reading: {}; correct the column and read the run again."
_HALF_A_TURN = np.array([np.pi, 0.0])
_EQUATORIAL = "hour angle grows to the west, declination to the north, both in degrees"
_ALTAZ = "azimuth grows from north through east, altitude from the horizon up, both in degrees"


def mistakes(site: Site) -> Iterator[Mistake]:
    """Signs, origins, order, and right ascension for hour angle."""
    altaz = site.mount.kind == "altaz"
    first, second = ("azimuth", "altitude") if altaz else ("hour angle", "declination")
    far = "zenith" if altaz else "pole"
    opposite = "south" if altaz else "the opposite side of the pole"
    changes: dict[str, tuple[str, Callable[[Array], Array], float]] = {
        "primary reversed": (f"{first} counts the other way", lambda a: a * [-1.0, 1.0], -5.0),
        "secondary reversed": (f"{second} counts the other way", lambda a: a * [1.0, -1.0], -5.0),
        "both reversed": ("both axes count the other way", lambda a: -a, -6.0),
        "primary reversed from the opposite side": (
            f"{first} counts the other way and from {opposite}",
            lambda a: a * [-1.0, 1.0] + _HALF_A_TURN,
            -6.5,
        ),
        "primary from the opposite side": (
            f"{first} counts from {opposite}",
            lambda a: a + _HALF_A_TURN,
            -5.5,
        ),
        "secondary from the far end": (
            f"{second} is measured from the {far}",
            lambda a: a * [1.0, -1.0] + [0.0, np.pi / 2.0],
            -5.0,
        ),
        "secondary reversed and primary from the far end": (
            f"{second} is measured from the {far}, and {first} counts the other way",
            lambda a: a * [-1.0, -1.0] + [0.0, np.pi / 2.0],
            -6.5,
        ),
        "axes swapped": (f"{first} and {second} are swapped", lambda a: a[:, ::-1], -5.5),
    }
    fix = _FIX.format(_ALTAZ if altaz else _EQUATORIAL)
    for name, (sentence, change, odds) in changes.items():

        def undo(log: Log, site: Site, change: Callable[[Array], Array] = change) -> tuple[Log, Site] | None:
            return None if log.from_targets else (replace(log, mount_rad=change(log.mount_rad)), site)

        yield Mistake(name, "axes", sentence, fix, undo, odds)
    if not altaz:
        sentence = "the primary is a right ascension, not an hour angle"
        yield Mistake("right ascension", "axes", sentence, fix, _hour_angles, -5.0)


def _hour_angles(log: Log, site: Site) -> tuple[Log, Site] | None:
    import erfa

    if log.from_targets:
        return None
    sidereal = erfa.gst06a(log.time.jd1, log.time.jd2, *terrestrial(log.time))
    primary = wrap_pi(sidereal + np.radians(site.location.longitude_deg) - log.mount_rad[:, 0])
    return replace(log, mount_rad=np.stack([primary, log.mount_rad[:, 1]], axis=-1)), site

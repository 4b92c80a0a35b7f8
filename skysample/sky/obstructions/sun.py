"""The Sun: never point near it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from skysample.geometry import alt_az, separation

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Site

_RISEN_DEG = -0.9
"""Altitude of the Sun's centre when its upper limb rises: 34' of refraction and 16' of half diameter
(the usual figures of sunrise tables, from memory), rounded to the safe side."""


@dataclass(frozen=True, slots=True)
class Sun:
    """Block directions within `sky.sun_avoid_deg` of the Sun while any of its disc can be above the horizontal.

    The Sun counts as up while its centre is above -0.9 degrees (refraction and half diameter). Without a time
    nothing is blocked, because the Sun's place is unknown.

    Attributes
    ----------
    site : Site
        The observer's place, and the distance to keep.
    """

    site: Site
    name: str = "sun"
    depends_on_time: ClassVar[bool] = True

    def blocks(self, directions: Array, when: Time | None) -> NDArray[np.bool_]:
        """See `skysample.plugins.Obstruction.blocks`."""
        if when is None:
            return np.zeros(len(directions), bool)
        from skysample.astrometry.observed_place import sun_direction

        sun = sun_direction(self.site, when.reshape(-1))
        altitude, _ = alt_az(sun)
        near = separation(directions, sun) < math.radians(self.site.sky.sun_avoid_deg)
        return near & (altitude > math.radians(_RISEN_DEG))

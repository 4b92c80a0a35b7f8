"""What the altitude alone blocks: altitude limits, and the skyline of buildings, trees and hills."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from skysample.geometry import alt_az

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array

_ROUNDING_RAD = 1e-9


@dataclass(frozen=True, slots=True)
class AltitudeLimits:
    """Block directions below the lowest or above the highest altitude; the limits themselves are usable.

    Attributes
    ----------
    min_deg, max_deg : float
        Observed altitudes, degrees.
    """

    min_deg: float
    max_deg: float
    name: str = "altitude limits"
    depends_on_time: ClassVar[bool] = False

    def blocks(self, directions: Array, when: Time | None) -> NDArray[np.bool_]:  # noqa: ARG002 - the contract's
        """See `skysample.plugins.Obstruction.blocks`."""
        altitude, _ = alt_az(directions)
        too_low = altitude < math.radians(self.min_deg) - _ROUNDING_RAD
        return too_low | (altitude > math.radians(self.max_deg) + _ROUNDING_RAD)


@dataclass(frozen=True, slots=True)
class Horizon:
    """Block directions on or below the skyline, and everything on or below the horizontal.

    Attributes
    ----------
    points : tuple of (float, float)
        Azimuth and altitude, degrees, in any order; interpolated linearly, through north as well. One point gives
        the same altitude all round, none a flat horizon.
    """

    points: tuple[tuple[float, float], ...] = ()
    name: str = "horizon"
    depends_on_time: ClassVar[bool] = False

    def skyline(self, azimuth_rad: Array) -> Array:
        """Altitude of the skyline at azimuths, radians."""
        azimuths, altitudes = np.radians(np.array(self.points or ((0.0, 0.0),), float)).T
        return np.asarray(np.interp(azimuth_rad, azimuths, altitudes, period=2.0 * np.pi))

    def blocks(self, directions: Array, when: Time | None) -> NDArray[np.bool_]:  # noqa: ARG002 - the contract's
        """See `skysample.plugins.Obstruction.blocks`."""
        altitude, azimuth = alt_az(directions)
        return altitude <= np.maximum(self.skyline(azimuth), 0.0)

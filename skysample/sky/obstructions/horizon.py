"""The skyline: buildings, trees and hills, as a profile of altitude over azimuth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from skysample.geometry import alt_az

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array

__all__ = ["Horizon"]


@dataclass(frozen=True, slots=True)
class Horizon:
    """Blocks what stands on or below the skyline, and on or below the horizontal whatever the skyline is.

    Attributes
    ----------
    points : tuple of (float, float)
        Azimuth and altitude, degrees, in any order. Linear between them, round through north; one point is
        the same altitude all round; none is a flat horizon.
    """

    points: tuple[tuple[float, float], ...] = ()
    name: str = "horizon"
    depends_on_time: ClassVar[bool] = False

    def skyline(self, azimuth_rad: Array) -> Array:
        """Altitude of the skyline at azimuths, radians."""
        if not self.points:
            return np.zeros_like(azimuth_rad)
        azimuths, altitudes = np.radians(np.array(self.points, float)).T
        skyline: Array = np.interp(azimuth_rad, azimuths, altitudes, period=2.0 * np.pi)
        return skyline

    def blocks(self, directions: Array, when: Time | None) -> NDArray[np.bool_]:  # noqa: ARG002 - the contract's
        """See `skysample.plugins.Obstruction.blocks`."""
        altitude, azimuth = alt_az(directions)
        return altitude <= np.maximum(self.skyline(azimuth), 0.0)

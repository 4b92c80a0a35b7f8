"""The Moon as an obstruction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import msgspec
import numpy as np

from skysample.astrometry.moon import moon_direction
from skysample.geometry import separation
from skysample.plugins import read_settings

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.site import Site

__all__ = ["Moon", "MoonSettings"]

DEFAULT_AVOID_DEG = 20.0
RADIUS_DEG = 0.27
"""Radius of the Moon seen from the Earth: it is up until its upper limb sets."""


class MoonSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`[plugins.moon]` of the site file."""

    avoid_deg: Annotated[float, msgspec.Meta(ge=0.0, le=180.0)] = DEFAULT_AVOID_DEG


@dataclass(frozen=True)
class Moon:
    """Block directions near the centre of the Moon while any part of it is above the horizon.

    Parameters
    ----------
    site : Site
        For location and air.
    avoid_deg : float
        Degrees, 0 to 180; 0 blocks nothing.
    """

    site: Site
    avoid_deg: float = DEFAULT_AVOID_DEG
    name: str = "moon"

    @classmethod
    def from_site(cls, site: Site) -> Moon:
        """Read `[plugins.moon]` of a site file.

        Raises
        ------
        InputError
            If a key is unknown, or the distance is not within 0 to 180 degrees.
        """
        settings = read_settings(site.plugins.get("moon", {}), MoonSettings, plugin="moon")
        return cls(site, settings.avoid_deg)

    def blocks(self, directions: NDArray[np.float64], when: Time | None) -> NDArray[np.bool_]:
        """Return which directions are too close to the Moon.

        Parameters
        ----------
        directions : ndarray, shape (n, 3)
            Unit vectors, east-north-up, as observed.
        when : astropy.time.Time or None
            Scalar, or shape (n,). None: nothing is blocked.

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        if when is None or len(directions) == 0:
            return np.zeros(len(directions), bool)
        moon = moon_direction(self.site, when)
        is_up = moon[..., 2] > -np.sin(np.radians(RADIUS_DEG))
        blocked: NDArray[np.bool_] = is_up & (separation(directions, moon) < np.radians(self.avoid_deg))
        return blocked

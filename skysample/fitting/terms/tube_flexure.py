"""Tube flexure: gravity bends the tube, most when it lies flat (textbook statics of a clamped beam: ~ cos altitude)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing


@dataclass(frozen=True)
class TubeFlexure:
    """A tube that droops by the coefficient times cos(altitude), straight down.

    Parameters
    ----------
    kind : str
        Of mount: it settles in which components the vertical is expressed.
    """

    kind: str
    name: str = "tube_flexure"

    def displacement(self, pointing: Pointing) -> Array:
        """Droop per radian, shape (n, 2).

        The up direction at hour angle h and declination d, times cos(altitude), has the components
        cos(lat) sin(h) to the east and sin(lat) cos(d) - cos(lat) sin(d) cos(h) to the north (spherical triangle
        pole-zenith-star).
        """
        if self.kind == "altaz":
            return np.stack([np.zeros_like(pointing.alt), -np.cos(pointing.alt)], axis=-1)
        s, c = np.sin(pointing.latitude), np.cos(pointing.latitude)
        north = s * np.cos(pointing.dec) - c * np.sin(pointing.dec) * np.cos(pointing.hour_angle)
        return np.stack([c * np.sin(pointing.hour_angle), -north], axis=-1)

"""Sideways flexure: the tube sags along the secondary axis by more than across it (textbook statics: clamped beam)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing


@dataclass(frozen=True)
class SidewaysFlexure:
    """A tube whose rings or mirror cell give way sideways: the part of its droop along the secondary axis is larger.

    For equatorial mounts: gravity never pulls an `altaz` tube along its secondary axis.
    """

    name: str = "sideways_flexure"

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement per radian, shape (n, 2): west by cos(latitude) sin(hour angle).

        That is the westward part of straight down times cos(altitude) (see `TubeFlexure`).
        """
        west = np.cos(pointing.latitude) * np.sin(pointing.hour_angle)
        return np.stack([west, np.zeros_like(west)], axis=-1)

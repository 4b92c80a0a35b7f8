"""Axis flexure: fork or polar shaft yields to a weight that rolls round it (textbook statics: stiffness by direction).

Seen from the turning axis, gravity's part across it is (cos, sin) of the hour angle. Equal stiffness all round gives
one fixed bend, which is `polar_altitude`. What stays is the difference between the stiff and the soft direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing


@dataclass(frozen=True)
class AxisFlexure:
    """An axis that carries the tube to the north celestial pole by the coefficient times cos or sin of the hour angle.

    Parameters
    ----------
    name : str
    part : {"cos", "sin"}
        "cos": the tines, or the shaft's end, nod by their own weight; greatest on the meridian. "sin": the soft
        direction is not square to the secondary axis (one tine or bearing yields more), so that they twist; greatest
        six hours from the meridian.
    """

    name: str
    part: Literal["cos", "sin"]

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement per radian, shape (n, 2); the same on both sides of the pier."""
        wave = np.cos(pointing.hour_angle) if self.part == "cos" else np.sin(pointing.hour_angle)
        return np.stack([np.zeros_like(wave), wave], axis=-1)

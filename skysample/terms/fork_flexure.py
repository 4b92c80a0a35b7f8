"""Fork flexure: sagging tines move the tube along declination as cos(hour angle) (common practice, no source)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing

__all__ = ["ForkFlexure"]


@dataclass(frozen=True)
class ForkFlexure:
    """A fork that carries the tube towards the north celestial pole by the coefficient times cos(hour angle)."""

    name: str = "fork_flexure"

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement per radian, shape (n, 2)."""
        return np.stack([np.zeros_like(pointing.dec), np.cos(pointing.hour_angle)], axis=-1)

"""The lowest and the highest altitude that may be used."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from skysample.geometry import alt_az

if TYPE_CHECKING:
    import numpy as np
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array

__all__ = ["AltitudeLimits"]

_ROUNDING_RAD = 1e-9


@dataclass(frozen=True, slots=True)
class AltitudeLimits:
    """Blocks what is below the least or above the greatest altitude; the limits themselves are usable.

    Attributes
    ----------
    min_deg, max_deg : float
        Altitudes as observed, degrees.
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

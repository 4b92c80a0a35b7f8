"""The mechanical limits of the mount's axes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from skysample.site.mount_axes import sides
from skysample.sky.obstructions.reach import axes_reach

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Mount

__all__ = ["AxisLimits"]


@dataclass(frozen=True, slots=True)
class AxisLimits:
    """Blocks what the axes reach on no side of the pier.

    Attributes
    ----------
    mount : Mount
        For its kind and its limits.
    latitude_rad : float
        Of the site.
    """

    mount: Mount
    latitude_rad: float
    name: str = "axis limits"
    depends_on_time: ClassVar[bool] = False

    def blocks(self, directions: Array, when: Time | None) -> NDArray[np.bool_]:  # noqa: ARG002 - the contract's
        """See `skysample.plugins.Obstruction.blocks`."""
        blocked = np.ones(len(directions), bool)
        for side in sides(self.mount.kind):
            blocked &= ~axes_reach(self.mount, self.latitude_rad, directions, side)
        return blocked

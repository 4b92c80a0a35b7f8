"""The dome's slit: what the beam cannot leave through, wherever the dome stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from skysample.site.mount_axes import sides
from skysample.sky.obstructions.reach import axes_reach, dome_clears

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Dome, Mount

__all__ = ["DomeOpening"]


@dataclass(frozen=True, slots=True)
class DomeOpening:
    """Blocks what the slit lets through on none of the sides of the pier that the axes reach.

    Where the axes reach no side, that is their doing: there the dome answers for every side.

    Attributes
    ----------
    dome : Dome
        Sphere, slit and beam.
    mount : Mount
        For its kind and its limits.
    latitude_rad : float
        Of the site.
    """

    dome: Dome
    mount: Mount
    latitude_rad: float
    name: str = "dome"
    depends_on_time: ClassVar[bool] = False

    def blocks(self, directions: Array, when: Time | None) -> NDArray[np.bool_]:  # noqa: ARG002 - the contract's
        """See `skysample.plugins.Obstruction.blocks`."""
        mount, latitude, every_side = self.mount, self.latitude_rad, sides(self.mount.kind)
        reached = np.stack([axes_reach(mount, latitude, directions, side) for side in every_side])
        reached |= ~reached.any(axis=0)
        blocked = np.ones(len(directions), bool)
        for side, on_this_side in zip(every_side, reached, strict=True):
            undecided = np.flatnonzero(blocked & on_this_side)
            blocked[undecided] = ~dome_clears(self.dome, mount, latitude, directions[undecided], side)
        return blocked

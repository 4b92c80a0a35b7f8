"""What the axes reach and the dome clears. A perfectly aligned mount: limits are not known to the arcminute."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from skysample.errors import InputError
from skysample.site.dome import dome_open
from skysample.site.mount_axes import ideal_axes, limits, mount_frame, sides, tube_origin, within_limits

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Dome, Mount, Site

    Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class AxisLimits:
    """Block directions that the axes reach on no side of the pier.

    Attributes
    ----------
    mount : Mount
        Its kind and its limits.
    latitude_rad : float
        Of the site.
    """

    mount: Mount
    latitude_rad: float
    name: str = "axis limits"
    depends_on_time: ClassVar[bool] = False

    def reached(self, directions: Array, side: int) -> Bools:
        """Whether the limits allow directions of shape (n, 3) on a side of the pier, shape (n,)."""
        axes = ideal_axes(mount_frame(self.mount.kind, self.latitude_rad), directions, side)
        return within_limits(axes, limits(self.mount))

    def blocks(self, directions: Array, when: Time | None) -> Bools:  # noqa: ARG002 - the contract's
        """See `skysample.plugins.Obstruction.blocks`."""
        blocked = np.ones(len(directions), bool)
        for side in sides(self.mount.kind):
            blocked &= ~self.reached(directions, side)
        return blocked


@dataclass(frozen=True, slots=True)
class DomeOpening:
    """Block directions whose beam the slit clears on none of the sides of the pier that the axes reach.

    Where the axes reach no side, the axis limits block: there the dome is checked on every side.

    Attributes
    ----------
    dome : Dome
        Sphere, slit and beam.
    mount : Mount
        Its kind and its limits.
    latitude_rad : float
        Of the site.
    """

    dome: Dome
    mount: Mount
    latitude_rad: float
    name: str = "dome"
    depends_on_time: ClassVar[bool] = False

    def cleared(self, directions: Array, side: int) -> Bools:
        """Whether any dome azimuth clears the beam to directions of shape (n, 3) on a side of the pier, shape (n,)."""
        frame = mount_frame(self.mount.kind, self.latitude_rad)
        origin = tube_origin(
            frame, ideal_axes(frame, directions, side), self.dome.pivot_m, self.dome.tube_offset_m
        )
        return dome_open(self.dome, directions, origin)

    def blocks(self, directions: Array, when: Time | None) -> Bools:  # noqa: ARG002 - the contract's
        """See `skysample.plugins.Obstruction.blocks`."""
        axes, every_side = AxisLimits(self.mount, self.latitude_rad), sides(self.mount.kind)
        reached = np.stack([axes.reached(directions, side) for side in every_side])
        reached |= ~reached.any(axis=0)
        blocked = np.ones(len(directions), bool)
        for side, on_this_side in zip(every_side, reached, strict=True):
            undecided = np.flatnonzero(blocked & on_this_side)
            blocked[undecided] = ~self.cleared(directions[undecided], side)
        return blocked


def reach(site: Site, directions: Array, side: int) -> Bools:
    """Whether axis limits and dome both allow directions on a side of the pier.

    Parameters
    ----------
    site : Site
        Its mount, dome and latitude.
    directions : ndarray, shape (n, 3)
        Unit vectors, east-north-up.
    side : int
        1 (tube east of the pier, or a mount that does not flip) or -1 (west; `german` mounts only).

    Returns
    -------
    ndarray of bool, shape (n,)

    Raises
    ------
    InputError
        If the mount has no such side.
    """
    mount, latitude = site.mount, site.location.latitude_rad
    if side not in sides(mount.kind):
        allowed = " or ".join(str(each) for each in sides(mount.kind))
        raise InputError(f"side {side} is no side of a {mount.kind} mount; give {allowed}", key="side")
    reached = AxisLimits(mount, latitude).reached(directions, side)
    if site.dome is not None:
        where = np.flatnonzero(reached)
        reached[where] = DomeOpening(site.dome, mount, latitude).cleared(directions[where], side)
    return reached

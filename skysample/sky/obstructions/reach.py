"""Which directions the axes reach, and the dome lets through, on one side of the pier.

The mount is taken as perfectly aligned: a site's limits are not known to the arcminute.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.site.dome import dome_open
from skysample.site.mount_axes import ideal_axes, limits, mount_frame, sides, tube_origin, within_limits

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Dome, Mount, Site

__all__ = ["axes_reach", "dome_clears", "reach"]


def axes_reach(mount: Mount, latitude_rad: float, directions: Array, side: int) -> NDArray[np.bool_]:
    """Whether the axes' limits allow directions of shape (n, 3) on a side of the pier, shape (n,)."""
    axes = ideal_axes(mount_frame(mount.kind, latitude_rad), directions, side)
    return within_limits(axes, limits(mount))


def dome_clears(
    dome: Dome, mount: Mount, latitude_rad: float, directions: Array, side: int
) -> NDArray[np.bool_]:
    """Whether any dome azimuth clears the beam to directions of shape (n, 3) on that side, shape (n,)."""
    frame = mount_frame(mount.kind, latitude_rad)
    axes = ideal_axes(frame, directions, side)
    return dome_open(dome, directions, tube_origin(frame, axes, dome.pivot_m, dome.tube_offset_m))


def reach(site: Site, directions: Array, side: int) -> NDArray[np.bool_]:
    """Whether axis limits and dome both allow a side of the pier.

    Parameters
    ----------
    site : Site
        For the mount, the dome and the latitude.
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
    reached = axes_reach(mount, latitude, directions, side)
    if site.dome is not None:
        where = np.flatnonzero(reached)
        reached[where] = dome_clears(site.dome, mount, latitude, directions[where], side)
    return reached

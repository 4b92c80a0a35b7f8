"""What blocks parts of the sky: altitude, axes, dome and Sun, offered through the hook like any plugin's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.errors import InputError
from skysample.plugins.hookspecs import hookimpl
from skysample.sky.obstructions.horizon import AltitudeLimits, Horizon
from skysample.sky.obstructions.reach import AxisLimits, DomeOpening, reach
from skysample.sky.obstructions.sun import Sun

if TYPE_CHECKING:
    from skysample.plugins.contracts import Obstruction
    from skysample.site import Site

__all__ = ["AltitudeLimits", "AxisLimits", "DomeOpening", "Horizon", "Sun", "reach", "skysample_obstructions"]


@hookimpl
def skysample_obstructions(site: Site) -> list[Obstruction]:
    """Return the obstructions of every site, and the dome if there is one."""
    if isinstance(site.sky.horizon, str):
        raise InputError(
            f"sky.horizon names the file {site.sky.horizon!r}, which has not been read; use load_site",
            key="sky.horizon",
        )
    mount, latitude = site.mount, site.location.latitude_rad
    return [
        AltitudeLimits(site.sky.altitude_min_deg, site.sky.altitude_max_deg),
        Horizon(site.sky.horizon),
        AxisLimits(mount, latitude),
        *([] if site.dome is None else [DomeOpening(site.dome, mount, latitude)]),
        Sun(site),
    ]

"""What keeps parts of the sky from being used: one obstruction a file, offered as any plugin would."""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.errors import InputError
from skysample.plugins.hookspecs import hookimpl
from skysample.sky.obstructions.altitude_limits import AltitudeLimits
from skysample.sky.obstructions.axis_limits import AxisLimits
from skysample.sky.obstructions.dome_opening import DomeOpening
from skysample.sky.obstructions.horizon import Horizon
from skysample.sky.obstructions.reach import reach
from skysample.sky.obstructions.sun import Sun

if TYPE_CHECKING:
    from skysample.plugins.contracts import Obstruction
    from skysample.site import Site

__all__ = ["AltitudeLimits", "AxisLimits", "DomeOpening", "Horizon", "Sun", "reach", "skysample_obstructions"]


@hookimpl
def skysample_obstructions(site: Site) -> list[Obstruction]:
    """Return the obstructions that every site has, and the dome where there is one."""
    if isinstance(site.sky.horizon, str):
        raise InputError(
            f"sky.horizon names the file {site.sky.horizon!r}, which has not been read; use load_site",
            key="sky.horizon",
        )
    latitude = site.location.latitude_rad
    found: list[Obstruction] = [
        AltitudeLimits(site.sky.altitude_min_deg, site.sky.altitude_max_deg),
        Horizon(site.sky.horizon),
        AxisLimits(site.mount, latitude),
        Sun(site),
    ]
    if site.dome is not None:
        found.insert(3, DomeOpening(site.dome, site.mount, latitude))
    return found

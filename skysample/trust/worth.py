"""How far each input moves the axis that is found, were it wrong by a little: what no residual shows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import ARCSEC
from skysample.trust.mistakes.clock import shifted
from skysample.trust.mistakes.longitude import moved
from skysample.trust.weighing import weigh

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.runs.log import Log
    from skysample.site import Site
    from skysample.trust.weighing import Weighed


@dataclass(frozen=True, slots=True)
class Worth:
    """One input, wrong by so much, and by how much the axis found would then be wrong, arcminutes."""

    wrong: str
    arcmin: float

    def __str__(self) -> str:
        return f"{self.wrong} {self.arcmin:.2g}'"


def apart_arcmin(base: Weighed, aim_rad: Array) -> float:
    """Angle on the sky between the axis of a fit and another one of the same mount."""
    shrink = 1.0 if base.site.mount.kind == "altaz" else np.cos(base.site.location.latitude_rad)
    first, second = aim_rad - base.aim_rad
    return float(np.hypot(first, second * shrink)) / (60.0 * ARCSEC)


def worth(base: Weighed) -> tuple[Worth, ...]:
    """Refit with each input a little wrong.

    Parameters
    ----------
    base : Weighed
        The fit to the inputs as they stand.

    Returns
    -------
    tuple of Worth
        For one minute of clock, a tenth of a degree of latitude, a quarter of a degree of longitude, a tenth of the
        pressure, and a day.
    """
    location = base.site.location
    away = 0.1 if location.latitude_deg < 89.0 else -0.1
    inputs: dict[str, tuple[Log, Site]] = {
        "clock 1 min": (shifted(base.log, 1.0 / 60.0), base.site),
        "latitude 0.1 deg": (base.log, moved(base.site, latitude_deg=location.latitude_deg + away)),
        "longitude 0.25 deg": (base.log, moved(base.site, longitude_deg=location.longitude_deg + 0.25)),
        "pressure 10 %": (
            replace(base.log, pressure_hpa=0.9 * base.log.pressure_hpa),
            moved(base.site, pressure_hpa=0.9 * location.station_pressure_hpa),
        ),
        "date 1 day": (shifted(base.log, 24.0), base.site),
    }
    found = {name: weigh(log, site, start=base, smooth=False) for name, (log, site) in inputs.items()}
    return tuple(
        Worth(name, apart_arcmin(base, each.aim_rad)) for name, each in found.items() if each is not None
    )

"""The site file: location, horizon, mount, dome, camera and wedge."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

import msgspec
import numpy as np

from skysample.files.structs import typed
from skysample.geometry import direction
from skysample.site.reading import checked, read_tables

if TYPE_CHECKING:
    import os

__all__ = [
    "Axis",
    "Camera",
    "Dome",
    "Location",
    "Mount",
    "Site",
    "SkyLimits",
    "Wedge",
    "load_site",
    "site_from_dict",
]

Positive = Annotated[float, msgspec.Meta(gt=0.0, le=1e6)]
NotNegative = Annotated[float, msgspec.Meta(ge=0.0, le=1e6)]
Altitude = Annotated[float, msgspec.Meta(ge=-90.0, le=90.0)]
AxisAngle = Annotated[float, msgspec.Meta(ge=-720.0, le=720.0)]
Number = Annotated[float, msgspec.Meta(ge=-1e6, le=1e6)]
Pixels = Annotated[int, msgspec.Meta(ge=1, le=1000000)]
Pair = tuple[Number, Number]
HorizonPoint = tuple[Annotated[float, msgspec.Meta(ge=-360.0, le=360.0)], Altitude]


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of the site file: frozen, and unknown keys are errors."""


class Location(_Table, frozen=True):
    """Where the telescope stands, and the air above it."""

    latitude_deg: Altitude
    longitude_deg: Annotated[float, msgspec.Meta(ge=-360.0, le=360.0)]
    elevation_m: Annotated[float, msgspec.Meta(ge=-500.0, le=10000.0)] = 0.0
    temperature_c: Annotated[float, msgspec.Meta(ge=-90.0, le=60.0)] = 10.0
    pressure_hpa: Annotated[float, msgspec.Meta(ge=0.0, le=1200.0)] | None = None

    @property
    def latitude_rad(self) -> float:
        """Geodetic latitude, radians, north positive."""
        return math.radians(self.latitude_deg)

    @property
    def hemisphere(self) -> int:
        """+1 where the north celestial pole is up, -1 where the south one is."""
        return 1 if self.latitude_deg >= 0.0 else -1

    @property
    def station_pressure_hpa(self) -> float:
        """The pressure given, or that of the standard atmosphere at this elevation.

        Source: ISO 2533:1975 (the same figures as the U.S. Standard Atmosphere 1976), troposphere.
        """
        if self.pressure_hpa is not None:
            return self.pressure_hpa
        return 1013.25 * float((1.0 - 0.0065 * self.elevation_m / 288.15) ** 5.25588)


class SkyLimits(_Table, frozen=True):
    """The part of the sky that may be used."""

    altitude_min_deg: Altitude = 30.0
    altitude_max_deg: Altitude = 88.0
    sun_avoid_deg: Annotated[float, msgspec.Meta(ge=0.0, le=180.0)] = 30.0
    horizon: tuple[HorizonPoint, ...] | str = ()


class Axis(_Table, frozen=True):
    """One axis of the mount: speed, acceleration and mechanical limits."""

    rate_deg_s: Positive = 4.0
    accel_deg_s2: Positive = 4.0
    start_delay_s: NotNegative = 0.0
    min_deg: AxisAngle | None = None
    max_deg: AxisAngle | None = None


class Mount(_Table, frozen=True):
    """The mount: kind, axes and park position."""

    kind: Literal["fork", "german", "altaz"]
    settle_s: NotNegative = 2.0
    park: Pair | None = None
    primary: Axis = Axis()
    secondary: Axis = Axis()


class Dome(_Table, frozen=True):
    """The dome: sphere, slit, motion, and the beam that has to pass."""

    radius_m: Positive
    slit_width_m: Positive
    slit_low_deg: Annotated[float, msgspec.Meta(ge=-30.0, le=80.0)] = 0.0
    slit_past_zenith_deg: Annotated[float, msgspec.Meta(ge=-60.0, le=80.0)] = 0.0
    pivot_m: tuple[Number, Number, Number] = (0.0, 0.0, 0.0)
    tube_offset_m: Number = 0.0
    beam_m: Positive = 0.3
    rate_deg_s: Positive = 3.0
    accel_deg_s2: Positive = 2.0
    start_delay_s: NotNegative = 0.0
    head_start_s: NotNegative = 0.0
    park_deg: Annotated[float, msgspec.Meta(ge=-360.0, le=360.0)] = 0.0


class Camera(_Table, frozen=True):
    """Exposure time, overhead and detector."""

    exposure_s: NotNegative = 10.0
    overhead_s: NotNegative = 4.0
    pixel_arcsec: Positive | None = None
    size_px: tuple[Pixels, Pixels] | None = None
    mirrored: bool | None = None
    roll_deg: Annotated[float, msgspec.Meta(ge=-360.0, le=360.0)] | None = None


class Wedge(_Table, frozen=True):
    """The bolts and feet of the wedge, which convert an angle into turns."""

    altitude_arm_mm: Positive | None = None
    altitude_pitch_mm: Positive | None = None
    altitude_clockwise: Literal["raise", "lower"] | None = None
    azimuth_arm_mm: Positive | None = None
    azimuth_pitch_mm: Positive | None = None
    azimuth_clockwise: Literal["east", "west"] | None = None
    push_pull: bool = False
    hinge: Literal["on_azimuth", "ground"] = "on_azimuth"
    lean_east_deg: Annotated[float, msgspec.Meta(ge=-30.0, le=30.0)] = 0.0
    lean_north_deg: Annotated[float, msgspec.Meta(ge=-30.0, le=30.0)] = 0.0
    feet_az_deg: tuple[Annotated[float, msgspec.Meta(ge=-360.0, le=360.0)], ...] | None = None
    feet_radius_mm: Positive | None = None
    feet_pitch_mm: Positive | None = None
    feet_clockwise: Literal["raise", "lower"] | None = None


class Site(_Table, frozen=True):
    """A telescope at its site, as the site file describes it.

    Each attribute has the name of its key in the file, which gives the unit.
    """

    location: Location
    mount: Mount
    name: str = ""
    sky: SkyLimits = SkyLimits()
    dome: Dome | None = None
    camera: Camera = Camera()
    wedge: Wedge | None = None
    plugins: dict[str, dict[str, Any]] = {}

    @classmethod
    def from_dict(cls, content: dict[str, Any], *, file: str | None = None) -> Self:
        """Build a site from the tables of a site file.

        Parameters
        ----------
        content : dict
            As TOML gives it.
        file : str, optional
            Named in errors; a horizon file is looked up in its folder.

        Returns
        -------
        Site

        Raises
        ------
        InputError
            Names the key, and what to write instead.
        """
        return checked(typed(content, cls, file=file), file)

    @property
    def elevated_pole(self) -> np.ndarray[Any, np.dtype[np.float64]]:
        """Unit vector (east, north, up) of the celestial pole that is above the horizon."""
        return direction(abs(self.location.latitude_rad), 0.0 if self.location.hemisphere > 0 else np.pi)

    @property
    def sign_pole(self) -> np.ndarray[Any, np.dtype[np.float64]]:
        """The pole that pointing errors refer to: north celestial pole, or the zenith for `altaz`."""
        if self.mount.kind == "altaz":
            return np.array([0.0, 0.0, 1.0])
        return self.location.hemisphere * self.elevated_pole


def load_site(path: str | os.PathLike[str]) -> Site:
    """Read a site file (TOML).

    Parameters
    ----------
    path : path-like
        A horizon file named in it is looked up in the same folder.

    Returns
    -------
    Site

    Raises
    ------
    InputError
        Names the key, and what to write instead.
    """
    name, content = read_tables(path)
    return Site.from_dict(content, file=name)


site_from_dict = Site.from_dict
"""The earlier name of `Site.from_dict`."""

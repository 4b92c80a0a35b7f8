"""Read a site file, and refuse what contradicts itself."""

from __future__ import annotations

import math
import os
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import msgspec
import numpy as np

from skysample.errors import InputError
from skysample.files.whole_files import declared_format, read_text
from skysample.site.mount_axes import limits, within_limits

if TYPE_CHECKING:
    from skysample.site import Dome, HorizonPoint, Mount, Site, Wedge

    AnySite = TypeVar("AnySite", bound=Site)

__all__ = ["check_mount", "checked", "read_tables"]

_LEAST_ARM = 5.0
"""Pitches: a shorter arm would take the axis by more than 11 degrees in a turn."""


def read_tables(path: str | os.PathLike[str]) -> tuple[str, dict[str, Any]]:
    """Return the name of a site file and its tables, as TOML gives them."""
    name = os.fspath(path)
    text = read_text(path)
    try:
        return name, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        if (other := declared_format(text)) is not None:
            raise InputError(f"is a {other} file, not a site file; name the site's", file=name) from None
        raise InputError(f"is not valid TOML ({error}); correct it", file=name) from None
    except RecursionError:
        raise InputError("is not valid TOML (nested too deeply); correct it", file=name) from None
    except ValueError:
        raise InputError("holds a number of thousands of digits; correct it", file=name) from None


def checked(site: AnySite, file: str | None) -> AnySite:
    """Return a site that agrees with itself, a horizon that it names read from its file."""
    _check_consistency(site, file)
    horizon = site.sky.horizon
    if isinstance(horizon, str):
        horizon = _read_horizon(horizon, file)
    else:
        _refuse_repeats(horizon, file)
    return msgspec.structs.replace(site, sky=msgspec.structs.replace(site.sky, horizon=horizon))


def _check_consistency(site: Site, file: str | None) -> None:
    def refuse(key: str, message: str) -> None:
        raise InputError(f"{key}: {message}", file=file, key=key)

    if site.sky.altitude_min_deg >= site.sky.altitude_max_deg:
        refuse(
            "sky.altitude_min_deg",
            f"{site.sky.altitude_min_deg:g} is not below altitude_max_deg {site.sky.altitude_max_deg:g};"
            f" swap or correct them",
        )
    check_mount(site.mount, file)
    if site.dome is not None:
        _check_dome(site.dome, refuse)
        if site.dome.head_start_s > site.camera.overhead_s:
            refuse(
                "dome.head_start_s",
                f"{site.dome.head_start_s:g} is longer than camera.overhead_s {site.camera.overhead_s:g}: the dome"
                f" would turn during the exposure; correct one of them",
            )
    if site.wedge is not None:
        _check_bolts(site.wedge, refuse)


def check_mount(mount: Mount, file: str | None = None) -> None:
    """Refuse a mount whose limits contradict each other, or that is parked outside them: an InputError."""

    def refuse(key: str, message: str) -> None:
        raise InputError(f"mount.{key}: {message}", file=file, key=f"mount.{key}")

    for name, axis in (("primary", mount.primary), ("secondary", mount.secondary)):
        if (axis.min_deg is None) != (axis.max_deg is None):
            refuse(name, "give both min_deg and max_deg, or neither")
        if axis.min_deg is not None and axis.max_deg is not None and axis.min_deg >= axis.max_deg:
            refuse(
                f"{name}.min_deg",
                f"{axis.min_deg:g} is not below max_deg {axis.max_deg:g}; swap or correct them",
            )
    if mount.park is not None and not within_limits(np.radians(mount.park), limits(mount)):
        refuse("park", f"{list(mount.park)} is outside the axes' limits; correct one of them")


def _check_bolts(wedge: Wedge, refuse: Any) -> None:
    for bolt in ("altitude", "azimuth"):
        parts = {
            f"{bolt}_{part}": getattr(wedge, f"{bolt}_{part}") for part in ("arm_mm", "pitch_mm", "clockwise")
        }
        missing = [key for key, value in parts.items() if value is None]
        if missing and len(missing) < len(parts):
            refuse(
                f"wedge.{missing[0]}",
                f"not given; turns of the {bolt} bolt need {', '.join(parts)} together",
            )
        arm, pitch = parts[f"{bolt}_arm_mm"], parts[f"{bolt}_pitch_mm"]
        if arm is not None and pitch is not None and arm < _LEAST_ARM * pitch:
            refuse(
                f"wedge.{bolt}_arm_mm",
                f"{arm:g} is short for a bolt that travels {pitch:g} mm a turn, and many times that is usual;"
                " is it in metres? Write millimetres",
            )
    _check_feet(wedge, refuse)


def _check_feet(wedge: Wedge, refuse: Any) -> None:
    together = (("feet_az_deg", "feet_radius_mm"), ("feet_pitch_mm", "feet_clockwise"))
    for pair in together:
        missing = [key for key in pair if getattr(wedge, key) is None]
        if len(missing) == 1:
            refuse(f"wedge.{missing[0]}", f"not given; the feet need {' and '.join(pair)} together")
    if wedge.feet_az_deg is None:
        if wedge.feet_pitch_mm is not None:
            refuse("wedge.feet_az_deg", "not given; say where the feet stand, or leave feet_pitch_mm out")
        return
    if len({az % 360.0 for az in wedge.feet_az_deg}) < max(3, len(wedge.feet_az_deg)):
        refuse(
            "wedge.feet_az_deg",
            f"{list(wedge.feet_az_deg)} are not three or more different azimuths; correct them",
        )


def _check_dome(dome: Dome, refuse: Any) -> None:
    if dome.slit_width_m > 2.0 * dome.radius_m:
        refuse(
            "dome.slit_width_m",
            f"{dome.slit_width_m:g} is wider than the dome itself ({2.0 * dome.radius_m:g}); correct one of them",
        )
    if dome.beam_m >= dome.slit_width_m:
        refuse(
            "dome.beam_m",
            f"{dome.beam_m:g} does not fit through the slit ({dome.slit_width_m:g}); correct one of them",
        )
    reach = math.hypot(*dome.pivot_m) + abs(dome.tube_offset_m) + dome.beam_m / 2.0
    if reach >= dome.radius_m:
        refuse(
            "dome.pivot_m",
            f"the beam starts up to {reach:g} m from the centre, outside the dome (radius_m {dome.radius_m:g});"
            " correct one of them",
        )
    if dome.slit_low_deg >= 90.0 + dome.slit_past_zenith_deg:
        refuse(
            "dome.slit_low_deg",
            f"{dome.slit_low_deg:g} is not below the slit's upper end, 90 + slit_past_zenith_deg ="
            f" {90.0 + dome.slit_past_zenith_deg:g}; correct one of them",
        )


def _read_horizon(name: str, file: str | None) -> tuple[HorizonPoint, ...]:
    from skysample.files.columns import Columns
    from skysample.files.tables import as_float, read_table

    path = Path(name) if file is None else Path(file).parent / name
    if not name.strip():
        raise InputError("sky.horizon: name a file, or leave it out", file=file, key="sky.horizon")
    place = os.fspath(path)
    table = read_table(path)
    names = list(table.colnames)
    if len(names) != 2:
        raise InputError(
            f"has {len(names)} columns; a horizon has two, azimuth and altitude in degrees", file=place
        )
    try:
        as_float(names[0])
    except ValueError:
        pass
    else:
        raise InputError(
            "its first line holds numbers; put a line of column names above it: azimuth_deg,altitude_deg",
            file=place,
        )
    if names[0].lower().startswith("alt") and names[1].lower().startswith("az"):
        names.reverse()
    columns = Columns(table, np.arange(len(table)), place)
    azimuth, altitude = (
        columns.floats(column, -reach, reach, unit="deg")
        for column, reach in zip(names, (360.0, 90.0), strict=True)
    )
    for values, column in ((azimuth, names[0]), (altitude, names[1])):
        if np.isnan(values).any():
            raise columns.refuse(column, int(np.argmax(np.isnan(values))), "is empty; write a number")
    if len(table) == 0:
        raise InputError("has no rows; write the horizon, or leave sky.horizon out", file=place)
    points = tuple(zip(azimuth.tolist(), altitude.tolist(), strict=True))
    _refuse_repeats(points, place)
    return points


def _refuse_repeats(points: tuple[HorizonPoint, ...], file: str | None) -> None:
    seen: set[float] = set()
    for azimuth, _ in points:
        if azimuth % 360.0 in seen:
            raise InputError(
                f"sky.horizon: azimuth {azimuth:g} is given twice; keep one", file=file, key="sky.horizon"
            )
        seen.add(azimuth % 360.0)

"""Read a site file, and refuse one that contradicts itself."""

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
    from collections.abc import Iterator

    from skysample.site import Dome, HorizonPoint, Mount, Site, Wedge

    AnySite = TypeVar("AnySite", bound=Site)

_LEAST_ARM = 5.0
"""Shortest arm, in pitches: with a shorter one a turn would move the axis by more than 11 degrees."""


def read_tables(path: str | os.PathLike[str]) -> tuple[str, dict[str, Any]]:
    """Return the name of a site file and its tables, as TOML gives them."""
    name = os.fspath(path)
    text = read_text(path)
    try:
        return name, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        if (other := declared_format(text)) is not None:
            raise InputError(
                f"is a {other} file, not a site file; give the site file, as in --site site.toml", file=name
            ) from None
        fault = f"is not valid TOML ({error})"
    except RecursionError:
        fault = "is not valid TOML (nested too deeply)"
    except ValueError:
        fault = "holds a number of thousands of digits"
    raise InputError(f"{fault}; correct it", file=name)


def checked(site: AnySite, file: str | None) -> AnySite:
    """Return a site that is consistent, with its horizon read if it names a file."""
    for key, message in _contradictions(site):
        raise InputError(f"{key}: {message}", file=file, key=key)
    horizon = site.sky.horizon
    if isinstance(horizon, str):
        horizon = _read_horizon(horizon, file)
    else:
        _refuse_repeats(horizon, file)
    return msgspec.structs.replace(site, sky=msgspec.structs.replace(site.sky, horizon=horizon))


def _contradictions(site: Site) -> Iterator[tuple[str, str]]:
    """Keys that contradict others, with what is wrong and what to do."""
    low, high = site.sky.altitude_min_deg, site.sky.altitude_max_deg
    if low >= high:
        yield "sky.altitude_min_deg", f"{low:g} is not below altitude_max_deg {high:g}; swap or correct them"
    yield from _mount_contradictions(site.mount)
    if site.dome is not None:
        yield from _dome_contradictions(site.dome)
        head_start, overhead = site.dome.head_start_s, site.camera.overhead_s
        if head_start > overhead:
            why = "the dome would turn during the exposure; correct one of them"
            yield "dome.head_start_s", f"{head_start:g} is longer than camera.overhead_s {overhead:g}: {why}"
    if site.wedge is not None:
        yield from _wedge_contradictions(site.wedge)


def check_mount(mount: Mount, file: str | None = None) -> None:
    """Refuse a mount whose limits contradict each other, or that is parked outside them: an InputError."""
    for key, message in _mount_contradictions(mount):
        raise InputError(f"{key}: {message}", file=file, key=key)


def _mount_contradictions(mount: Mount) -> Iterator[tuple[str, str]]:
    for name, axis in (("primary", mount.primary), ("secondary", mount.secondary)):
        low, high = axis.min_deg, axis.max_deg
        if (low is None) != (high is None):
            yield f"mount.{name}", "give both min_deg and max_deg, or neither"
        if low is not None and high is not None and low >= high:
            yield f"mount.{name}.min_deg", f"{low:g} is not below max_deg {high:g}; swap or correct them"
    if mount.park is not None and not within_limits(np.radians(mount.park), limits(mount)):
        yield "mount.park", f"{list(mount.park)} is outside the axes' limits; correct one of them"


def _wedge_contradictions(wedge: Wedge) -> Iterator[tuple[str, str]]:
    for bolt in ("altitude", "azimuth"):
        keys = [f"{bolt}_{part}" for part in ("arm_mm", "pitch_mm", "clockwise")]
        arm, pitch, _ = values = [getattr(wedge, key) for key in keys]
        if None in values and any(value is not None for value in values):
            missing = keys[values.index(None)]
            yield f"wedge.{missing}", f"not given; turns of the {bolt} bolt need {', '.join(keys)} together"
        if arm is not None and pitch is not None and arm < _LEAST_ARM * pitch:
            travel = f"a bolt that travels {pitch:g} mm per turn"
            yield (
                f"wedge.{bolt}_arm_mm",
                f"{arm:g} is too short for {travel}; is it in metres? Write millimetres",
            )
    for pair in (("feet_az_deg", "feet_radius_mm"), ("feet_pitch_mm", "feet_clockwise")):
        missing_keys = [key for key in pair if getattr(wedge, key) is None]
        if len(missing_keys) == 1:
            yield f"wedge.{missing_keys[0]}", f"not given; the feet need {' and '.join(pair)} together"
    azimuths = wedge.feet_az_deg
    if azimuths is None:
        if wedge.feet_pitch_mm is not None:
            yield "wedge.feet_az_deg", "not given; give the azimuths of the feet, or leave feet_pitch_mm out"
    elif len({az % 360.0 for az in azimuths}) < max(3, len(azimuths)):
        message = f"{list(azimuths)} are not three or more different azimuths; correct them"
        yield "wedge.feet_az_deg", message


def _dome_contradictions(dome: Dome) -> Iterator[tuple[str, str]]:
    width, diameter = dome.slit_width_m, 2.0 * dome.radius_m
    if width > diameter:
        yield (
            "dome.slit_width_m",
            f"{width:g} is wider than the dome itself ({diameter:g}); correct one of them",
        )
    if dome.beam_m >= width:
        yield "dome.beam_m", f"{dome.beam_m:g} does not fit through the slit ({width:g}); correct one of them"
    reach = math.hypot(*dome.pivot_m) + abs(dome.tube_offset_m) + dome.beam_m / 2.0
    if reach >= dome.radius_m:
        outside = f"outside the dome (radius_m {dome.radius_m:g}); correct one of them"
        yield "dome.pivot_m", f"the beam starts up to {reach:g} m from the centre, {outside}"
    upper = 90.0 + dome.slit_past_zenith_deg
    if dome.slit_low_deg >= upper:
        end = f"the slit's upper end, 90 + slit_past_zenith_deg = {upper:g}"
        yield "dome.slit_low_deg", f"{dome.slit_low_deg:g} is not below {end}; correct one of them"


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
        message = f"has {len(names)} columns; a horizon has two, azimuth and altitude in degrees"
        raise InputError(message, file=place)
    try:
        as_float(names[0])
    except ValueError:
        pass
    else:
        message = (
            "its first line holds numbers; put a line of column names above it: azimuth_deg,altitude_deg"
        )
        raise InputError(message, file=place)
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

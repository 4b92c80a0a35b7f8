"""Read the fields of a run from a table, whatever software wrote it."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError
from skysample.files.columns import Columns
from skysample.files.tables import FileTable, read_table
from skysample.files.whole_files import check_format
from skysample.runs.log import Log
from skysample.site.mount_axes import SIDE_NAMES, side_numbers, sides, tube_side

if TYPE_CHECKING:
    import os
    from collections.abc import Mapping

    from astropy.table import Table
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Site

RUN_FORMAT = "skysample-run"
RUN_VERSION = 1

_LOWEST_DEG = -0.5
"""Nothing is exposed below this altitude: a place there means a wrong location or clock."""

DECLARATIONS = {
    "axes": ("raw", "corrected", "unknown"),
    "old_model": ("off", "on", "unknown"),
    "target_refraction": ("true", "false"),
    "session": (),
}


def read_run_table(path: str | os.PathLike[str]) -> FileTable:
    """Read the table of a run file, declared or not."""
    text = ("time", "frame", "pier", "status", "use", "mirrored")
    return read_table(path, text=text, expected=RUN_FORMAT, version=RUN_VERSION, undeclared=True)


def fields_of_table(
    table: Table, site: Site, assume: Mapping[str, str], source: str | None, *, any_place: bool = False
) -> dict[str, Any]:
    """Read every field of `skysample.runs.Run` except site and source.

    Parameters
    ----------
    table : astropy.table.Table or QTable
        With the columns of a run file.
    site : Site
        Location, air and kind of mount.
    assume : mapping
        Overrides the table's metadata.
    source : str or None
        Named in errors.
    any_place : bool
        Whether solved places may lie below the horizon.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        Names the row and the column.
    """
    if table.meta.get("format") is not None:
        check_format(table.meta, RUN_FORMAT, RUN_VERSION, source or "the table")
    declared = _declarations(table.meta, assume, source)
    columns = Columns(table, np.arange(len(table)), source)
    _require(columns, "time", "solved_ra_deg", "solved_dec_deg")
    solved = _solved(columns)
    failed = int(np.count_nonzero(~solved))
    columns = columns.only(solved)
    use = columns.booleans("use", empty=True)
    if not use.any():
        found = f"no row can be used ({len(table)} rows, {failed} failed)"
        raise InputError(f"{found}; it needs a row with a solution", file=source)
    time = columns.times("time")
    ra_dec = np.radians(_ra_dec(columns, "solved"))
    _refuse_repeats(columns, time, ra_dec)
    temperature = columns.floats("temperature_c", -90.0, 60.0, unit="deg_C")
    pressure = columns.floats("pressure_hpa", 0.0, 1200.0, unit="hPa")
    kind = site.mount.kind
    from_targets = not _has_readings(columns)
    if from_targets:
        mount = np.radians(_ra_dec(columns, "target"))
        side = _piers(columns, required=True) if len(sides(kind)) > 1 else np.ones(len(time), np.int64)
    else:
        mount = _readings(columns)
        side = _sides_of_readings(columns, mount, kind)
    piers = _piers(columns, required=False) if len(sides(kind)) == 1 else side
    log = Log(
        time=time,
        solved_rad=ra_dec,
        mount_rad=mount,
        from_targets=from_targets,
        target_refraction=declared["target_refraction"] != "false",
        side=piers,
        temperature_c=temperature,
        pressure_hpa=pressure,
        dome_rad=np.radians(columns.floats("dome_az_deg", -360.0, 360.0, unit="deg")),
    )
    directions = log.directions(site)
    if not any_place:
        _refuse_below_the_horizon(columns, directions, use)
    return {
        "axes": log.axes(site),
        "directions": directions,
        "time": time,
        "side": side,
        "use": use,
        "rows": columns.rows,
        "point": columns.integers("point", empty=-1),
        "frames": tuple(text or None for text in columns.texts("frame")),
        "sigma_arcsec": _sigma(columns),
        "temperature_c": temperature,
        "pressure_hpa": pressure,
        "roll_rad": np.radians(columns.floats("solved_roll_deg", -360.0, 360.0, unit="deg")),
        "solved_rad": ra_dec,
        "mirrored": _parity(columns),
        "axes_kind": declared["axes"] or "unknown",
        "old_model": declared["old_model"] or "unknown",
        "session": declared["session"],
        "failed": failed,
        "meta": dict(table.meta),
        "log": log,
    }


def _refuse_below_the_horizon(columns: Columns, directions: Array, use: NDArray[np.bool_]) -> None:
    """Refuse a run with more than one used place, and more than one in ten of them, below the horizon."""
    below = np.flatnonzero(use & (directions[:, 2] < np.sin(np.radians(_LOWEST_DEG))))
    used = np.count_nonzero(use)
    if len(below) < 2 or len(below) <= 0.1 * used:
        return
    altitude = float(np.degrees(np.arcsin(directions[below[0], 2])))
    raise columns.refuse(
        "solved_ra_deg",
        int(below[0]),
        f"puts the solved place {-altitude:.1f} deg below the horizon, as in {len(below)} rows of {used}; check the"
        " signs of latitude and longitude in the site file, and that the times are UTC",
    )


def _declarations(meta: Mapping[str, Any], assume: Mapping[str, str], source: str | None) -> dict[str, Any]:
    for key in assume:
        if key not in DECLARATIONS:
            raise InputError(f"{key!r} cannot be assumed; use {', '.join(DECLARATIONS)}", key=key)
    declared: dict[str, Any] = {}
    for key, allowed in DECLARATIONS.items():
        value = assume.get(key, meta.get(key))
        # YAML reads a bare on or off as a truth value.
        if isinstance(value, bool):
            value = ("on" if value else "off") if key == "old_model" else str(value)
        word = None if value is None else str(value).strip()
        if word is not None and allowed and word.lower() not in allowed:
            file = None if key in assume else source
            raise InputError(f"{key} is {word!r:.60}; write {' or '.join(allowed)}", file=file, key=key)
        declared[key] = (word.lower() if allowed else word) if word else None
    return declared


def _require(columns: Columns, *names: str) -> None:
    there = columns.table.colnames
    for name in names:
        if name not in there:
            near = difflib.get_close_matches(name, there, n=1, cutoff=0.75)
            advice = f"is {near[0]} meant?" if near else f"its columns are {', '.join(there)}"
            raise InputError(f"has no column {name}; {advice:.300}", file=columns.file, key=name)


def _solved(columns: Columns) -> NDArray[np.bool_]:
    """Which rows have a solution: not marked as failed, and with both coordinates."""
    status = columns.choices("status", ("ok", "failed"))
    ra, dec = columns.present("solved_ra_deg"), columns.present("solved_dec_deg")
    for place, word in enumerate(status):
        if word != "failed" and (ra[place] != dec[place] or (word == "ok" and not ra[place])):
            name = "solved_dec_deg" if ra[place] else "solved_ra_deg"
            raise columns.refuse(name, place, "is empty; give it, or mark the row as failed")
    return np.array([word != "failed" for word in status], dtype=bool) & ra & dec


def _ra_dec(columns: Columns, what: str) -> Array:
    """Right ascension and declination, degrees, shape (n, 2)."""
    _require(columns, f"{what}_ra_deg", f"{what}_dec_deg")
    ra = columns.floats(f"{what}_ra_deg", -180.0, 360.0, unit="deg", required=True)
    dec = columns.floats(f"{what}_dec_deg", -90.0, 90.0, unit="deg", required=True)
    return np.stack([ra, dec], axis=-1)


def _refuse_repeats(columns: Columns, time: Time, ra_dec: Array) -> None:
    seen: dict[tuple[float, ...], int] = {}
    ra, dec = ra_dec.T
    for place, key in enumerate(zip(time.jd1, time.jd2, ra % (2.0 * np.pi), dec, strict=True)):
        first = seen.setdefault(tuple(map(float, key)), place)
        if first != place:
            row = columns.rows[first]
            raise columns.refuse(
                "time", place, f"and solved place repeat those of row {row}; keep one of the two"
            )


def _sigma(columns: Columns) -> Array | None:
    if not columns.has_values("sigma_arcsec"):
        return None
    return columns.floats("sigma_arcsec", 1e-6, 1e5, unit="arcsec", required=True)


def _parity(columns: Columns) -> bool | None:
    """Whether the images are mirrored; None if no row gives it, or rows differ."""
    parity = columns.booleans("mirrored", empty=False)[columns.present("mirrored")]
    return bool(parity[0]) if parity.size and (parity == parity[0]).all() else None


def _has_readings(columns: Columns) -> bool:
    """Whether the run has axis readings, which take precedence over targets."""
    if columns.has_values("primary_deg") or columns.has_values("secondary_deg"):
        _require(columns, "primary_deg", "secondary_deg")
        return True
    if not (columns.has_values("target_ra_deg") or columns.has_values("target_dec_deg")):
        raise InputError(
            "has neither readings of the axes (primary_deg, secondary_deg) nor targets (target_ra_deg, target_dec_deg);"
            " give one or the other",
            file=columns.file,
            key="primary_deg",
        )
    return False


def _piers(columns: Columns, *, required: bool) -> NDArray[np.int64]:
    """Side of the pier in each row: 1 east, -1 west, 0 if empty."""
    words = columns.choices("pier", tuple(SIDE_NAMES.values()))
    if required and "" in words:
        raise columns.refuse(
            "pier", words.index(""), "is missing; a german mount needs the side of the pier: east or west"
        )
    return side_numbers(words)


def _readings(columns: Columns) -> Array:
    """Axis readings as they are written, radians, shape (n, 2)."""
    primary = columns.floats("primary_deg", -720.0, 720.0, unit="deg", required=True)
    secondary = columns.floats("secondary_deg", -360.0, 360.0, unit="deg", required=True)
    return np.radians(np.stack([primary, secondary], axis=-1))


def _sides_of_readings(columns: Columns, readings: Array, kind: str) -> NDArray[np.int64]:
    """Side of the pier in each row: from the pier column of sky-like readings, from mechanical ones themselves."""
    if len(sides(kind)) == 1:
        return np.ones(len(readings), np.int64)
    read_side = tube_side(readings)
    if (read_side > 0).all():
        return _piers(columns, required=True)
    # One reading beyond 90 degrees shows that all are mechanical; then each gives its own side.
    piers = _piers(columns, required=False)
    for place in np.flatnonzero((piers != 0) & (piers != read_side)):
        raise columns.refuse(
            "pier",
            int(place),
            f"is {SIDE_NAMES[int(piers[place])]}, but the mechanical reading of the secondary means"
            f" {SIDE_NAMES[int(read_side[place])]} (beyond +-90 degrees is west); correct one of them",
        )
    return read_side

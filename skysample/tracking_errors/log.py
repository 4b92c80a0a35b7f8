"""A log of how well a mount tracks: time, and guide or encoder error, read from a table."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError
from skysample.files.columns import Columns

if TYPE_CHECKING:
    from collections.abc import Mapping

    from astropy.table import QTable, Table
    from astropy.time import Time

    from skysample.geometry import Array

__all__ = ["FEWEST_ROWS", "TrackingLog", "read_tracking_log"]

LOG_FORMAT = "skysample-tracking"
"""A log may declare it."""

FEWEST_ROWS = 20
"""With fewer, neither a drift nor a period can be distinguished from noise."""

_ERRORS = {
    "sky": ("east_error_arcsec", "north_error_arcsec"),
    "axes": ("primary_error_arcsec", "secondary_error_arcsec"),
}
_LARGEST_ARCSEC = 36000.0

_DECLARATIONS = {
    "source": ("guide", "encoder"),
    "error_of": ("tube", "star"),
    "corrections": ("none", "model", "guider", "unknown"),
    "pier": ("east", "west"),
}
_NUMBERS = {"target_ra_deg": (-180.0, 360.0), "target_dec_deg": (-90.0, 90.0)}


@dataclass(frozen=True)
class TrackingLog:
    """Errors of tracking one star.

    Attributes
    ----------
    seconds : ndarray, shape (n,)
        Since the first row used, ascending.
    start : Time or None
        Moment of that row; None where the log counts seconds only.
    names : tuple of str
        The components, "east" and "north", or "primary" and "secondary"; one of a pair may be missing.
    errors_arcsec : ndarray, shape (n, k)
        Where the tube points less where it should, k components: on the sky for east and north, as angles of the axes
        for primary and secondary.
    source : {"guide", "encoder"}
        What saw the error: a star, or the axes' own encoders.
    corrections : {"none", "model", "guider", "unknown"}
        What steered the mount beside its sidereal rate.
    target_deg : tuple of float or None
        ICRS place of the star.
    pier : str
        Side of the pier that the tube was on; empty where it is not said.
    lost : int
        Rows without an error: the star was lost.
    file : str or None
        Named in errors.
    """

    seconds: Array
    start: Time | None
    names: tuple[str, ...]
    errors_arcsec: Array
    source: str
    corrections: str
    target_deg: tuple[float, float] | None
    pier: str
    lost: int
    file: str | None = None

    def __post_init__(self) -> None:
        self.seconds.setflags(write=False)
        self.errors_arcsec.setflags(write=False)

    def __len__(self) -> int:
        return len(self.seconds)

    @property
    def span_s(self) -> float:
        """From the first row to the last, seconds."""
        return float(self.seconds[-1])

    @property
    def table(self) -> QTable:
        """One row an error: elapsed time, and the error of each component."""
        from astropy import units as u
        from astropy.table import QTable

        errors = dict(zip(self.names, self.errors_arcsec.T * u.arcsec, strict=True))
        return QTable({"elapsed": self.seconds * u.s, **errors})

    def summary(self) -> str:
        """Rows, time span, components and RMS error of each, as logged."""
        rms = np.std(self.errors_arcsec, axis=0)
        errors = ", ".join(f'{name} {each:.3f}"' for name, each in zip(self.names, rms, strict=True))
        lost = f", {self.lost} without an error" if self.lost else ""
        return f"{len(self)} rows over {self.span_s / 60.0:.1f} min{lost}; RMS as logged: {errors}."

    @classmethod
    def from_table(
        cls, table: Table, *, assume: Mapping[str, str] | None = None, file: str | None = None
    ) -> TrackingLog:
        """Read a log from a table in memory.

        Parameters
        ----------
        table : astropy.table.Table or QTable
            `time` (ISO 8601 text or `Time`, UTC) or `elapsed_s`; and `east_error_arcsec`, `north_error_arcsec`, or
            `primary_error_arcsec`, `secondary_error_arcsec`, of which one may be missing.
        assume : mapping, optional
            What the table's metadata does not say: `source`, `error_of`, `corrections`, `target_ra_deg`,
            `target_dec_deg`, `pier`.
        file : str, optional
            Named in errors.

        Returns
        -------
        TrackingLog

        Raises
        ------
        InputError
            Names the row and the column.
        """
        declared = _declared(table.meta, dict(assume or {}), file)
        columns = Columns(table, np.arange(len(table)), file)
        frame, chosen = _components(columns)
        errors = (
            np.stack(
                [columns.floats(name, -_LARGEST_ARCSEC, _LARGEST_ARCSEC, unit="arcsec") for name in chosen],
                axis=1,
            )
            if len(table)
            else np.zeros((0, len(chosen)))
        )
        there = np.asarray(np.isfinite(errors).all(axis=1), bool)
        if np.count_nonzero(there) < FEWEST_ROWS:
            raise InputError(
                f"has {np.count_nonzero(there)} rows with an error; drift and periods need at least {FEWEST_ROWS}",
                file=file,
            )
        seconds, start = _moments(columns.only(there))
        sign = -1.0 if declared["error_of"] == "star" else 1.0
        return cls(
            seconds=seconds,
            start=start,
            names=tuple(name.removesuffix("_error_arcsec") for name in chosen),
            errors_arcsec=sign * errors[there],
            source=declared["source"] or ("guide" if frame == "sky" else "encoder"),
            corrections=declared["corrections"] or "unknown",
            target_deg=declared["target"],
            pier=declared["pier"] or "",
            lost=int(np.count_nonzero(~there)),
            file=file,
        )


def read_tracking_log(
    path: str | os.PathLike[str], *, assume: Mapping[str, str] | None = None
) -> TrackingLog:
    """Read a tracking log (ECSV or CSV).

    Parameters
    ----------
    path : path-like
    assume : mapping, optional
        What the file does not declare itself; see `TrackingLog.from_table`.

    Returns
    -------
    TrackingLog

    Raises
    ------
    InputError
        Names the file, the row and the column.
    """
    from skysample.files.tables import read_table

    table = read_table(path, text=("time",))
    declared = str(table.meta.get("format", ""))
    if declared.startswith("skysample-") and declared != LOG_FORMAT:
        raise InputError(f"is a {declared} file, not a tracking log; give the log", file=os.fspath(path))
    return TrackingLog.from_table(table, assume=assume, file=os.fspath(path))


def _declared(meta: Mapping[str, Any], assume: Mapping[str, str], file: str | None) -> dict[str, Any]:
    for key in assume:
        if key not in {**_DECLARATIONS, **_NUMBERS}:
            known = ", ".join([*_DECLARATIONS, *_NUMBERS])
            raise InputError(f"{key!r} cannot be assumed; known are {known}", key=key)
    declared: dict[str, Any] = {}
    for key, allowed in _DECLARATIONS.items():
        value = assume.get(key, meta.get(key))
        word = None if value is None else str(value).strip().lower()
        if word and word not in allowed:
            where = None if key in assume else file
            raise InputError(f"{key} is {word!r:.60}; write {' or '.join(allowed)}", file=where, key=key)
        declared[key] = word or None
    numbers = [
        _number(key, assume.get(key, meta.get(key)), None if key in assume else file) for key in _NUMBERS
    ]
    if (numbers[0] is None) != (numbers[1] is None):
        raise InputError(
            "give both target_ra_deg and target_dec_deg, or neither", file=file, key="target_ra_deg"
        )
    declared["target"] = None if numbers[0] is None else tuple(numbers)
    return declared


def _number(key: str, value: Any, file: str | None) -> float | None:
    from skysample.files.tables import as_float

    if value is None:
        return None
    low, high = _NUMBERS[key]
    try:
        number = as_float(str(value).strip())
    except ValueError:
        number = np.nan
    if not low <= number <= high:
        raise InputError(
            f"{key} is {str(value)!r:.60}; write degrees, {low:g} to {high:g}", file=file, key=key
        )
    return number


def _components(columns: Columns) -> tuple[str, list[str]]:
    """Which pair of columns the log has, and those of it that are there."""
    found = {
        frame: [name for name in names if name in columns.table.colnames] for frame, names in _ERRORS.items()
    }
    given = [frame for frame, names in found.items() if names]
    if len(given) != 1:
        pairs = " or ".join(" and ".join(names) for names in _ERRORS.values())
        what = "has errors both on the sky and of the axes" if given else "has no column of errors"
        raise InputError(f"{what}; write {pairs}", file=columns.file, key=_ERRORS["sky"][0])
    return given[0], found[given[0]]


def _moments(columns: Columns) -> tuple[Array, Time | None]:
    """Seconds since the first row, and its moment."""
    names = columns.table.colnames
    if ("time" in names) == ("elapsed_s" in names):
        raise InputError(
            "needs one of the columns time (ISO 8601, UTC) and elapsed_s (seconds)",
            file=columns.file,
            key="time",
        )
    if "time" in names:
        time = columns.times("time")
        start, key = time[0], "time"
        seconds = (time.jd1 - start.jd1) * 86400.0 + (time.jd2 - start.jd2) * 86400.0
    else:
        start, key = None, "elapsed_s"
        seconds = columns.floats("elapsed_s", -1e9, 1e9, unit="s", required=True)
        seconds = seconds - seconds[0]
    late = np.diff(seconds) <= 0.0
    if late.any():
        raise columns.refuse(
            key,
            int(np.argmax(late)) + 1,
            "is not after the row before it; sort the rows and keep one of each moment",
        )
    return seconds, start

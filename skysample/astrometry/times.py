"""Convert ISO 8601 text and the time scales of FITS headers to UTC, and UTC to text.

The calendar is ERFA's, through its ufuncs: they return a status and do not warn about dates past its table of leap
seconds. Every `Time` made here holds two-part Julian dates.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from astropy.time import Time
    from numpy.typing import ArrayLike

SCALES = ("utc", "tai", "tt", "tdb", "tcg", "tcb", "ut1")
"""Time scales that can be read, by astropy's names."""

_FIRST_YEAR, _LAST_YEAR = 1972, 2199
"""UTC in its present form starts in 1972; a year outside this range is a typing error."""

_DATE_TIME = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d):(\d\d)(?::(\d\d(?:\.\d{1,9})?))?\s*([Zz]|[+-]\d\d:?\d\d)?", re.ASCII
)
_ADVICE = "write it like 2030-01-31T21:04:05.678 (UTC), or with Z or an offset such as +01:00"


def parse_utc(text: str, *, file: str | None = None, row: int | None = None, key: str | None = None) -> Time:
    """Read an ISO 8601 date-time.

    Parameters
    ----------
    text : str
        Date and time of day, separated by T or a blank, with up to nine decimals; Z or an offset may follow.
        Without either it is UTC.
    file, row, key : optional
        Named in errors.

    Returns
    -------
    astropy.time.Time
        Scalar, UTC.

    Raises
    ------
    InputError
        If it is not such a date-time, lies outside 1972..2199, or names a leap second that did not occur.
    """
    return utc_from_text([text], file=file, rows=None if row is None else [row], key=key)[0]


def utc_from_text(
    texts: Sequence[str],
    scale: str = "utc",
    *,
    file: str | None = None,
    rows: Sequence[int] | None = None,
    key: str | None = None,
) -> Time:
    """Convert ISO 8601 date-times of a time scale to UTC.

    Parameters
    ----------
    texts : sequence of str, length n
        Date-times. An offset from UTC may follow only if the scale is UTC.
    scale : str
        One of `SCALES`.
    file, rows, key : optional
        Named in errors.

    Returns
    -------
    astropy.time.Time, shape (n,)

    Raises
    ------
    InputError
        As from `parse_utc`.
    """
    import erfa

    def refuse(index: int, what: str) -> InputError:
        row = None if rows is None else int(rows[index])
        prefix = "" if key is None else f"{key}: "
        return InputError(f"{prefix}{what}", file=file, row=row, key=key)

    parts = np.empty((len(texts), 5), dtype=np.int32)
    seconds = np.empty(len(texts))
    for index, text in enumerate(texts):
        try:
            parts[index], seconds[index] = _calendar(text, scale)
        except (ValueError, OverflowError) as error:
            raise refuse(index, f"{text!r:.60} is not a date-time ({error}); {_ADVICE}") from None
    year, month, day, hour, minute = parts.T
    jd1, jd2, status = erfa.ufunc.dtf2d(scale.upper().encode(), year, month, day, hour, minute, seconds)
    no_such_second = (seconds >= 60.0) & ~((hour == 23) & (minute == 59) & (status >= 0) & (status < 2))
    if no_such_second.any():
        index = int(np.argmax(no_such_second))
        raise refuse(index, f"{texts[index]!r} is not a known leap second; write the second before or after")
    return utc_from_jd(jd1, jd2, scale)


def _calendar(text: str, scale: str) -> tuple[tuple[int, int, int, int, int], float]:
    """Year, month, day, hour, minute and seconds; a ValueError gives the reason."""
    match = _DATE_TIME.fullmatch(text.strip())
    if match is None:
        raise ValueError("not of the form date, T, time of day")
    date, hour, minute, second, offset = match.groups()
    seconds = float(second or 0.0)
    moment = datetime.fromisoformat(f"{date}T{hour}:{minute}:00")
    if offset is not None and scale != "utc":
        raise ValueError(f"an offset from UTC cannot follow a time in {scale.upper()}")
    if offset is not None and offset not in "Zz":
        hours, minutes = int(offset[1:3]), int(offset[-2:])
        if hours > 15 or minutes > 59:
            raise ValueError(f"no zone has the offset {offset}")
        ahead = timedelta(hours=hours, minutes=minutes)
        moment = moment - ahead if offset[0] == "+" else moment + ahead
    if not _FIRST_YEAR <= moment.year <= _LAST_YEAR:
        raise ValueError(f"the year is not in {_FIRST_YEAR}..{_LAST_YEAR}")
    if seconds >= 61.0:
        raise ValueError("a minute has 60 seconds")
    return (moment.year, moment.month, moment.day, moment.hour, moment.minute), seconds


def at_utc(jd1: ArrayLike, jd2: ArrayLike) -> Time:
    """Make a `Time` of two-part Julian dates (UTC, as ERFA counts them)."""
    from astropy.time import Time

    return Time(np.asarray(jd1, float), np.asarray(jd2, float), format="jd", scale="utc")


def utc_from_jd(jd1: ArrayLike, jd2: ArrayLike, scale: str) -> Time:
    """Convert two-part Julian dates of a time scale to UTC.

    Parameters
    ----------
    jd1, jd2 : array_like
        Two-part Julian date.
    scale : str
        One of `SCALES`; TDB and TCB at the geocentre.

    Returns
    -------
    astropy.time.Time
        Of the same shape.

    Raises
    ------
    InputError
        If the scale is unknown.
    """
    import erfa

    one, two = np.asarray(jd1, float), np.asarray(jd2, float)
    if scale == "utc":
        return at_utc(one, two)
    if scale == "ut1":
        from skysample.astrometry.earth_orientation import earth_orientation

        orientation = earth_orientation((one - 2400000.5) + two)
        one, two, _ = erfa.ufunc.ut1utc(one, two, orientation.dut1_s)
        return at_utc(one, two)
    if scale == "tcb":
        one, two, _ = erfa.ufunc.tcbtdb(one, two)
    if scale in ("tcb", "tdb"):
        ahead = erfa.ufunc.dtdb(one, two, (one + two + 0.5) % 1.0, 0.0, 0.0, 0.0)
        one, two, _ = erfa.ufunc.tdbtt(one, two, ahead)
    elif scale == "tcg":
        one, two, _ = erfa.ufunc.tcgtt(one, two)
    if scale in ("tcb", "tdb", "tcg", "tt"):
        one, two, _ = erfa.ufunc.tttai(one, two)
    elif scale != "tai":
        raise InputError(f"times in {scale!r} cannot be converted to UTC; give one of {', '.join(SCALES)}")
    one, two, _ = erfa.ufunc.taiutc(one, two)
    return at_utc(one, two)


def check_moment(when: object) -> None:
    """Raise an InputError unless `when` is None or a single astropy Time."""
    if when is not None and not (hasattr(when, "scale") and getattr(when, "isscalar", False)):
        raise InputError("when must be a single astropy Time", key="when")


def to_utc(time: Time) -> Time:
    """Convert a Time to UTC: `Time.utc` without its warnings about dates years ahead; otherwise an InputError."""
    if not hasattr(time, "scale") or not hasattr(time, "jd1"):
        raise InputError(f"a time is a {type(time).__name__}; give an astropy Time", key="time")
    return time if time.scale == "utc" else utc_from_jd(time.jd1, time.jd2, time.scale)


def iso(time: Time, precision: int = 3) -> Any:
    """Write times as ISO 8601 text, UTC, rounded to `precision` decimals of a second.

    Returns
    -------
    str, or ndarray of str
        Of the same shape as `time`, like 2030-01-31T21:04:05.678.
    """
    import erfa

    utc = to_utc(time)
    if np.any(utc.mask):
        raise InputError("a time is missing; give every row one", key="time")
    year, month, day, clock, status = erfa.ufunc.d2dtf(b"UTC", precision, utc.jd1, utc.jd2)
    if np.any(np.asarray(status) < 0):
        raise InputError("a time is not a valid date", key="time")
    fields = [np.ravel(field).tolist() for field in (year, month, day, *(clock[name] for name in "hmsf"))]
    form = "{:04d}-{:02d}-{:02d}T{:02d}:{:02d}:{:02d}" + (f".{{:0{precision}d}}" if precision > 0 else "")
    texts = [form.format(*each) for each in zip(*fields, strict=True)]
    return texts[0] if utc.shape == () else np.array(texts, dtype=str).reshape(utc.shape)


def terrestrial(utc: Time) -> tuple[Any, Any]:
    """TT of UTC as two-part Julian dates; InputError for a date that ERFA refuses."""
    import erfa

    tai1, tai2, status = erfa.ufunc.utctai(np.asarray(utc.jd1, float), np.asarray(utc.jd2, float))
    if np.any(np.asarray(status) < 0):
        raise InputError("a time is not a valid date; check the time column", key="time")
    tt1, tt2, _ = erfa.ufunc.taitt(tai1, tai2)
    return tt1, tt2

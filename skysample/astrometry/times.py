"""Times in and out: ISO 8601 text and the other clocks of FITS headers, to UTC.

ERFA does the calendar through its plain ufuncs, which hand back a status instead of warning about dates past
its table of leap seconds; every `Time` made here is held as two-part Julian dates.
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

__all__ = [
    "SCALES",
    "at_utc",
    "check_moment",
    "iso",
    "parse_utc",
    "parse_utc_column",
    "to_utc",
    "utc_from_jd",
    "utc_from_text",
]

SCALES = ("utc", "tai", "tt", "tdb", "tcg", "tcb", "ut1")
"""The clocks that times may be given in, as astropy names them."""

_FIRST_YEAR, _LAST_YEAR = 1972, 2199
"""UTC in its present form starts in 1972; a year outside is a slip, not a night."""

_DATE_TIME = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d):(\d\d)(?::(\d\d(?:\.\d{1,9})?))?\s*([Zz]|[+-]\d\d:?\d\d)?", re.ASCII
)
_ADVICE = "write it like 2030-01-31T21:04:05.678 (UTC), or with Z or an offset such as +01:00"


def parse_utc(text: str, *, file: str | None = None, row: int | None = None, key: str | None = None) -> Time:
    """Moment of an ISO 8601 date-time.

    Parameters
    ----------
    text : str
        Date and time of day, parted by T or a blank, with up to nine decimals; Z or an offset may follow.
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
        If it is no such date-time, lies outside 1972..2199, or names a leap second that there was not.
    """
    return utc_from_text([text], file=file, rows=None if row is None else [row], key=key)[0]


def parse_utc_column(
    texts: Sequence[str],
    *,
    file: str | None = None,
    rows: Sequence[int] | None = None,
    key: str | None = None,
) -> Time:
    """Moments of ISO 8601 date-times, shape (n,), UTC: `parse_utc` for data rows numbered `rows`."""
    return utc_from_text(texts, file=file, rows=rows, key=key)


def utc_from_text(
    texts: Sequence[str],
    scale: str = "utc",
    *,
    file: str | None = None,
    rows: Sequence[int] | None = None,
    key: str | None = None,
) -> Time:
    """UTC of ISO 8601 date-times that a clock of some scale shows.

    Parameters
    ----------
    texts : sequence of str, length n
        Date-times. An offset from UTC may follow only where the scale is UTC.
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
        As `parse_utc` says.
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
        raise refuse(
            index, f"{texts[index]!r} names a leap second that is not known; write the second before or after"
        )
    return utc_from_jd(jd1, jd2, scale)


def _calendar(text: str, scale: str) -> tuple[tuple[int, int, int, int, int], float]:
    """Year, month, day, hour, minute and seconds; a ValueError says what is wrong."""
    match = _DATE_TIME.fullmatch(text.strip())
    if match is None:
        raise ValueError("not of the form date, T, time of day")
    date, hour, minute, second, offset = match.groups()
    seconds = float(second or 0.0)
    moment = datetime.fromisoformat(f"{date}T{hour}:{minute}:00")
    if offset is not None and scale != "utc":
        raise ValueError(f"an offset from UTC does not go with a clock that shows {scale.upper()}")
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
    """Hold two-part Julian dates (UTC, as ERFA counts them) as a `Time`."""
    from astropy.time import Time

    return Time(np.asarray(jd1, float), np.asarray(jd2, float), format="jd", scale="utc")


def utc_from_jd(jd1: ArrayLike, jd2: ArrayLike, scale: str) -> Time:
    """UTC of two-part Julian dates that a clock of some scale shows.

    Parameters
    ----------
    jd1, jd2 : array_like
        Two-part Julian date.
    scale : str
        One of `SCALES`; TDB and TCB are taken at the geocentre.

    Returns
    -------
    astropy.time.Time
        Of the same shape.

    Raises
    ------
    InputError
        If the scale is none of them.
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
        raise InputError(f"times in {scale!r} cannot be turned into UTC; known are {', '.join(SCALES)}")
    one, two, _ = erfa.ufunc.taiutc(one, two)
    return at_utc(one, two)


def check_moment(when: object) -> None:
    """Refuse what is neither one moment nor None: an InputError."""
    if when is not None and not (hasattr(when, "scale") and getattr(when, "isscalar", False)):
        raise InputError("when must be one moment, an astropy Time", key="when")


def to_utc(time: Time) -> Time:
    """Return the same moments in UTC; like `Time.utc`, without warnings about dates years ahead.

    InputError for anything but an astropy Time.
    """
    if not hasattr(time, "scale") or not hasattr(time, "jd1"):
        raise InputError(f"a time is a {type(time).__name__}; give an astropy Time", key="time")
    return time if time.scale == "utc" else utc_from_jd(time.jd1, time.jd2, time.scale)


def iso(time: Time, precision: int = 3) -> Any:
    """ISO 8601 text of moments, UTC, rounded to `precision` decimals of a second.

    Returns
    -------
    str, or ndarray of str
        Of the same shape as `time`, like 2030-01-31T21:04:05.678.
    """
    import erfa

    if np.any(to_utc(time).mask):
        raise InputError("a time is missing; give every row one", key="time")
    utc = to_utc(time)
    year, month, day, clock, status = erfa.ufunc.d2dtf(b"UTC", precision, utc.jd1, utc.jd2)
    if np.any(np.asarray(status) < 0):
        raise InputError("a time is not an acceptable date", key="time")
    fields = np.broadcast_arrays(year, month, day, clock["h"], clock["m"], clock["s"], clock["f"])
    shape = fields[0].shape
    texts = []
    for y, mo, d, h, mi, s, f in zip(*(np.ravel(field).tolist() for field in fields), strict=True):
        text = f"{y:04d}-{mo:02d}-{d:02d}T{h:02d}:{mi:02d}:{s:02d}"
        texts.append(f"{text}.{f:0{precision}d}" if precision > 0 else text)
    return texts[0] if shape == () else np.array(texts, dtype=str).reshape(shape)

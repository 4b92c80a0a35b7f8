"""A run from plate-solved FITS frames: centre, mid-exposure time, and what was asked for."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from skysample.astrometry.times import at_utc, iso, utc_from_jd, utc_from_text
from skysample.errors import InputError, NoSolution
from skysample.files.tables import as_float
from skysample.listeners import tell
from skysample.runs import Run, run_table
from skysample.runs.plate_solutions import NoPlateSolutionError, first_solution
from skysample.site.mount_axes import SIDE_NAMES

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from astropy.io.fits import Header
    from astropy.table import Table
    from astropy.time import Time

    from skysample.runs.plate_solutions import PlateSolution
    from skysample.site import Site

__all__ = ["Gathered", "HeaderKeywords", "gather", "gather_table"]

_SCALES = {
    # Names that the FITS standard (4.0, table 30) lets TIMESYS have.
    "UTC": "utc",
    "UT": "utc",
    "GMT": "utc",
    "UT1": "ut1",
    "TAI": "tai",
    "IAT": "tai",
    "GPS": "tai",
    "TT": "tt",
    "TDT": "tt",
    "ET": "tt",
    "TDB": "tdb",
    "TCG": "tcg",
    "TCB": "tcb",
}
_GPS_BEHIND_TAI_S = 19.0
_FITS_BLOCK = 2880
_NAXIS_CARD = re.compile(rb"NAXIS   = +(\d+)")
_MOST_AXES = 999
"""By the FITS standard (4.0, section 4.4.1.1)."""
_FIRST_MJD, _LAST_MJD = 41317.0, 124592.0
"""1972 to 2199, as for dates in text."""


@dataclass(frozen=True)
class HeaderKeywords:
    """Which header keywords say what; of several the first that is there counts.

    Attributes
    ----------
    middle, begin, end : tuple of str
        Moment of the exposure: text is a date-time, a number a modified Julian date, both on the clock of
        TIMESYS.
    exposure : tuple of str
        Seconds.
    target_ra, target_dec : tuple of str
        What was asked for, ICRS, keyword by keyword in pairs: numbers are degrees, text with separators is
        hours (right ascension) and degrees (declination), minutes, seconds.
    primary, secondary : tuple of str
        The axes' readings, degrees; where they are named, they are taken in place of targets.
    pier : tuple of str
        Side of the pier that the tube is on: east or west; anything else counts as not given.
    """

    middle: tuple[str, ...] = ("DATE-AVG", "MJD-AVG")
    begin: tuple[str, ...] = ("DATE-BEG", "MJD-BEG", "DATE-OBS", "MJD-OBS")
    end: tuple[str, ...] = ("DATE-END", "MJD-END")
    exposure: tuple[str, ...] = ("XPOSURE", "EXPTIME")
    target_ra: tuple[str, ...] = ("RA", "RA_TARG")
    target_dec: tuple[str, ...] = ("DEC", "DEC_TARG")
    primary: tuple[str, ...] = ()
    secondary: tuple[str, ...] = ()
    pier: tuple[str, ...] = ("PIER",)


@dataclass(frozen=True)
class Gathered:
    """What a set of frames gave.

    Attributes
    ----------
    table : astropy.table.Table
        With a run's columns, by time, and `mirrored`: the parity of each image.
    skipped : tuple of dict
        `file` and `reason` of each frame that could not be used.
    """

    table: Table
    skipped: tuple[dict[str, str], ...]

    @property
    def points(self) -> int:
        """How many frames were used."""
        return len(self.table)


def gather(
    files: Iterable[str | os.PathLike[str]],
    site: Site,
    *,
    keywords: HeaderKeywords | None = None,
    assume: Mapping[str, str] | None = None,
) -> Run:
    """Build a run from plate-solved FITS frames.

    Parameters
    ----------
    files : iterable of path-like
        The frames. Those that cannot be used stand with their reason under `skipped` in the run's `meta`.
    site : Site
        Place, air and kind of mount.
    keywords : HeaderKeywords, optional
        In place of the usual ones.
    assume : mapping, optional
        As in `skysample.read_run`.

    Returns
    -------
    Run

    Raises
    ------
    InputError
        If no file can be read, or what the headers give does not make a run.
    NoSolution
        If none of the frames can be used.
    """
    gathered = gather_table(files, keywords=keywords)
    run = Run.from_table(gathered.table, site, assume=assume)
    return replace(run, meta={**run.meta, "skipped": [dict(entry) for entry in gathered.skipped]})


def gather_table(
    files: Iterable[str | os.PathLike[str]], *, keywords: HeaderKeywords | None = None
) -> Gathered:
    """Read plate-solved FITS frames into the table of a run file.

    Parameters
    ----------
    files : iterable of path-like
        The frames.
    keywords : HeaderKeywords, optional
        In place of the usual ones.

    Returns
    -------
    Gathered

    Raises
    ------
    InputError
        If no file is named, or none can be read.
    NoSolution
        If none of the frames can be used; `partial` lists them with their reasons.
    """
    keywords = keywords or HeaderKeywords()
    rows: list[dict[str, Any]] = []
    skipped: list[dict[str, str]] = []
    seen: set[Path] = set()
    unreadable = 0
    named = list(files)
    for number, path in enumerate(named):
        tell("reading frames", number, len(named))
        name = os.fspath(path)
        place = Path(name).resolve()
        if place in seen:
            skipped.append({"file": name, "reason": "is named twice"})
            continue
        seen.add(place)
        try:
            rows.append({**_row(name, keywords), "frame": name})
        except _SkippedError as error:
            unreadable += isinstance(error, _UnreadableError)
            skipped.append({"file": name, "reason": str(error)})
    if not seen:
        raise InputError("no frames were named; name at least one FITS file", key="files")
    if unreadable == len(seen):
        raise InputError(
            f"{skipped[0]['reason']}; none of the {len(seen)} files named can be read",
            file=skipped[0]["file"],
        )
    if not rows:
        first = skipped[0]
        raise NoSolution(
            f"none of the {len(seen)} frames can be used; the first, {first['file']}: {first['reason']}",
            partial=tuple(skipped),
        )
    rows.sort(key=lambda row: float(row["time"].jd))
    columns = {
        name: [row.get(name) for row in rows] for name in dict.fromkeys(name for row in rows for name in row)
    }
    columns["time"] = [iso(time, 6) for time in columns["time"]]
    return Gathered(run_table(columns), tuple(skipped))


class _SkippedError(Exception):
    """A frame cannot be used; the message is the reason."""


class _UnreadableError(_SkippedError):
    """The file is not there, or is no FITS file."""


class _Cards:
    """The keywords of a frame: those beside the plate solution, then those of the primary header."""

    def __init__(self, *headers: Header) -> None:
        self._headers = headers

    def first(self, names: Iterable[str]) -> tuple[str, Any]:
        """Name and value of the first keyword that is there and not blank, else ("", None)."""
        for name in names:
            for header in self._headers:
                try:
                    value = header.get(name)
                except Exception as error:  # noqa: BLE001 - astropy raises many kinds; each means the same here
                    raise _SkippedError(f"its card {name} cannot be read ({_one_line(error)})") from None
                if isinstance(value, str) and value.strip():
                    return name, value.strip()
                if isinstance(value, (int, float)) and not isinstance(value, bool):
                    return name, float(value)
        return "", None


def _row(name: str, keywords: HeaderKeywords) -> dict[str, Any]:
    """One row of the run table, its time still a `Time`."""
    solution, primary = _open(name)
    cards = _Cards(solution.header, primary)
    row: dict[str, Any] = {
        "time": _middle(cards, keywords),
        "solved_ra_deg": solution.ra_deg,
        "solved_dec_deg": solution.dec_deg,
    }
    if keywords.primary or keywords.secondary:
        row["primary_deg"] = _number(cards, keywords.primary, "the reading of the primary axis")
        row["secondary_deg"] = _number(cards, keywords.secondary, "the reading of the secondary axis")
    else:
        row["target_ra_deg"], row["target_dec_deg"] = _target(cards, keywords)
    side = str(cards.first(keywords.pier)[1]).lower()
    row["pier"] = side if side in SIDE_NAMES.values() else None
    return {**row, "solved_roll_deg": solution.roll_deg, "mirrored": solution.mirrored}


def _open(name: str) -> tuple[PlateSolution, Header]:
    """Plate solution and primary header of a frame."""
    # Looked up here because astropy would take a name like an address and fetch it.
    if not Path(name).is_file():
        raise _UnreadableError("is a folder" if Path(name).is_dir() else "there is no such file")
    try:
        with Path(name).open("rb") as stream:
            # astropy walks through as many axes as a header names, which in a damaged one takes for ever.
            axes = _NAXIS_CARD.search(stream.read(_FITS_BLOCK))
            stream.seek(0)
            if axes is None or int(axes[1]) <= _MOST_AXES:
                return _solution_and_primary(stream)
    except _SkippedError:
        raise
    except Exception as error:  # noqa: BLE001 - astropy raises many kinds; each means the same here
        raise _UnreadableError(f"cannot be read as FITS ({_one_line(error)})") from None
    raise _UnreadableError(f"cannot be read as FITS (its NAXIS is above {_MOST_AXES})")


def _solution_and_primary(stream: BinaryIO) -> tuple[PlateSolution, Header]:
    from astropy.io import fits

    with fits.open(stream) as frames:
        primary = frames[0].header
        try:
            return first_solution(frames), primary
        except NoPlateSolutionError as error:
            raise _SkippedError(str(error)) from None
        except Exception as error:  # noqa: BLE001 - astropy raises many kinds; each means the same here
            raise _SkippedError(f"its plate solution cannot be read ({_one_line(error)})") from None


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__


def _middle(cards: _Cards, keywords: HeaderKeywords) -> Time:
    """Mid-exposure, UTC."""
    system = str(cards.first(["TIMESYS"])[1] or "UTC").upper().partition("(")[0].strip()
    if system not in _SCALES:
        raise _SkippedError(f"TIMESYS is {system!r}, a clock that cannot be turned into UTC")
    place = str(cards.first(["TREFPOS"])[1] or "").upper()
    if place and not place.startswith(("TOPO", "GEO", "OBSERV")):
        raise _SkippedError(f"TREFPOS is {place!r}: its times are not those at the telescope")
    middle, begin, end = (
        _moment(cards, names, system) for names in (keywords.middle, keywords.begin, keywords.end)
    )
    if middle is not None:
        return middle
    if begin is None and end is None:
        raise _SkippedError(
            f"has no time: none of {', '.join(keywords.middle + keywords.begin + keywords.end)}"
        )
    name, exposure = cards.first(keywords.exposure)
    if name:
        exposure = _number(cards, keywords.exposure, "the exposure")
        if not 0.0 <= exposure <= 86400.0:
            raise _SkippedError(f"{name} is {exposure:g} s, not an exposure")
        return _later(end, -exposure / 2.0) if begin is None else _later(begin, exposure / 2.0)
    if begin is None or end is None:
        raise _SkippedError(f"its middle is not known: neither of {', '.join(keywords.exposure)} is there")
    length = ((end.jd1 - begin.jd1) + (end.jd2 - begin.jd2)) * 86400.0
    if not 0.0 <= length <= 86400.0:
        raise _SkippedError(f"ends {length:g} s after it begins")
    return _later(begin, length / 2.0)


def _moment(cards: _Cards, names: tuple[str, ...], system: str) -> Time | None:
    """UTC of the first keyword that is there."""
    name, value = cards.first(names)
    if not name:
        return None
    scale = _SCALES[system]
    if isinstance(value, str):
        clock = cards.first(["TIME-OBS"])[1] if name == "DATE-OBS" and "T" not in value else None
        try:
            time = utc_from_text([f"{value}T{clock}" if isinstance(clock, str) else value], scale, key=name)[
                0
            ]
        except InputError as error:
            raise _SkippedError(error.message) from None
    elif _FIRST_MJD <= value <= _LAST_MJD:
        time = utc_from_jd(2400000.5, value, scale)
    else:
        raise _SkippedError(f"{name} is {value:g}, not the modified Julian date of a night")
    return _later(time, _GPS_BEHIND_TAI_S) if system == "GPS" else time


def _later(time: Time, seconds: float) -> Time:
    return at_utc(time.jd1, time.jd2 + seconds / 86400.0)


def _number(cards: _Cards, names: tuple[str, ...], what: str) -> float:
    name, value = cards.first(names)
    try:
        number = as_float(value) if isinstance(value, str) else float(value)
    except (TypeError, ValueError):
        number = np.nan
    if not np.isfinite(number):
        said = f"{name} is {value!r:.40}, not a number" if name else f"none of {', '.join(names)} is there"
        raise _SkippedError(f"{what} is not known: {said}")
    return number


def _target(cards: _Cards, keywords: HeaderKeywords) -> tuple[float, float]:
    """ICRS place that was asked for, degrees."""
    for names in zip(keywords.target_ra, keywords.target_dec, strict=False):
        ra, dec = (cards.first([name])[1] for name in names)
        if ra is not None and dec is not None:
            place = _angle(names[0], ra, "hourangle"), _angle(names[1], dec, "deg")
            if not (-180.0 <= place[0] <= 360.0 and -90.0 <= place[1] <= 90.0):
                raise _SkippedError(f"{names[0]}, {names[1]} are {ra!r}, {dec!r}, not a place in the sky")
            return place
    pairs = " or ".join(
        f"{ra}, {dec}" for ra, dec in zip(keywords.target_ra, keywords.target_dec, strict=False)
    )
    raise _SkippedError(f"what was asked for is not known: it has no {pairs}")


def _angle(name: str, value: str | float, unit: str) -> float:
    """Degrees of a header's angle: a number is degrees, text with separators counts in `unit`."""
    from astropy.coordinates import Angle

    try:
        return as_float(value) if isinstance(value, str) else value
    except ValueError:
        pass
    try:
        return float(Angle(value, unit=unit).deg)
    except Exception as error:  # noqa: BLE001 - astropy raises many kinds; each means the same here
        raise _SkippedError(f"{name} is {value!r:.40}, not an angle ({_one_line(error)})") from None

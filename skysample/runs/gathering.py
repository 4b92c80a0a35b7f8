"""Build a run from plate-solved FITS frames: centre, mid-exposure time, and target or axis readings."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.times import at_utc, iso, utc_from_jd, utc_from_text
from skysample.errors import InputError, NoSolution
from skysample.files.tables import as_float
from skysample.listeners import tell
from skysample.runs import Run, run_table
from skysample.runs.plate_solutions import SkippedFrameError, first_solution
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
    # The values of TIMESYS in the FITS standard (4.0, table 30).
    **dict.fromkeys(("UTC", "UT", "GMT"), "utc"),
    "UT1": "ut1",
    **dict.fromkeys(("TAI", "IAT", "GPS"), "tai"),
    **dict.fromkeys(("TT", "TDT", "ET"), "tt"),
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
"""1972 to 2199, as for dates given as text."""


@dataclass(frozen=True)
class HeaderKeywords:
    """The header keywords to read; of several, the first one present counts.

    Attributes
    ----------
    middle, begin, end : tuple of str
        Time of the exposure: text is a date-time, a number a modified Julian date, both in the time scale of
        TIMESYS.
    exposure : tuple of str
        Seconds.
    target_ra, target_dec : tuple of str
        Target of the mount, ICRS, keyword by keyword in pairs: numbers are degrees, text with separators is hours
        (right ascension) or degrees (declination), minutes, seconds.
    primary, secondary : tuple of str
        Axis readings, degrees; if they are named, they are used instead of targets.
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
    """The rows read from a set of frames.

    Attributes
    ----------
    table : astropy.table.Table
        The columns of a run file, sorted by time, and `mirrored`: the parity of each image.
    skipped : tuple of dict
        `file` and `reason` of each frame that could not be used.
    """

    table: Table
    skipped: tuple[dict[str, str], ...]

    @property
    def points(self) -> int:
        """Number of frames used."""
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
        The frames. Those that cannot be used are listed with the reason under `skipped` in the run's `meta`.
    site : Site
        Location, air and kind of mount.
    keywords : HeaderKeywords, optional
        Replace the usual ones.
    assume : mapping, optional
        As in `skysample.read_run`.

    Returns
    -------
    Run

    Raises
    ------
    InputError
        If no file can be read, or the headers do not make a valid run.
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
        Replace the usual ones.

    Returns
    -------
    Gathered

    Raises
    ------
    InputError
        If no file is named, or none can be read.
    NoSolution
        If none of the frames can be used; `partial` lists them with the reasons.
    """
    rows: list[dict[str, Any]] = []
    skipped: list[dict[str, str]] = []
    seen: set[Path] = set()
    unreadable = 0
    named = list(files)
    if not named:
        raise InputError("no frames were named; name at least one FITS file", key="files")
    for number, path in enumerate(named):
        tell("reading frames", number, len(named))
        name = os.fspath(path)
        place = Path(name).resolve()
        if place in seen:
            skipped.append({"file": name, "reason": "is named twice"})
            continue
        seen.add(place)
        try:
            rows.append({**_row(name, keywords or HeaderKeywords()), "frame": name})
        except SkippedFrameError as error:
            unreadable += isinstance(error, _UnreadableError)
            skipped.append({"file": name, "reason": str(error)})
    if not rows:
        file, reason = skipped[0]["file"], skipped[0]["reason"]
        if unreadable == len(seen):
            raise InputError(f"{reason}; none of the {len(seen)} files named can be read", file=file)
        raise NoSolution(
            f"none of the {len(seen)} frames can be used; the first, {file}: {reason}", partial=tuple(skipped)
        )
    rows.sort(key=lambda row: float(row["time"].jd))
    columns = {
        name: [row.get(name) for row in rows] for name in dict.fromkeys(name for row in rows for name in row)
    }
    columns["time"] = [iso(time, 6) for time in columns["time"]]
    return Gathered(run_table(columns), tuple(skipped))


class _UnreadableError(SkippedFrameError):
    """The file does not exist, or is not a FITS file."""


class _Cards:
    """Keywords of a frame: those in the header of the plate solution, then those in the primary header."""

    def __init__(self, *headers: Header) -> None:
        self._headers = headers

    def first(self, names: Iterable[str]) -> tuple[str, Any]:
        """Name and value of the first keyword that is present and not blank, else ("", None)."""
        for name in names:
            for header in self._headers:
                try:
                    value = header.get(name)
                except Exception as error:  # noqa: BLE001 - astropy raises many kinds; each means the same here
                    raise SkippedFrameError(f"its card {name} cannot be read ({_one_line(error)})") from None
                if isinstance(value, str) and value.strip():
                    return name, value.strip()
                if isinstance(value, (int, float)) and not isinstance(value, bool):
                    return name, float(value)
        return "", None


def _row(name: str, keywords: HeaderKeywords) -> dict[str, Any]:
    """One row of the run table, with its time as a `Time`."""
    solution, primary = _open(name)
    cards = _Cards(solution.header, primary)
    row: dict[str, Any] = {
        "time": _middle(cards, keywords),
        "solved_ra_deg": solution.ra_deg,
        "solved_dec_deg": solution.dec_deg,
    }
    if keywords.primary or keywords.secondary:
        row["primary_deg"] = _number(cards, keywords.primary, "the primary axis reading")
        row["secondary_deg"] = _number(cards, keywords.secondary, "the secondary axis reading")
    else:
        row["target_ra_deg"], row["target_dec_deg"] = _target(cards, keywords)
    side = str(cards.first(keywords.pier)[1]).lower()
    row["pier"] = side if side in SIDE_NAMES.values() else None
    return {**row, "solved_roll_deg": solution.roll_deg, "mirrored": solution.mirrored}


def _open(name: str) -> tuple[PlateSolution, Header]:
    """Plate solution and primary header of a frame."""
    from astropy.io import fits

    # Checked here because astropy would fetch a name that looks like an address.
    if not Path(name).is_file():
        raise _UnreadableError("is a folder" if Path(name).is_dir() else "there is no such file")
    problem = "cannot be read as FITS"
    try:
        with Path(name).open("rb") as stream:
            # astropy walks through as many axes as a header names, which in a damaged one takes for ever.
            axes = _NAXIS_CARD.search(stream.read(_FITS_BLOCK))
            stream.seek(0)
            if axes is None or int(axes[1]) <= _MOST_AXES:
                with fits.open(stream) as frames:
                    primary = frames[0].header
                    problem = "its plate solution cannot be read"
                    return first_solution(frames), primary
    except SkippedFrameError:
        raise
    except Exception as error:  # noqa: BLE001 - astropy raises many kinds; each means the same here
        kind = SkippedFrameError if problem.startswith("its") else _UnreadableError
        raise kind(f"{problem} ({_one_line(error)})") from None
    raise _UnreadableError(f"{problem} (its NAXIS is above {_MOST_AXES})")


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__


def _middle(cards: _Cards, keywords: HeaderKeywords) -> Time:
    """Mid-exposure, UTC."""
    system = str(cards.first(["TIMESYS"])[1] or "UTC").upper().partition("(")[0].strip()
    if system not in _SCALES:
        raise SkippedFrameError(f"TIMESYS is {system!r}, a time scale that cannot be converted to UTC")
    place = str(cards.first(["TREFPOS"])[1] or "").upper()
    if place and not place.startswith(("TOPO", "GEO", "OBSERV")):
        raise SkippedFrameError(f"TREFPOS is {place!r}: its times do not hold at the telescope")
    middle, begin, end = (
        _moment(cards, names, system) for names in (keywords.middle, keywords.begin, keywords.end)
    )
    if middle is not None:
        return middle
    if begin is None and end is None:
        names = ", ".join(keywords.middle + keywords.begin + keywords.end)
        raise SkippedFrameError(f"has no time: none of {names} is present")
    name, exposure = cards.first(keywords.exposure)
    if name:
        exposure = _number(cards, keywords.exposure, "the exposure")
        if not 0.0 <= exposure <= 86400.0:
            raise SkippedFrameError(f"{name} is {exposure:g} s, which is not a possible exposure")
        return _later(end, -exposure / 2.0) if begin is None else _later(begin, exposure / 2.0)
    if begin is None or end is None:
        raise SkippedFrameError(
            f"its mid-exposure is unknown: none of {', '.join(keywords.exposure)} is present"
        )
    length = ((end.jd1 - begin.jd1) + (end.jd2 - begin.jd2)) * 86400.0
    if not 0.0 <= length <= 86400.0:
        raise SkippedFrameError(f"ends {length:g} s after it begins")
    return _later(begin, length / 2.0)


def _moment(cards: _Cards, names: tuple[str, ...], system: str) -> Time | None:
    """UTC of the first keyword present."""
    name, value = cards.first(names)
    if not name:
        return None
    scale = _SCALES[system]
    if isinstance(value, str):
        clock = cards.first(["TIME-OBS"])[1] if name == "DATE-OBS" and "T" not in value else None
        text = f"{value}T{clock}" if isinstance(clock, str) else value
        try:
            time = utc_from_text([text], scale, key=name)[0]
        except InputError as error:
            raise SkippedFrameError(error.message) from None
    elif _FIRST_MJD <= value <= _LAST_MJD:
        time = utc_from_jd(2400000.5, value, scale)
    else:
        raise SkippedFrameError(f"{name} is {value:g}, not a modified Julian date from 1972 to 2199")
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
        reason = (
            f"{name} is {value!r:.40}, not a number" if name else f"none of {', '.join(names)} is present"
        )
        raise SkippedFrameError(f"{what} is unknown: {reason}")
    return number


def _target(cards: _Cards, keywords: HeaderKeywords) -> tuple[float, float]:
    """ICRS place of the target, degrees."""
    pairs = list(zip(keywords.target_ra, keywords.target_dec, strict=False))
    for names in pairs:
        ra, dec = (cards.first([name])[1] for name in names)
        if ra is not None and dec is not None:
            place = _angle(names[0], ra, "hourangle"), _angle(names[1], dec, "deg")
            if not (-180.0 <= place[0] <= 360.0 and -90.0 <= place[1] <= 90.0):
                raise SkippedFrameError(f"{names[0]}, {names[1]} are {ra!r}, {dec!r}, not a place on the sky")
            return place
    wanted = " or ".join(f"{ra}, {dec}" for ra, dec in pairs)
    raise SkippedFrameError(f"the target is unknown: no {wanted} is present")


def _angle(name: str, value: str | float, unit: str) -> float:
    """Degrees of an angle in a header: a number is degrees, text with separators counts in `unit`."""
    from astropy.coordinates import Angle

    try:
        return as_float(value) if isinstance(value, str) else value
    except ValueError:
        pass
    try:
        return float(Angle(value, unit=unit).deg)
    except Exception as error:  # noqa: BLE001 - astropy raises many kinds; each means the same here
        raise SkippedFrameError(f"{name} is {value!r:.40}, not an angle ({_one_line(error)})") from None

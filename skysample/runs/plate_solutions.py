"""Where a plate-solved frame points: centre, roll and parity from its world coordinate system."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from astropy.io.fits import HDUList, Header
    from astropy.wcs import WCS

_HIGHEST_ORDER = 9
"""Of the SIP convention (Shupe et al. 2005, ASP Conf. 347, 491)."""
_TIME_KEYWORDS = re.compile(r"(DATE|MJD|JDREF|TIMESYS|TREF|TIMEUNIT|TSTART|TSTOP|XPOSURE|TELAPSE).*")
_SIP_KEYWORDS = re.compile(r"[AB]P?_(ORDER|DMAX|\d+_\d+)")
_OLD_MATRIX = re.compile(r"PC(\d{3})(\d{3})")
_PV_KEYWORDS = re.compile(r"PV[12]_(\d+)")


class SkippedFrameError(Exception):
    """A frame cannot be used; the message is the reason."""


@dataclass(frozen=True)
class PlateSolution:
    """Centre and orientation of a frame.

    Attributes
    ----------
    ra_deg, dec_deg : float
        ICRS place of the frame centre, distortions included.
    roll_deg : float
        Position angle of the image's +y axis, north 0, east 90, in 0..360.
    mirrored : bool
        False: with north along +y, east lies towards -x, as we see the sky.
    header : astropy.io.fits.Header
        Of the extension with the solution.
    """

    ra_deg: float
    dec_deg: float
    roll_deg: float
    mirrored: bool
    header: Header


def first_solution(frames: HDUList) -> PlateSolution:
    """Read the plate solution of the first image that has one.

    Parameters
    ----------
    frames : astropy.io.fits.HDUList
        The open file.

    Returns
    -------
    PlateSolution

    Raises
    ------
    SkippedFrameError
        Gives the reason why there is none; what astropy cannot read raises its own errors.
    """
    reason = "no plate solution: no image with a celestial coordinate system"
    for header in (frame.header for frame in frames if frame.is_image):
        if not all(str(header.get(f"CTYPE{axis}", "")) for axis in (1, 2)):
            continue
        if missing := _missing(header):
            reason = f"no plate solution: {missing}"
        elif solution := _solution(header, frames):
            return solution
    raise SkippedFrameError(reason)


def _missing(header: Header) -> str:
    """Name what this image lacks of a plate solution; empty if nothing."""
    if not all(isinstance(header.get(f"NAXIS{axis}"), int) and header[f"NAXIS{axis}"] > 0 for axis in (1, 2)):
        return "the extension with the coordinate system holds no image"
    if not all(f"CRVAL{axis}" in header for axis in (1, 2)):
        return "the coordinate system lacks CRVAL1, CRVAL2"
    if not any(keyword in header for keyword in ("CD1_1", "CD1_2", "CDELT1", "PC1_1", "PC001001")):
        return "the coordinate system lacks a scale (CD1_1 or CDELT1)"
    for keyword in ("A_ORDER", "B_ORDER", "AP_ORDER", "BP_ORDER"):
        order = header.get(keyword, 0)
        if not (isinstance(order, (int, float)) and 0 <= order <= _HIGHEST_ORDER):
            return f"{keyword} is {order!r:.40}, not the order of a distortion (0 to {_HIGHEST_ORDER})"
    return ""


def _solution(header: Header, frames: HDUList) -> PlateSolution | None:
    from astropy import units as u
    from astropy.coordinates import SkyCoord
    from astropy.wcs import WCS
    from astropy.wcs.utils import wcs_to_celestial_frame

    wcs: WCS = WCS(quiet_header(header), fobj=frames, naxis=2, fix=False)
    if not wcs.has_celestial:
        return None
    x, y = (header["NAXIS1"] - 1) / 2.0, (header["NAXIS2"] - 1) / 2.0
    world = wcs.all_pix2world([[x, y], [x + 1.0, y], [x, y + 1.0]], 0)
    if not np.all(np.isfinite(world)):
        raise SkippedFrameError("the plate solution gives no place for the frame centre")
    places = SkyCoord(
        world[:, wcs.wcs.lng] * u.deg, world[:, wcs.wcs.lat] * u.deg, frame=wcs_to_celestial_frame(wcs)
    ).icrs
    toward_x, toward_y = places[0].position_angle(places[1:]).rad
    return PlateSolution(
        ra_deg=float(places[0].ra.deg),
        dec_deg=float(places[0].dec.deg),
        roll_deg=float(np.degrees(toward_y)) % 360.0,
        mirrored=bool(np.sin(toward_x - toward_y) > 0.0),
        header=header,
    )


def quiet_header(header: Header) -> Header:
    """Copy a header with its outdated spellings corrected, so that astropy reads it without warnings.

    The coordinates stay the same. Times are dropped; deprecated keywords, units, and distortions that are given in two
    ways at once are resolved as astropy would.

    Parameters
    ----------
    header : astropy.io.fits.Header
        As read.

    Returns
    -------
    astropy.io.fits.Header
    """
    quiet = header.copy()
    _drop(quiet, _TIME_KEYWORDS)
    for old, new in (("RADECSYS", "RADESYS"), ("EPOCH", "EQUINOX")):
        if old in quiet:
            value = quiet.pop(old)
            if new not in quiet:
                quiet[new] = value
    if isinstance(quiet.get("EQUINOX"), str):
        quiet["EQUINOX"] = float(quiet["EQUINOX"].strip().lstrip("JBjb"))
    for axis in (1, 2):
        if str(quiet.get(f"CUNIT{axis}", "")).strip().lower() in ("degree", "degrees", "deg"):
            quiet[f"CUNIT{axis}"] = "deg"
    for keyword in [*quiet]:
        old_matrix = _OLD_MATRIX.fullmatch(keyword)
        if old_matrix:
            quiet[f"PC{int(old_matrix[1])}_{int(old_matrix[2])}"] = quiet.pop(keyword)
    _choose_distortion(quiet)
    return quiet


def _choose_distortion(header: Header) -> None:
    """Keep one kind of distortion, and name it in CTYPE.

    Source of the order of preference: Shupe et al. 2012, SPIE 8451, 84511M, section 7 (as astropy cites it).
    """
    types = [str(header[f"CTYPE{axis}"]).strip().upper() for axis in (1, 2)]
    has_sip = any(_SIP_KEYWORDS.fullmatch(keyword) for keyword in header)
    orders = [int(match[1]) for match in map(_PV_KEYWORDS.fullmatch, header) if match]
    polynomial = bool(orders) and max(orders) >= 5
    if all(kind.endswith("-TAN") for kind in types) and polynomial:
        types = [f"{kind.removesuffix('-TAN')}-TPV" for kind in types]
    if all(kind.endswith("-TPV") for kind in types):
        _drop(header, _SIP_KEYWORDS)
    elif all(kind.endswith("-TAN-SIP") for kind in types):
        if polynomial and has_sip:
            _drop(header, _PV_KEYWORDS)
    elif all(kind.endswith("-TAN") for kind in types) and has_sip:
        types = [f"{kind}-SIP" for kind in types]
    for axis, kind in enumerate(types, start=1):
        header[f"CTYPE{axis}"] = kind


def _drop(header: Header, pattern: re.Pattern[str]) -> None:
    for keyword in {*header}:
        if pattern.fullmatch(keyword):
            del header[keyword]

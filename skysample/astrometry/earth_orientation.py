"""UT1 and polar motion at any date, from the packaged IERS table alone: no download, no astropy configuration."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import SkysampleWarning
from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from skysample.geometry import Array

__all__ = ["EarthOrientation", "earth_orientation"]


# Columns of finals2000A.all, as the description that is packaged with it gives them.
_MJD = slice(7, 15)
_POLE = slice(18, 27), slice(37, 46)
_UT1_UTC = slice(58, 68)
_FINAL_POLE = slice(134, 144), slice(144, 154)
_FINAL_UT1_UTC = slice(154, 165)


@dataclass(frozen=True)
class EarthOrientation:
    """UT1-UTC in seconds and the pole's coordinates in radians, each of shape (n,)."""

    dut1_s: Array
    xp_rad: Array
    yp_rad: Array


@dataclass(frozen=True)
class _Table:
    mjd: Array
    ut1_tai: Array
    x_arcsec: Array
    y_arcsec: Array
    rate_s_day: float
    mean_x_arcsec: float
    mean_y_arcsec: float


@lru_cache(maxsize=1)
def _packaged_table() -> _Table:
    import astropy_iers_data

    lines = Path(astropy_iers_data.IERS_A_FILE).read_text("ascii").splitlines()
    mjd, ut1_utc, x, y = np.array([_row(line) for line in lines if line[_UT1_UTC].strip()], float).T
    ut1_tai = ut1_utc - _tai_minus_utc(mjd)
    year = mjd >= mjd[-1] - 365.0
    rate = float(np.polyfit(mjd[year] - mjd[-1], ut1_tai[year], 1)[0])
    return _Table(mjd, ut1_tai, x, y, rate, float(x[year].mean()), float(y[year].mean()))


def _row(line: str) -> tuple[str, str, str, str]:
    """MJD, UT1-UTC (s) and pole x, y (arcsec) of a day: the final values of Bulletin B, or else those of Bulletin A."""
    final = [line[columns].strip() for columns in _FINAL_POLE]
    x, y = final if all(final) else [line[columns] for columns in _POLE]
    return line[_MJD], line[_FINAL_UT1_UTC].strip() or line[_UT1_UTC], x, y


def _tai_minus_utc(mjd: Array) -> Array:
    import erfa

    tai1, tai2, _ = erfa.ufunc.utctai(2400000.5, np.floor(mjd))
    return np.asarray(np.round(((tai1 - 2400000.5) + (tai2 - np.floor(mjd))) * 86400.0))


def earth_orientation(mjd_utc: Array) -> EarthOrientation:
    """Earth orientation from the table that astropy-iers-data packages.

    Inside the table it is interpolated. Past its end UT1-TAI goes on at the mean rate of the table's last year, and the
    pole stays at its mean of that year; before its start the first values hold. Outside, one SkysampleWarning tells
    the size of the error that follows.

    Parameters
    ----------
    mjd_utc : ndarray, shape (n,)
        Modified Julian dates, UTC.

    Returns
    -------
    EarthOrientation

    Notes
    -----
    The growth of the error past the end, 0.00025 s x days^0.75, is the rule printed in IERS Bulletin A (value
    from memory).
    """
    table = _packaged_table()
    mjd = np.asarray(mjd_utc, float)
    last = table.mjd[-1]
    past = np.maximum(mjd - last, 0.0)
    ut1_tai = np.interp(mjd, table.mjd, table.ut1_tai) + past * table.rate_s_day
    outside = past > 0.0
    x = np.where(outside, table.mean_x_arcsec, np.interp(mjd, table.mjd, table.x_arcsec))
    y = np.where(outside, table.mean_y_arcsec, np.interp(mjd, table.mjd, table.y_arcsec))
    if outside.any():
        seconds = 0.00025 * float(past.max()) ** 0.75
        warnings.warn(
            f"Earth orientation is extrapolated {past.max():.0f} days past the packaged table: hour angles"
            f" may be off by about"
            f" {15.0 * seconds:.1f} arcsec (and by 15 arcsec for each leap second decided since); update"
            f" astropy-iers-data",
            SkysampleWarning,
            stacklevel=3,
        )
    elif (mjd < table.mjd[0]).any():
        warnings.warn(
            "Earth orientation before the packaged table (1973) is not known: hour angles may be off by tens of arcsec",
            SkysampleWarning,
            stacklevel=3,
        )
    return EarthOrientation(ut1_tai + _tai_minus_utc(mjd), x * ARCSEC, y * ARCSEC)

"""UT1 and polar motion at any date, from the packaged IERS table only: no download, no astropy configuration."""

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

# Columns of finals2000A.all, from the description packaged with it.
_MJD = slice(7, 15)
_POLE = slice(18, 27), slice(37, 46)
_UT1_UTC = slice(58, 68)
_FINAL_POLE = slice(134, 144), slice(144, 154)
_FINAL_UT1_UTC = slice(154, 165)


@dataclass(frozen=True)
class EarthOrientation:
    """UT1-UTC (seconds) and pole coordinates (radians), each of shape (n,)."""

    dut1_s: Array
    xp_rad: Array
    yp_rad: Array


@lru_cache(maxsize=1)
def _packaged_table() -> tuple[Array, Array, Array, float, Array]:
    """Read days (MJD), UT1-TAI (s) and pole (2, days) (arcsec); last year's rate of UT1-TAI (s/day) and mean pole."""
    import astropy_iers_data

    lines = np.array(Path(astropy_iers_data.IERS_A_FILE).read_bytes().splitlines())
    cells = lines.view("S1").reshape(len(lines), -1)

    def column(place: slice) -> Array:
        texts = np.strings.strip(
            np.ascontiguousarray(cells[:, place]).view(f"S{place.stop - place.start}")[:, 0]
        )
        return np.where(texts == b"", b"nan", texts).astype(float)

    # The final values of Bulletin B, otherwise those of Bulletin A.
    final_pole = np.array([column(place) for place in _FINAL_POLE])
    pole = np.where(np.isfinite(final_pole).all(axis=0), final_pole, [column(place) for place in _POLE])
    final, ut1_utc = column(_FINAL_UT1_UTC), column(_UT1_UTC)
    known = np.isfinite(ut1_utc)
    days, pole = column(_MJD)[known], pole[:, known]
    ut1_utc = np.where(np.isfinite(final), final, ut1_utc)[known]
    ut1_tai = ut1_utc - _tai_minus_utc(days)
    year = days >= days[-1] - 365.0
    rate = float(np.polyfit(days[year] - days[-1], ut1_tai[year], 1)[0])
    return days, ut1_tai, pole, rate, np.array([values[year].mean() for values in pole])


def _tai_minus_utc(mjd: Array) -> Array:
    import erfa

    tai1, tai2, _ = erfa.ufunc.utctai(2400000.5, np.floor(mjd))
    return np.asarray(np.round(((tai1 - 2400000.5) + (tai2 - np.floor(mjd))) * 86400.0))


def earth_orientation(mjd_utc: Array) -> EarthOrientation:
    """Interpolate Earth orientation in the table that astropy-iers-data packages.

    Past the end of the table UT1-TAI continues at the mean rate of its last year, and the pole stays at the mean of
    that year; before its start the first values hold. Outside the table one SkysampleWarning gives the size of the
    error.

    Parameters
    ----------
    mjd_utc : ndarray, shape (n,)
        Modified Julian dates, UTC.

    Returns
    -------
    EarthOrientation

    Notes
    -----
    The error past the end, 0.00025 s x days^0.75, is the rule printed in IERS Bulletin A (value from memory).
    """
    days, ut1_tai, pole, rate, mean_pole = _packaged_table()
    mjd = np.asarray(mjd_utc, float)
    past = np.maximum(mjd - days[-1], 0.0)
    x, y = (
        np.interp(mjd, days, values, right=mean) * ARCSEC
        for values, mean in zip(pole, mean_pole, strict=True)
    )
    most = float(past.max(initial=0.0))
    if most > 0.0:
        warnings.warn(
            f"Earth orientation is extrapolated {most:.0f} days past the packaged table: hour angles may be off by"
            f" about {15.0 * 0.00025 * most**0.75:.1f} arcsec, plus 15 arcsec for each leap second announced since;"
            " update astropy-iers-data",
            SkysampleWarning,
            stacklevel=3,
        )
    elif (mjd < days[0]).any():
        warnings.warn(
            "Earth orientation is unknown before 1973, where the packaged table starts: hour angles may be off by tens"
            " of arcsec",
            SkysampleWarning,
            stacklevel=3,
        )
    return EarthOrientation(np.interp(mjd, days, ut1_tai) + past * rate + _tai_minus_utc(mjd), x, y)

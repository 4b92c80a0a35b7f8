"""Bright stars from Hipparcos, at any date.

Source of the table: van Leeuwen 2007, A&A 474, 653 (the new reduction), stars brighter than Hp 3.5;
`docs/make_bright_stars.py` writes `bright_stars.csv`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.earth_motion import earth_motion
from skysample.astrometry.times import terrestrial, to_utc
from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array

_MAS = ARCSEC / 1000.0
_EPOCH_JD = 2448349.0625
"""J1991.25 (TT), the epoch of the catalogue."""


@dataclass(frozen=True, eq=False)
class BrightStars:
    """n stars, brightest first; angles in radians, ICRS at epoch J1991.25.

    Attributes
    ----------
    hip : ndarray of int, shape (n,)
        Number in the catalogue.
    names : tuple of str, length n
        Empty if a star has no common name.
    magnitude : ndarray, shape (n,)
        Hp.
    ra, dec : ndarray, shape (n,)
    parallax : ndarray, shape (n,)
    pm_ra, pm_dec : ndarray, shape (n,)
        Radians a Julian year; `pm_ra` includes cos(dec).
    """

    hip: NDArray[np.int64]
    names: tuple[str, ...]
    magnitude: Array
    ra: Array
    dec: Array
    parallax: Array
    pm_ra: Array
    pm_dec: Array

    def __post_init__(self) -> None:
        for value in vars(self).values():
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    def __len__(self) -> int:
        return len(self.hip)

    def label(self, index: int) -> str:
        """Name a star: "Canopus (HIP 30438)"."""
        number = f"HIP {self.hip[index]}"
        return f"{self.names[index]} ({number})" if self.names[index] else number

    def places(self, when: Time) -> tuple[Array, Array]:
        """ICRS coordinates at a date, with proper motion and annual parallax.

        Straight motion at constant speed, without radial velocities (ERFA `pmsafe`); parallax by the Earth's
        position relative to the solar system's barycentre.

        Parameters
        ----------
        when : astropy.time.Time
            A single time.

        Returns
        -------
        ra, dec : ndarray, shape (n,)
            Radians, ICRS, for `skysample.astrometry.observed_place.to_observed`.
        """
        import erfa

        tt1, tt2 = terrestrial(to_utc(when))
        # The ufunc does not warn about a star whose parallax is too small, which it puts far away.
        ra, dec, *_ = erfa.ufunc.pmsafe(
            self.ra,
            self.dec,
            self.pm_ra / np.cos(self.dec),
            self.pm_dec,
            self.parallax / ARCSEC,
            0.0,
            _EPOCH_JD,
            0.0,
            tt1,
            tt2,
        )
        earth = earth_motion(tt1, tt2).barycentric["p"]
        ra, dec = erfa.c2s(erfa.s2c(ra, dec) - self.parallax[:, None] * earth)
        return np.asarray(ra) % (2.0 * np.pi), np.asarray(dec)


@cache
def bright_stars() -> BrightStars:
    """Read the packaged table."""
    lines = files(__package__).joinpath("bright_stars.csv").read_text("utf-8").splitlines()
    header, *rows = (line.split(",") for line in lines if not line.startswith("#"))
    table = dict(zip(header, zip(*rows, strict=True), strict=True))

    def column(name: str) -> Array:
        return np.array(table[name], float)

    return BrightStars(
        hip=column("hip").astype(np.int64),
        names=table["name"],
        magnitude=column("hp_mag"),
        ra=np.radians(column("ra_deg")),
        dec=np.radians(column("dec_deg")),
        parallax=column("parallax_mas") * _MAS,
        pm_ra=column("pm_ra_mas_yr") * _MAS,
        pm_dec=column("pm_dec_mas_yr") * _MAS,
    )

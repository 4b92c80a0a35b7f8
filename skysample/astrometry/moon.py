"""Observed direction of the Moon, offline at any date."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.observed_place import to_observed
from skysample.astrometry.times import terrestrial, to_utc
from skysample.geometry import alt_az, direction

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.site import Location, Site

WGS84 = 1
AU_M = 149597870700.0


def moon_direction(site: Site, when: Time) -> NDArray[np.float64]:
    """Observed direction of the Moon's centre, good to 0.02 degrees.

    Parallax (up to a degree) and refraction are included. The geocentric place is that of astropy's built-in
    ephemeris (ERFA `moon98`, after Meeus, Astronomical Algorithms, 2nd ed., chapter 47), called directly so that a date
    far ahead needs no download.

    Parameters
    ----------
    site : Site
        Location and air.
    when : astropy.time.Time, shape (...)

    Returns
    -------
    ndarray, shape (..., 3)
        Unit vectors, east-north-up.
    """
    import erfa

    geocentric = erfa.moon98(*terrestrial(to_utc(when)))["p"]
    ra, dec = erfa.c2s(geocentric)
    distance_m = AU_M * np.linalg.norm(geocentric, axis=-1)[..., None]
    from_observer = distance_m * to_observed(site, when, ra, dec, refraction=False) - _observer(site.location)
    altitude, azimuth = alt_az(from_observer)
    return direction(altitude + _refraction(altitude, site.location), azimuth)


def _observer(location: Location) -> NDArray[np.float64]:
    """Observer relative to the Earth's centre, metres, in the observer's east-north-up."""
    import erfa

    latitude = location.latitude_rad
    x, _, z = erfa.gd2gc(WGS84, 0.0, latitude, location.elevation_m)
    s, c = np.sin(latitude), np.cos(latitude)
    return np.array([0.0, c * z - s * x, s * z + c * x])


def _refraction(altitude_rad: NDArray[np.float64], location: Location) -> NDArray[np.float64]:
    """Refraction from a true altitude, radians, valid down to the horizon.

    Source: Saemundsson's formula, with its pressure and temperature factor (Meeus, Astronomical Algorithms,
    2nd ed., formula 16.4), in degrees and arcminutes; below -1 degree, which is never seen, the value at -1.
    """
    degrees = np.maximum(np.degrees(altitude_rad), -1.0)
    arcmin = 1.02 / np.tan(np.radians(degrees + 10.3 / (degrees + 5.11)))
    air = location.station_pressure_hpa / 1010.0 * 283.0 / (273.0 + location.temperature_c)
    return np.radians(air * np.maximum(arcmin, 0.0) / 60.0)

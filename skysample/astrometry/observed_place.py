"""Transform ICRS to the observed place and back by ERFA, offline at any date.

The observed place is topocentric and refracted, as altitude and azimuth. Source of every transform: the IAU SOFA
routines in their ERFA form (the steps of `apco13`, `atciq`, `atioq`, `atoiq`, `aticq`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.earth_motion import earth_motion
from skysample.astrometry.earth_orientation import earth_orientation
from skysample.astrometry.times import terrestrial, to_utc
from skysample.errors import InputError
from skysample.geometry import alt_az, direction

if TYPE_CHECKING:
    from astropy.coordinates import SkyCoord
    from astropy.time import Time
    from numpy.typing import ArrayLike

    from skysample.geometry import Array
    from skysample.site import Site

__all__ = [
    "HUMIDITY",
    "WAVELENGTH_UM",
    "hour_angle_dec",
    "icrs_place",
    "observed_place",
    "refraction_at",
    "sun_direction",
    "to_icrs",
    "to_observed",
]

_J2000 = 2451545.0, 0.0

HUMIDITY = 0.3
WAVELENGTH_UM = 0.6


def hour_angle_dec(directions: Array, latitude_rad: float) -> tuple[Array, Array]:
    """Hour angle (west positive, -pi..pi) and declination of unit vectors of shape (..., 3) at a latitude."""
    east, north, up = directions[..., 0], directions[..., 1], directions[..., 2]
    s, c = np.sin(latitude_rad), np.cos(latitude_rad)
    toward_equator = c * up - s * north
    toward_pole = s * up + c * north
    return np.arctan2(-east, toward_equator), np.arctan2(toward_pole, np.hypot(toward_equator, east))


def refraction_at(true_altitude_rad: float, site: Site) -> float:
    """Refraction from a true altitude to the observed one, radians.

    Source: ERFA `refco` with the two-term law A tan z + B tan^3 z, solved for the observed zenith distance.
    """
    import erfa

    location = site.location
    if location.station_pressure_hpa == 0.0:
        return 0.0
    a, b = erfa.refco(location.station_pressure_hpa, location.temperature_c, HUMIDITY, WAVELENGTH_UM)
    true_zenith = np.pi / 2.0 - true_altitude_rad
    observed = true_zenith
    for _ in range(20):
        tangent = np.tan(min(observed, np.radians(87.0)))
        observed = true_zenith - (a * tangent + b * tangent**3)
    return float(true_zenith - observed)


def _astrometry(
    site: Site, times: Time, pressure_hpa: ArrayLike | None, temperature_c: ArrayLike | None
) -> Any:
    """ERFA's star-independent parameters (`apco`); no refraction at a pressure of 0."""
    import erfa

    utc = to_utc(times)
    jd1, jd2 = np.asarray(utc.jd1, float), np.asarray(utc.jd2, float)
    if np.any(utc.mask) or not np.all(np.isfinite(jd1 + jd2)):
        raise InputError("a time is missing or not a number; give every point a time", key="time")
    orientation = earth_orientation((jd1 - 2400000.5) + jd2)
    location = site.location
    pressure = location.station_pressure_hpa if pressure_hpa is None else np.asarray(pressure_hpa, float)
    temperature = location.temperature_c if temperature_c is None else np.asarray(temperature_c, float)
    tt1, tt2 = terrestrial(utc)
    ut1_1, ut1_2, _ = erfa.ufunc.utcut1(jd1, jd2, orientation.dut1_s)
    a, b = erfa.ufunc.refco(pressure, temperature, HUMIDITY, WAVELENGTH_UM)
    return erfa.ufunc.apco(
        tt1,
        tt2,
        *earth_motion(tt1, tt2),
        erfa.ufunc.era00(ut1_1, ut1_2),
        np.radians(location.longitude_deg),
        location.latitude_rad,
        location.elevation_m,
        orientation.xp_rad,
        orientation.yp_rad,
        erfa.ufunc.sp00(tt1, tt2),
        a,
        b,
    )


def to_observed(
    site: Site,
    times: Time,
    ra_rad: ArrayLike,
    dec_rad: ArrayLike,
    *,
    pressure_hpa: ArrayLike | None = None,
    temperature_c: ArrayLike | None = None,
    refraction: bool = True,
) -> Array:
    """Observed directions of ICRS coordinates without proper motion or parallax.

    Parameters
    ----------
    site : Site
        Location, pressure and temperature.
    times : astropy.time.Time, scalar or shape (n,)
    ra_rad, dec_rad : array_like, shape (n,)
        ICRS, radians.
    pressure_hpa, temperature_c : array_like, optional
        Override the site's.
    refraction : bool
        Whether to include refraction.

    Returns
    -------
    ndarray, shape (n, 3)
        Unit vectors, east-north-up.

    Raises
    ------
    InputError
        If a time is missing or not a valid date.
    """
    import erfa

    astrom = _astrometry(site, times, pressure_hpa if refraction else 0.0, temperature_c)
    ri, di = erfa.ufunc.atciqz(np.asarray(ra_rad, float), np.asarray(dec_rad, float), astrom)
    return _from_intermediate(ri, di, astrom)


def _from_intermediate(ri: Any, di: Any, astrom: Any) -> Array:
    import erfa

    azimuth, zenith_distance, *_ = erfa.ufunc.atioq(ri, di, astrom)
    return direction(np.pi / 2.0 - zenith_distance, azimuth)


def to_icrs(
    site: Site,
    times: Time,
    directions: Array,
    *,
    pressure_hpa: ArrayLike | None = None,
    temperature_c: ArrayLike | None = None,
) -> tuple[Array, Array]:
    """ICRS right ascension and declination (radians) of observed directions (n, 3) at times of shape () or (n,)."""
    import erfa

    astrom = _astrometry(site, times, pressure_hpa, temperature_c)
    altitude, azimuth = alt_az(directions)
    ri, di = erfa.ufunc.atoiq("A", azimuth, np.pi / 2.0 - altitude, astrom)
    ra, dec = erfa.ufunc.aticq(ri, di, astrom)
    return np.asarray(ra), np.asarray(dec)


def sun_direction(site: Site, when: Time) -> Array:
    """Observed direction of the Sun's centre, shape (m, 3) for a Time of shape (m,); good to 0.01 degrees."""
    import erfa

    heliocentric, _, _ = erfa.ufunc.epv00(*terrestrial(to_utc(when)))
    ra, dec = erfa.ufunc.c2s(-heliocentric["p"])
    return to_observed(site, when, ra, dec)


def observed_place(
    icrs: SkyCoord,
    when: Time,
    site: Site,
    *,
    pressure_hpa: ArrayLike | None = None,
    temperature_c: ArrayLike | None = None,
) -> SkyCoord:
    """Observed place of ICRS coordinates: topocentric and refracted.

    Parameters
    ----------
    icrs : astropy.coordinates.SkyCoord
        Any frame that transforms to ICRS. Proper motion, distance and radial velocity count from the epoch `obstime`
        of the coordinates; without one, from J2000.0.
    when : astropy.time.Time
        Scalar or of the same shape.
    site : Site
        Location, and default air.
    pressure_hpa, temperature_c : array_like, optional
        Current air at the station.

    Returns
    -------
    astropy.coordinates.SkyCoord
        In an `AltAz` frame without time or location, so that astropy cannot transform it again with its own tables.
    """
    import erfa
    from astropy import units as u
    from astropy.coordinates import AltAz, SkyCoord

    frame = getattr(getattr(icrs, "frame", None), "name", "altaz")
    if frame == "altaz" and getattr(icrs, "obstime", None) is None:
        raise InputError("icrs must be a SkyCoord of a frame that transforms to ICRS", key="icrs")
    place = icrs.icrs
    astrom = _astrometry(site, when, pressure_hpa, temperature_c)
    ra, dec = place.ra.rad, place.dec.rad
    if "s" in place.data.differentials:
        differential = place.data.differentials["s"]
        mu_ra = (place.pm_ra_cosdec / np.cos(place.dec)).to_value(u.rad / u.yr)
        mu_dec = place.pm_dec.to_value(u.rad / u.yr)
        has_distance = place.distance.unit.physical_type == "length"
        parallax = place.distance.to_value(u.arcsec, u.parallax()) if has_distance else 0.0
        with_velocity = has_distance and hasattr(differential, "d_distance")
        velocity = place.radial_velocity.to_value(u.km / u.s) if with_velocity else 0.0
        if icrs.obstime is not None:
            epoch = icrs.obstime.tdb
            ra, dec, mu_ra, mu_dec, parallax, velocity, _ = erfa.ufunc.pmsafe(
                ra, dec, mu_ra, mu_dec, parallax, velocity, epoch.jd1, epoch.jd2, *_J2000
            )
        ri, di = erfa.ufunc.atciq(ra, dec, mu_ra, mu_dec, parallax, velocity, astrom)
    else:
        ri, di = erfa.ufunc.atciqz(ra, dec, astrom)
    altitude, azimuth = alt_az(_from_intermediate(ri, di, astrom))
    return SkyCoord(az=azimuth * u.rad, alt=altitude * u.rad, frame=AltAz())


def icrs_place(
    observed: SkyCoord,
    when: Time,
    site: Site,
    *,
    pressure_hpa: ArrayLike | None = None,
    temperature_c: ArrayLike | None = None,
) -> SkyCoord:
    """ICRS coordinates of an observed place; the inverse of `observed_place` for an object without proper motion.

    Parameters
    ----------
    observed : astropy.coordinates.SkyCoord
        In an `AltAz` frame.
    when : astropy.time.Time
        Scalar or of the same shape.
    site : Site
        Location, and default air.
    pressure_hpa, temperature_c : array_like, optional
        Current air at the station.

    Returns
    -------
    astropy.coordinates.SkyCoord
    """
    from astropy import units as u
    from astropy.coordinates import SkyCoord

    if not hasattr(observed, "alt"):
        raise InputError("observed must be a SkyCoord in an AltAz frame", key="observed")
    places = direction(observed.alt.rad, observed.az.rad)
    ra, dec = to_icrs(site, when, places, pressure_hpa=pressure_hpa, temperature_c=temperature_c)
    return SkyCoord(ra=ra * u.rad, dec=dec * u.rad, frame="icrs")

"""Diurnal motion: rotation about the pole, drift by refraction, and angles at a star."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.observed_place import HUMIDITY, WAVELENGTH_UM
from skysample.geometry import alt_az, cross, rotation

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from skysample.geometry import Array
    from skysample.site import Site

SIDEREAL_RAD_S = 7.292115e-5
"""Rotation rate of the Earth (IERS Conventions 2010, table 1.1, rounded)."""

SIDEREAL_ARCSEC_S = 15.041
"""The same in arcsec a second, or degrees an hour, rounded."""

_LOWEST_RAD = np.radians(3.0)
"""Lower down the two-term law of refraction fails; its slope at this altitude is used instead."""


def north_pole(site: Site) -> Array:
    """Unit vector of the north celestial pole, above or below the horizon."""
    return np.asarray(site.location.hemisphere * site.elevated_pole)


def turned(directions: Array, axis: Array, seconds: ArrayLike) -> Array:
    """Rotate directions westwards about an axis at the Earth's rate.

    Parameters
    ----------
    directions : ndarray, shape (n, 3)
    axis : ndarray, shape (3,)
        Unit vector of its northern end.
    seconds : array_like, shape (t,)

    Returns
    -------
    ndarray, shape (t, n, 3)
    """
    matrices = rotation(axis, -SIDEREAL_RAD_S * np.asarray(seconds, float))
    return np.asarray(directions @ np.swapaxes(matrices, -1, -2))


def angle_at(stars: Array, first: Array, second: Array) -> Array:
    """Angle at a star from one point to another, right-handed about the star.

    The spherical angle by dot and cross products, exact even if the two points are arcseconds apart.

    Parameters
    ----------
    stars : ndarray, shape (..., 3)
    first, second : ndarray, shape (3,)
        Unit vectors.

    Returns
    -------
    ndarray, shape (...)
        Radians, in -pi..pi.
    """
    sine = stars @ cross(first, second)
    cosine = float(first @ second) - (stars @ first) * (stars @ second)
    return np.arctan2(sine, cosine)


def refraction_drift(observed: Array, site: Site) -> Array:
    """Drift of observed places caused by refraction, relative to uniform rotation about the true pole.

    The true place rotates uniformly; the observed one has the same azimuth and is higher by A tan z + B tan^3 z of the
    observed zenith distance z, with ERFA's constants (`refco`). The rate is the derivative of that law.

    Parameters
    ----------
    observed : ndarray, shape (n, 3)
        Observed directions; below 3 degrees with the slope at 3 degrees.
    site : Site
        Location and air.

    Returns
    -------
    ndarray, shape (n, 3)
        Radians per second, tangent to the sphere, east-north-up.
    """
    import erfa

    location, pole = site.location, north_pole(site)
    a, b = erfa.refco(location.station_pressure_hpa, location.temperature_c, HUMIDITY, WAVELENGTH_UM)
    altitude, azimuth = alt_az(observed)
    tangent = 1.0 / np.tan(np.maximum(altitude, _LOWEST_RAD))
    bent = a * tangent + b * tangent**3
    slope = (a + 3.0 * b * tangent**2) * (1.0 + tangent**2)
    clockwise = np.stack([np.cos(azimuth), -np.sin(azimuth), np.zeros_like(azimuth)], axis=-1)
    true_altitude = altitude - bent
    level = np.stack([np.sin(azimuth), np.cos(azimuth), np.zeros_like(azimuth)], axis=-1)
    up = np.array([0.0, 0.0, 1.0])
    true = np.cos(true_altitude)[:, None] * level + np.sin(true_altitude)[:, None] * up
    true_up = np.cos(true_altitude)[:, None] * up - np.sin(true_altitude)[:, None] * level
    motion = -SIDEREAL_RAD_S * cross(pole, true)
    around = np.sum(motion * clockwise, axis=-1) * np.cos(altitude) / np.cos(true_altitude)
    rising = np.sum(motion * true_up, axis=-1) / (1.0 + slope)
    observed_up = np.cos(altitude)[:, None] * up - np.sin(altitude)[:, None] * level
    moving = around[:, None] * clockwise + rising[:, None] * observed_up
    return np.asarray(moving + SIDEREAL_RAD_S * cross(pole, observed))

"""The slow part of astrometry, interpolated, against ERFA's own routine at every time."""

from __future__ import annotations

import erfa
import numpy as np
import pytest
from astropy import units as u
from astropy.time import Time

from skysample.astrometry import observed_place as frames
from skysample.astrometry.earth_motion import earth_motion
from skysample.astrometry.earth_orientation import earth_orientation
from skysample.geometry import ARCSEC, direction, separation

MICROARCSEC = ARCSEC / 1e6


def at_every_time(tt1, tt2):
    """Position, velocity, heliocentric position and pole, straight from ERFA."""
    heliocentric, barycentric = erfa.epv00(tt1, tt2)
    x, y, s = erfa.xys06a(tt1, tt2)
    angles = np.stack([x, y, s], axis=-1)
    return np.concatenate([barycentric["p"], barycentric["v"], heliocentric["p"], angles], axis=-1)


def flat(motion):
    angles = np.stack([motion.x, motion.y, motion.s], axis=-1)
    return np.concatenate(
        [motion.barycentric["p"], motion.barycentric["v"], motion.heliocentric, angles], axis=-1
    )


@pytest.mark.parametrize(("first", "last"), [(2460676.5, 2461041.5), (2442000.5, 2442100.5)])
def test_interpolated_motion_is_that_of_the_series_to_a_microarcsecond(first, last):
    days = np.random.default_rng(1).uniform(0.0, last - first, 4000)
    found = flat(earth_motion(np.full(4000, first), days))[:400]
    expected = at_every_time(np.full(400, first), days[:400])
    apart = np.max(np.abs(found - expected), axis=0)
    assert apart.max() > 0.0, "nothing was interpolated"
    assert apart[:3].max() < 5e-12
    assert apart[3:6].max() / 173.1 < 5e-12  # over the speed of light in au/day: aberration
    assert apart[6:].max() < 5e-12


def test_few_times_far_apart_take_the_series_itself():
    days = np.linspace(0.0, 4000.0, 30).reshape(5, 6)
    motion = earth_motion(np.full((5, 6), 2458000.5), days)
    assert motion.x.shape == (5, 6)
    np.testing.assert_array_equal(flat(motion)[..., :9], at_every_time(2458000.5, days)[..., :9])
    np.testing.assert_allclose(flat(motion)[..., 9:], at_every_time(2458000.5, days)[..., 9:], atol=1e-15)


def test_observed_places_of_a_night_equal_erfas_transform_of_each_to_a_microarcsecond(make_site):
    site = make_site("fork", 35.0)
    rng = np.random.default_rng(2)
    times = Time("2025-03-01T18:00:00") + rng.uniform(0.0, 0.5, 300) * u.day
    alt, az = np.arcsin(rng.uniform(0.1, 1.0, 300)), rng.uniform(0.0, 2.0 * np.pi, 300)
    ra, dec = frames.to_icrs(site, times, direction(alt, az))
    orientation = earth_orientation(times.utc.mjd)
    location = site.location
    azimuth, zenith, *_ = erfa.atco13(
        ra,
        dec,
        0.0,
        0.0,
        0.0,
        0.0,
        times.utc.jd1,
        times.utc.jd2,
        orientation.dut1_s,
        np.radians(location.longitude_deg),
        location.latitude_rad,
        location.elevation_m,
        orientation.xp_rad,
        orientation.yp_rad,
        location.station_pressure_hpa,
        location.temperature_c,
        frames.HUMIDITY,
        frames.WAVELENGTH_UM,
    )
    apart = separation(frames.to_observed(site, times, ra, dec), direction(np.pi / 2.0 - zenith, azimuth))
    assert apart.max() < MICROARCSEC

from __future__ import annotations

import math

import erfa
import numpy as np
import pytest
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st
from skysample_moon import Moon, moon_direction, skysample_obstructions

from skysample.errors import InputError, SkysampleWarning
from skysample.geometry import alt_az, direction, rotation, separation
from skysample.plugins import default_registry
from skysample.site import Site
from skysample.testing import check_obstruction

DEG = np.pi / 180.0

# Meeus, Astronomical Algorithms, 2nd ed., example 47.a: 1992 April 12, 0h TD, apparent and geocentric.
MEEUS_TT_JD = 2448724.5
MEEUS_LONGITUDE, MEEUS_LATITUDE, MEEUS_OBLIQUITY = 133.167265, -3.229126, 23.440636
MEEUS_RA, MEEUS_DEC, MEEUS_PARALLAX = 134.688470, 13.768368, 0.991990


def a_site(latitude=-27.0, longitude=5.0, elevation=1250.0, pressure=0.0, moon=None):
    return Site.from_dict(
        {
            "location": {
                "latitude_deg": latitude,
                "longitude_deg": longitude,
                "elevation_m": elevation,
                "pressure_hpa": pressure,
            },
            "mount": {"kind": "fork"},
            **({} if moon is None else {"plugins": {"moon": moon}}),
        }
    )


def meeus_time():
    return Time(MEEUS_TT_JD, format="jd", scale="tt").utc


def sidereal_time_deg(jd_ut):
    """Mean, Greenwich: Meeus, formula 12.4."""
    t = (jd_ut - 2451545.0) / 36525.0
    return 280.46061837 + 360.98564736629 * (jd_ut - 2451545.0) + 0.000387933 * t * t


def seen_from(site, ra, dec, parallax, sidereal):
    """Altitude and azimuth, degrees, of a geocentric place: Meeus, chapters 11, 13 and 40."""
    latitude = site.location.latitude_deg * DEG
    reduced = math.atan(0.99664719 * math.tan(latitude))
    above = site.location.elevation_m / 6378140.0
    rho_sin = 0.99664719 * math.sin(reduced) + above * math.sin(latitude)
    rho_cos = math.cos(reduced) + above * math.cos(latitude)
    hour_angle = (sidereal + site.location.longitude_deg - ra) * DEG
    sin_pi = math.sin(parallax * DEG)
    below = math.cos(dec * DEG) - rho_cos * sin_pi * math.cos(hour_angle)
    shift = math.atan2(-rho_cos * sin_pi * math.sin(hour_angle), below)
    dec_seen = math.atan2((math.sin(dec * DEG) - rho_sin * sin_pi) * math.cos(shift), below)
    h = hour_angle - shift
    altitude = math.asin(
        math.sin(latitude) * math.sin(dec_seen) + math.cos(latitude) * math.cos(dec_seen) * math.cos(h)
    )
    azimuth_from_south = math.atan2(
        math.sin(h), math.cos(h) * math.sin(latitude) - math.tan(dec_seen) * math.cos(latitude)
    )
    return altitude / DEG, azimuth_from_south / DEG + 180.0


def equatorial(longitude, latitude, obliquity):
    lam, beta, eps = longitude * DEG, latitude * DEG, obliquity * DEG
    ra = math.atan2(math.sin(lam) * math.cos(eps) - math.tan(beta) * math.sin(eps), math.cos(lam))
    dec = math.asin(math.sin(beta) * math.cos(eps) + math.cos(beta) * math.sin(eps) * math.sin(lam))
    return ra / DEG % 360.0, dec / DEG


def almanac_moon(jd):
    """Geocentric ecliptic place and parallax, degrees.

    Low-precision formulae for the Moon of the Astronomical Almanac, page D22 (coefficients from memory), good
    to 0.3 degrees.
    """
    t = (jd - 2451545.0) / 36525.0

    def wave(start, rate):
        return (start + rate * t) * DEG

    longitude = (
        218.32
        + 481267.881 * t
        + 6.29 * math.sin(wave(135.0, 477198.87))
        - 1.27 * math.sin(wave(259.3, -413335.36))
        + 0.66 * math.sin(wave(235.7, 890534.22))
        + 0.21 * math.sin(wave(269.9, 954397.74))
        - 0.19 * math.sin(wave(357.5, 35999.05))
        - 0.11 * math.sin(wave(186.5, 966404.03))
    )
    latitude = (
        5.13 * math.sin(wave(93.3, 483202.02))
        + 0.28 * math.sin(wave(228.2, 960400.89))
        - 0.28 * math.sin(wave(318.3, 6003.15))
        - 0.17 * math.sin(wave(217.6, -407332.21))
    )
    parallax = (
        0.9508
        + 0.0518 * math.cos(wave(135.0, 477198.87))
        + 0.0095 * math.cos(wave(259.3, -413335.36))
        + 0.0078 * math.cos(wave(235.7, 890534.22))
        + 0.0028 * math.cos(wave(269.9, 954397.74))
    )
    return longitude % 360.0, latitude, parallax


def apart_deg(vector, altitude, azimuth):
    return float(separation(vector, direction(altitude * DEG, azimuth * DEG))) / DEG


def test_the_published_ecliptic_and_equatorial_places_of_the_worked_example_agree():
    ra, dec = equatorial(MEEUS_LONGITUDE, MEEUS_LATITUDE, MEEUS_OBLIQUITY)
    assert (ra, dec) == pytest.approx((MEEUS_RA, MEEUS_DEC), abs=2e-6)


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(49.0, -115.0), (-27.0, 5.0), (0.5, 100.0), (-80.0, -60.0)]
)
def test_the_moon_stands_where_the_worked_example_puts_it(latitude, longitude):
    site = a_site(latitude, longitude)
    when = meeus_time()
    equation_of_equinoxes = 16.595 / 3600.0 * math.cos(MEEUS_OBLIQUITY * DEG)  # nutation as in the example
    sidereal = sidereal_time_deg(when.jd) + equation_of_equinoxes
    altitude, azimuth = seen_from(site, MEEUS_RA, MEEUS_DEC, MEEUS_PARALLAX, sidereal)
    assert apart_deg(moon_direction(site, when), altitude, azimuth) < 0.005


@given(
    jd=st.floats(2444239.5, 2460676.5),  # 1980 to 2025
    latitude=st.floats(-89.0, 89.0),
    longitude=st.floats(-180.0, 180.0),
)
def test_the_moon_stands_where_the_almanacs_short_formulae_put_it(jd, latitude, longitude):
    site = a_site(latitude, longitude)
    when = Time(jd, format="jd", scale="utc")
    lam, beta, parallax = almanac_moon(jd)
    altitude, azimuth = seen_from(site, *equatorial(lam, beta, 23.44), parallax, sidereal_time_deg(jd))
    assert apart_deg(moon_direction(site, when), altitude, azimuth) < 0.6


def test_a_date_in_2030_needs_no_network_and_no_newer_tables():
    site = a_site()
    jd = 2462502.8
    with pytest.warns(SkysampleWarning, match="extrapolated"):
        seen = moon_direction(site, Time(jd, format="jd", scale="utc"))
    lam, beta, parallax = almanac_moon(jd)
    altitude, azimuth = seen_from(site, *equatorial(lam, beta, 23.44), parallax, sidereal_time_deg(jd))
    assert apart_deg(seen, altitude, azimuth) < 0.6


def test_the_geocentric_place_is_that_of_astropys_built_in_ephemeris():
    from astropy.coordinates import get_body

    when = Time("2024-06-15T04:00:00", scale="utc")
    gcrs = get_body("moon", when, ephemeris="builtin")
    of_date = erfa.pnm06a(when.tt.jd1, when.tt.jd2) @ gcrs.cartesian.xyz.to_value("m")
    site = a_site(
        latitude=90.0, elevation=0.0
    )  # at the pole the altitude is the declination, but for parallax
    expected = math.atan2(of_date[2] - 6356752.3, math.hypot(of_date[0], of_date[1]))
    altitude, _ = alt_az(moon_direction(site, when))
    assert float(altitude) / DEG == pytest.approx(expected / DEG, abs=0.01)


def test_parallax_lowers_the_moon_by_most_of_a_degree_near_the_horizon():
    when = Time(2460000.5, np.linspace(0.0, 1.0, 200), format="jd", scale="utc")
    deep = moon_direction(a_site(elevation=-500.0), when)
    high = moon_direction(a_site(elevation=9500.0), when)
    # 10 km higher the parallax is larger by 10 / 6378 of itself: the Moon stands lower, by up to 5 arcsec.
    drop = (alt_az(deep)[0] - alt_az(high)[0]) / DEG * 3600.0
    assert 4.5 < drop.max() < 6.0
    assert drop.min() > -0.1


def test_refraction_is_that_of_the_air_over_the_site():
    when = Time(2460000.5, np.linspace(0.0, 1.0, 500), format="jd", scale="utc")
    true = alt_az(moon_direction(a_site(), when))[0] / DEG
    lift = (alt_az(moon_direction(a_site(pressure=1010.0), when))[0] / DEG - true) * 60.0
    order = np.argsort(true)
    at_0, at_45 = np.interp([0.0, 45.0], true[order], lift[order])
    assert at_45 == pytest.approx(1.0, abs=0.05)  # arcmin; common practice, no source
    assert at_0 == pytest.approx(
        29.0, abs=0.3
    )  # Meeus, chapter 16: almost 29' at true altitude 0 (from memory)
    assert lift.min() >= 0.0


def test_a_cap_of_the_given_radius_is_blocked():
    site = a_site()
    when = next(each for each in hours() if moon_direction(site, each)[2] > 0.5)
    moon = moon_direction(site, when)
    across = np.cross(moon, [0.0, 1.0, 0.0])
    across /= np.linalg.norm(across)
    round_it = rotation(moon, np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False))
    inside = round_it @ (rotation(across, 34.99 * DEG) @ moon)
    outside = round_it @ (rotation(across, 35.01 * DEG) @ moon)
    obstruction = Moon(site, 35.0)
    assert obstruction.blocks(inside, when).all()
    assert not obstruction.blocks(outside, when).any()
    assert not Moon(site, 0.0).blocks(moon[None], when).any()


def test_nothing_is_blocked_while_the_moon_is_down():
    site = a_site(pressure=880.0)
    minutes = Time(2460000.5, np.arange(1440) / 1440.0, format="jd", scale="utc")
    altitude = alt_az(moon_direction(site, minutes))[0] / DEG
    zenith = np.tile([0.0, 0.0, 1.0], (1440, 1))
    assert (Moon(site, 180.0).blocks(zenith, minutes) == (altitude > -0.27)).all()
    assert (altitude < -0.27).any()
    assert ((altitude > -0.27) & (altitude < 0.0)).any()  # the upper limb alone is up
    assert (altitude > 0.0).any()


def test_nothing_is_blocked_without_a_time():
    assert not Moon(a_site(), 180.0).blocks(the_sky(), None).any()


def test_each_direction_may_have_its_own_time():
    site = a_site()
    sky = the_sky()
    when = Time(2460000.5, np.linspace(0.0, 1.0, len(sky)), format="jd", scale="utc")
    together = Moon(site, 60.0).blocks(sky, when)
    one_by_one = [Moon(site, 60.0).blocks(sky[i : i + 1], when[i])[0] for i in range(len(sky))]
    assert together.tolist() == one_by_one
    assert 0 < together.sum() < len(sky)


def test_it_conforms():
    site = a_site(pressure=880.0)
    when = Time(2460000.5, np.linspace(0.0, 1.0, len(the_sky())), format="jd", scale="utc")
    for moment in (None, when[40], when):
        check_obstruction(Moon(site, 60.0), the_sky(), moment)


def test_the_distance_comes_from_the_site_file():
    assert skysample_obstructions(a_site())[0].avoid_deg == 20.0
    assert skysample_obstructions(a_site(moon={"avoid_deg": 35}))[0].avoid_deg == 35.0


@pytest.mark.parametrize("value", [-1, 180.5, float("nan"), "20", True, [20]])
def test_a_distance_that_is_no_angle_is_refused(value):
    site = Moon(a_site()).site
    given_there = type(site)(site.location, site.mount, plugins={"moon": {"avoid_deg": value}})
    with pytest.raises(InputError, match=r"plugins\.moon\.avoid_deg") as raised:
        skysample_obstructions(given_there)
    assert raised.value.key == "plugins.moon.avoid_deg"


def test_an_unknown_key_is_refused_with_the_known_one():
    with pytest.raises(InputError, match=r"did you mean plugins\.moon\.avoid_deg"):
        skysample_obstructions(a_site(moon={"avoid_degrees": 20}))
    with pytest.raises(InputError, match="known keys here: avoid_deg"):
        skysample_obstructions(a_site(moon={"x": 20}))


def test_skysample_finds_it_once_it_is_installed():
    found = default_registry().obstructions(a_site(moon={"avoid_deg": 12.0}))["moon"]
    assert isinstance(found, Moon)
    assert found.avoid_deg == 12.0


def hours():
    return [Time(2460000.5, hour / 24.0, format="jd", scale="utc") for hour in range(25)]


def the_sky():
    rng = np.random.default_rng(5)
    return direction(np.arcsin(rng.uniform(0.0, 1.0, 150)), rng.uniform(0.0, 2.0 * np.pi, 150))

"""The observed place against ERFA's published test values and against astropy, offline at any date."""

from __future__ import annotations

import socket
import warnings

import erfa
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from skysample.astrometry import observed_place as frames
from skysample.astrometry.earth_orientation import EarthOrientation, earth_orientation
from skysample.errors import InputError, SkysampleWarning
from skysample.geometry import ARCSEC, alt_az, direction, separation

MAS = ARCSEC / 1000.0


def test_observed_place_equals_the_published_case_of_erfa(make_site, monkeypatch):
    # ERFA test suite (t_erfa_c.c), function t_atco13: inputs and expected values as published there.
    site = make_site(
        "fork",
        float(np.degrees(-1.2345856)),
        location={
            "longitude_deg": float(np.degrees(-0.527800806)),
            "elevation_m": 2738.0,
            "temperature_c": 12.8,
            "pressure_hpa": 731.0,
        },
    )
    monkeypatch.setattr(frames, "HUMIDITY", 0.59)
    monkeypatch.setattr(frames, "WAVELENGTH_UM", 0.55)
    orientation = EarthOrientation(np.array(0.1550675), np.array(2.47230737e-7), np.array(1.82640464e-6))
    monkeypatch.setattr(frames, "earth_orientation", lambda _mjd: orientation)
    star = SkyCoord(
        ra=2.71 * u.rad,
        dec=0.174 * u.rad,
        pm_ra_cosdec=1e-5 * np.cos(0.174) * u.rad / u.yr,
        pm_dec=5e-6 * u.rad / u.yr,
        distance=10.0 * u.pc,
        radial_velocity=55.0 * u.km / u.s,
    )
    place = frames.observed_place(star, Time(2456384.5, 0.969254051, format="jd", scale="utc"), site)
    assert place.az.rad == pytest.approx(0.9251774485485515e-1, abs=MAS / 10)
    assert np.pi / 2 - place.alt.rad == pytest.approx(1.407661405256499357, abs=MAS / 10)


def test_refraction_constants_equal_the_published_case_of_erfa():
    # ERFA test suite, t_refco: the constants that `refraction_at` rests on.
    a, b = erfa.refco(800.0, 10.0, 0.9, 0.4)
    assert a == pytest.approx(0.2264949956241415009e-3, rel=1e-12)
    assert b == pytest.approx(-0.2598658261729343970e-6, rel=1e-12)


@pytest.mark.usefixtures("packaged_earth_orientation")
def test_observed_place_agrees_with_astropy_over_a_year_and_the_whole_sky(make_site):
    site = make_site("fork", 35.0)
    rng = np.random.default_rng(4)
    times = Time("2025-01-01T00:00:00") + rng.uniform(0.0, 365.0, 400) * u.day
    alt, az = np.arcsin(rng.uniform(np.sin(np.radians(5.0)), 1.0, 400)), rng.uniform(0.0, 2 * np.pi, 400)
    ra, dec = frames.to_icrs(site, times, direction(alt, az))
    location = EarthLocation.from_geodetic(5.0 * u.deg, 35.0 * u.deg, 1250.0 * u.m)
    frame = AltAz(
        obstime=times,
        location=location,
        pressure=site.location.station_pressure_hpa * u.hPa,
        temperature=10.0 * u.deg_C,
        relative_humidity=frames.HUMIDITY,
        obswl=frames.WAVELENGTH_UM * u.um,
    )
    theirs = SkyCoord(ra=ra * u.rad, dec=dec * u.rad).transform_to(frame)
    ours = frames.to_observed(site, times, ra, dec)
    apart = separation(ours, direction(theirs.alt.rad, theirs.az.rad))
    assert apart.max() < MAS


def test_icrs_place_undoes_observed_place(make_site):
    site = make_site("altaz", 20.0)
    when = Time("2026-06-14T18:00:00")
    place = SkyCoord(az=123.0 * u.deg, alt=41.0 * u.deg, frame="altaz")
    back = frames.observed_place(frames.icrs_place(place, when, site), when, site)
    assert abs(back.alt.deg - 41.0) * 3.6e6 < 0.1
    assert abs(back.az.deg - 123.0) * 3.6e6 < 0.1


def test_a_date_in_2030_works_offline_and_says_how_wrong_it_may_be(make_site, monkeypatch):
    def refuse(*_args, **_kwargs):
        raise AssertionError("the network was asked")

    monkeypatch.setattr(socket, "socket", refuse)
    before = {name: getattr(iers.conf, name) for name in ("auto_download", "auto_max_age", "iers_auto_url")}
    when = Time(2462502.5, [0.3, 0.4], format="jd", scale="utc")
    with pytest.warns(SkysampleWarning, match="arcsec") as caught:
        vectors = frames.to_observed(make_site(), when, [1.0, 1.1], [-0.5, -0.4])
    assert len(caught) == 1
    assert np.allclose(np.linalg.norm(vectors, axis=1), 1.0)
    assert before == {name: getattr(iers.conf, name) for name in before}


def test_a_proper_motion_counts_from_the_epoch_of_the_coordinates(make_site):
    # 1" a year of declination, told at J2016: there it is where a star of J2000 has come that began 16" lower.
    when, site = Time("2016-01-01T03:00:00"), make_site("fork", 40.0)
    motion = {"pm_ra_cosdec": 0 * u.mas / u.yr, "pm_dec": 1000 * u.mas / u.yr}
    late = SkyCoord(80 * u.deg, 20 * u.deg, obstime=Time("J2016"), **motion)
    early = SkyCoord(80 * u.deg, 20 * u.deg - 16 * u.arcsec, **motion)
    there = [frames.observed_place(each, when, site) for each in (late, early)]
    assert there[0].separation(there[1]) < 0.01 * u.arcsec
    still = frames.observed_place(SkyCoord(80 * u.deg, 20 * u.deg), when, site)
    assert there[0].separation(still) < 0.02 * u.arcsec


def test_a_place_can_be_told_the_air_of_tonight(make_site):
    when, site = Time("2016-01-01T03:00:00"), make_site("fork", 40.0)
    star = SkyCoord(80 * u.deg, 20 * u.deg)
    usual, cold = (frames.observed_place(star, when, site, temperature_c=each) for each in (None, -10.0))
    assert usual.separation(cold) > 0.5 * u.arcsec
    named = frames.to_observed(site, when, star.ra.rad, star.dec.rad, temperature_c=-10.0)
    np.testing.assert_allclose(direction(cold.alt.rad, cold.az.rad), np.squeeze(named), atol=1e-14)
    back = frames.icrs_place(cold, when, site, temperature_c=-10.0)
    assert back.separation(star) < 1e-3 * u.arcsec
    with pytest.raises(InputError, match="a time is a str"):
        frames.observed_place(star, "2016-01-01T03:00:00", site)


def test_earth_orientation_is_that_of_the_table_as_astropy_reads_it():
    table = iers.IERS_A.read(iers.IERS_A_FILE, readme=iers.IERS_A_README)
    days = np.asarray(table["MJD"].value)
    read = earth_orientation(days)
    np.testing.assert_allclose(read.dut1_s, table["UT1_UTC"].value, rtol=0.0, atol=1e-12)
    np.testing.assert_allclose(read.xp_rad / ARCSEC, table["PM_x"].value, rtol=0.0, atol=1e-15)
    np.testing.assert_allclose(read.yp_rad / ARCSEC, table["PM_y"].value, rtol=0.0, atol=1e-15)


def test_extrapolated_ut1_joins_the_table_without_a_step():
    end = float(iers.IERS_A.read(iers.IERS_A_FILE)["MJD"][-1].value)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SkysampleWarning)
        ut1 = earth_orientation(end + np.arange(-50.0, 50.0, 0.5)).dut1_s
    assert np.abs(ut1).max() < 0.9
    assert np.abs(np.diff(ut1)).max() < 0.004


def test_the_sun_is_where_meeus_puts_it(make_site):
    # Meeus, Astronomical Algorithms (2nd ed.), example 25.a: 1992 October 13, 0h TD, apparent
    # right ascension 198.38082 deg, declination -7.78507 deg (value from memory).
    site = make_site("fork", 0.0, location={"longitude_deg": 0.0, "elevation_m": 0.0, "pressure_hpa": 0.0})
    when = Time("1992-10-13T00:00:00", scale="tt").utc
    sun = frames.sun_direction(site, when)
    _, dec = frames.hour_angle_dec(sun, 0.0)
    assert np.degrees(dec) == pytest.approx(-7.78507, abs=0.01)


def test_refraction_lifts_the_pole(make_site):
    # At 45 degrees and sea level the standard refraction is about an arcminute (58.3" at 1010 hPa and 10 C:
    # value from memory).
    site = make_site("fork", 45.0, location={"elevation_m": 0.0, "pressure_hpa": 1010.0})
    assert frames.refraction_at(np.pi / 4, site) / ARCSEC == pytest.approx(58.3, abs=0.7)
    assert frames.refraction_at(np.pi / 4, make_site(location={"pressure_hpa": 0.0})) == 0.0


def test_refraction_at_agrees_with_the_full_transform(make_site):
    site = make_site("fork", 35.0)
    when = Time("2026-06-14T18:00:00")
    low = direction(np.radians(35.0), 1.0)
    ra, dec = frames.to_icrs(site, when, low)
    bare = frames.to_observed(site, when, ra, dec, refraction=False)
    true_altitude = float(alt_az(bare)[0])
    assert frames.refraction_at(true_altitude, site) == pytest.approx(
        np.radians(35.0) - true_altitude, abs=0.02 * ARCSEC
    )


@pytest.mark.parametrize("latitude", [-60.0, -27.0, 0.0, 35.0, 80.0])
def test_hour_angle_and_declination_of_the_zenith_and_of_the_west(latitude):
    hour_angle, dec = frames.hour_angle_dec(
        direction([np.pi / 2, 0.0], [0.0, 1.5 * np.pi]), np.radians(latitude)
    )
    assert np.degrees(dec[0]) == pytest.approx(latitude, abs=1e-9)
    assert np.degrees(hour_angle[1]) == pytest.approx(90.0)
    assert dec[1] == pytest.approx(0.0, abs=1e-12)


def test_a_missing_time_is_refused(make_site):
    times = np.ma.MaskedArray([2461000.5, 2461000.5], mask=[False, True])
    with pytest.raises(InputError, match="time"):
        frames.to_observed(make_site(), Time(times, format="jd", scale="utc"), [1.0, 1.0], [0.0, 0.0])

"""Trails of stars on a chip by stepping the true motion of sky, mount and air, and by the published formulas."""

from __future__ import annotations

import erfa
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, SkyCoord
from scipy.spatial.transform import Rotation

from skysample.astrometry.observed_place import HUMIDITY, WAVELENGTH_UM
from skysample.astrometry.sidereal import refraction_drift
from skysample.errors import InputError
from skysample.tracking_errors.trails import TOLERANCE_PX, trail
from tests.conftest import make_site
from tests.simulated_nights import simulated_alignment, unit_vectors

SIDEREAL = 7.292115e-5
CAMERA = {"exposure_s": 30, "pixel_arcsec": 0.5, "size_px": [4000, 3000]}
CORNER_RAD = 2500 * np.radians(0.5 / 3600.0)


def alignment(kind, latitude, first_arcmin, second_arcmin, camera=CAMERA):
    site = make_site(kind, latitude, camera=camera)
    return simulated_alignment(site, first_arcmin, second_arcmin, noise_arcsec=0.01)


def place(alt_deg, az_deg):
    return SkyCoord(az=az_deg, alt=alt_deg, unit="deg", frame=AltAz())


def north_end(latitude):
    return np.array([0.0, np.cos(np.radians(latitude)), np.sin(np.radians(latitude))])


def sky_turn(pole, seconds):
    return Rotation.from_rotvec(-SIDEREAL * seconds * pole)


@pytest.mark.parametrize("latitude", [35.0, -35.0])
@pytest.mark.parametrize("spot", [(45.0, 100.0), (70.0, 200.0), (31.0, 330.0)])
def test_without_the_model_stars_trail_as_the_mount_and_the_sky_are_turned_step_by_step(latitude, spot):
    found = alignment("fork", latitude, 40.0, -30.0)
    axis = found.axis * np.sign(latitude)
    start = unit_vectors(*np.radians(spot))
    beside = np.cross(start, [0.0, 0.0, 1.0])
    corner = np.cos(CORNER_RAD) * start + np.sin(CORNER_RAD) * beside / np.linalg.norm(beside)
    for row in trail(found, at=place(*spot)).rows:
        seconds, steps = 60.0 * row.minutes, 60
        mount = sky_turn(axis, seconds / steps).as_matrix()
        sky = sky_turn(north_end(latitude), seconds / steps).as_matrix()
        camera, stars = np.eye(3), np.stack([start, corner])
        for _ in range(steps):
            camera, stars = mount @ camera, stars @ sky.T
        shifts = np.degrees(np.linalg.norm(stars @ camera - [start, corner], axis=1)) * 3600.0
        assert row.drift_arcsec == pytest.approx(shifts[0], rel=1e-6)
        assert shifts.max() <= row.corner_without_arcsec * (1.0 + 1e-6)
        # The bound adds the turn of the corner to the drift of the middle, at whatever angle they meet.
        assert (
            row.corner_without_arcsec
            <= shifts[0] + CORNER_RAD * np.radians(row.turn_without_deg) * 206264.8 * 1.01
        )
        # The line from the middle to this corner turns by as much as the field does.
        before, after = corner - start, stars[1] @ camera - stars[0] @ camera
        turned = np.arctan2(np.cross(before, after) @ start, before @ after)
        assert row.turn_without_deg == pytest.approx(abs(np.degrees(turned)), rel=0.02)


def guided_turn(star, pole, axis, seconds, steps=200):
    """Hold a star with both axes, step by step: how far the camera has turned on the sky, at most so far."""
    mark = np.cross(axis, star)
    turn = sky_turn(pole, seconds / steps).as_matrix()
    so_far = [0.0]
    for _ in range(steps):
        star, mark = turn @ star, turn @ mark
        camera = np.cross(axis, star)
        so_far.append(np.arctan2(np.cross(mark, camera) @ star, mark @ camera))
    return np.degrees(np.ptp(so_far))


@pytest.mark.parametrize("latitude", [35.0, -35.0])
@pytest.mark.parametrize("spot", [(45.0, 100.0), (70.0, 200.0)])
def test_with_the_model_the_field_turns_as_a_guided_camera_does(latitude, spot):
    found = alignment("fork", latitude, 40.0, -30.0)
    star, pole = unit_vectors(*np.radians(spot)), north_end(latitude)
    for row in trail(found, at=place(*spot)).rows:
        turned = guided_turn(star, pole, found.axis, 60.0 * row.minutes)
        assert row.turn_with_deg == pytest.approx(turned, rel=2e-3)
        assert row.corner_with_arcsec == pytest.approx(CORNER_RAD * np.radians(turned) * 206264.8, rel=2e-3)


def test_near_the_pole_the_field_turns_fastest_and_only_for_a_place_that_is_named():
    found = alignment("fork", 35.0, 2.0, 0.0)
    near, worst = trail(found, at=place(36.0, 0.0)), trail(found)
    assert near.at_deg == (36.0, 0.0)
    assert worst.at_deg is None
    assert near.rows[-1].turn_with_deg > 3.0 * worst.rows[-1].turn_with_deg
    pole = north_end(35.0)
    for row in worst.rows:
        start = unit_vectors(*np.radians(row.turn_place_deg))
        assert np.degrees(np.arccos(start @ pole)) > 4.9
    guided = guided_turn(unit_vectors(*np.radians([36.0, 0.0])), pole, found.axis, 3600.0)
    assert near.rows[-1].turn_with_deg == pytest.approx(guided, rel=2e-3)


def test_the_worst_over_the_sky_is_no_better_than_any_place_in_it():
    found = alignment("fork", 35.0, 5.0, 3.0)
    worst = trail(found).rows
    for spot in ((60.0, 90.0), (50.0, 180.0), (45.0, 10.0)):
        for named, row in zip(trail(found, at=place(*spot)).rows, worst, strict=True):
            assert named.drift_arcsec <= row.drift_arcsec * (1.0 + 1e-3)
            assert named.turn_with_deg <= row.turn_with_deg * (1.0 + 1e-3)


@pytest.mark.parametrize(("which", "row", "above"), [("with", 3, 1.05), ("without", 1, 1.1)])
def test_a_misalignment_below_enough_stays_within_half_a_pixel_in_any_direction_and_one_above_does_not(
    which, row, above
):
    spot = place(50.0, 60.0)
    enough = getattr(trail(alignment("fork", 35.0, 1.0, 0.0), at=spot).rows[row], f"enough_{which}_arcmin")
    for scale, inside in ((0.98, True), (above, False)):
        trails = []
        for angle in np.radians(np.arange(0.0, 180.0, 22.5)):
            altitude = scale * enough * np.cos(angle)
            azimuth = scale * enough * np.sin(angle) / np.cos(np.radians(35.0))
            again = trail(alignment("fork", 35.0, altitude, azimuth), at=spot).rows[row]
            trails.append(getattr(again, f"corner_{which}_arcsec") / CAMERA["pixel_arcsec"])
        assert (max(trails) <= TOLERANCE_PX) == inside


def test_enough_is_the_published_relation_of_misalignment_field_and_declination():
    # Hook 1989, J. Br. Astron. Assoc. 99, 19 (from memory): E[arcmin] = 45000 S cos D / (T F A), S trail in um,
    # D declination, T minutes, F focal length in mm, A degrees from the guide star to the edge of the field.
    found = alignment("fork", 35.0, 1.0, 0.0)
    focal_mm, pixel_um = 3000.0, 3000.0 * np.radians(0.5 / 3600.0) * 1000.0
    row = trail(found, at=place(55.0, 180.0)).rows[1]
    published = 45000.0 * TOLERANCE_PX * pixel_um * 1.0 / (row.minutes * focal_mm * np.degrees(CORNER_RAD))
    assert row.enough_with_arcmin == pytest.approx(published, rel=0.002)


def test_an_arcminute_off_drifts_by_the_textbook_quarter_of_an_arcsecond_a_minute():
    # Drift in declination: 15.04"/s x azimuth error x cos(latitude) x cos(hour angle) (from memory).
    found = alignment("fork", 35.0, 0.0, 10.0)
    row = trail(found, at=place(55.0, 180.0)).rows[1]
    assert row.drift_arcsec == pytest.approx(
        60.0 * 15.041 * np.radians(10.0 / 60.0) * np.cos(np.radians(35.0)), rel=2e-3
    )


def seen(true, site):
    """Observed direction of a true one, by ERFA's constants and bisection."""
    a, b = erfa.refco(
        site.location.station_pressure_hpa, site.location.temperature_c, HUMIDITY, WAVELENGTH_UM
    )
    zenith = np.arccos(true[2])
    low, high = zenith - 0.01, zenith
    for _ in range(80):
        middle = (low + high) / 2.0
        if middle + a * np.tan(middle) + b * np.tan(middle) ** 3 < zenith:
            low = middle
        else:
            high = middle
    level = np.array([true[0], true[1], 0.0]) / np.hypot(true[0], true[1])
    return np.sin(low) * level + np.cos(low) * np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize("latitude", [35.0, -27.0])
@pytest.mark.parametrize("spot", [(30.0, 89.0), (60.0, 250.0), (35.0, 180.0)])
def test_refractions_share_is_what_a_perfect_mount_sees_a_refracted_star_do(latitude, spot):
    site = make_site("fork", latitude)
    true = unit_vectors(*np.radians(spot))
    start = seen(true, site)
    pole, minute = north_end(latitude), 60.0
    end = seen(sky_turn(pole, minute).apply(true), site)
    moved = np.linalg.norm(sky_turn(pole, -minute).apply(end) - start)
    rate = np.linalg.norm(refraction_drift(start[None], site)[0])
    assert rate * minute == pytest.approx(moved, rel=0.01)


def test_on_the_meridian_refraction_slows_the_sky_as_king_says():
    # E. S. King 1931, A Manual of Celestial Photography (from memory): by k cos(latitude) / (cos(dec) cos(zenith
    # distance)) of its rate on the meridian, k the constant of refraction.
    site = make_site("fork", 35.0)
    a, _ = erfa.refco(
        site.location.station_pressure_hpa, site.location.temperature_c, HUMIDITY, WAVELENGTH_UM
    )
    star = unit_vectors(np.radians(50.0), np.pi)
    slower = refraction_drift(star[None], site)[0]
    dec, zenith = np.radians(-5.0), np.radians(40.0)
    expected = SIDEREAL * np.cos(dec) * a * np.cos(np.radians(35.0)) / (np.cos(dec) * np.cos(zenith))
    # Westwards motion on the southern meridian is towards negative east: slower is to the east.
    assert slower[0] == pytest.approx(expected, rel=0.01)


def test_without_air_refraction_adds_nothing():
    site = make_site("fork", 35.0, location={"pressure_hpa": 0})
    assert np.abs(refraction_drift(unit_vectors(np.array([0.6]), np.array([1.0])), site)).max() < 1e-18


@pytest.mark.parametrize("latitude", [35.0, -35.0])
def test_a_level_altaz_turns_the_field_and_a_lean_adds_what_a_rotator_leaves(latitude):
    found = alignment("altaz", latitude, 20.0, -15.0)
    spot = (60.0, 130.0)
    named = trail(found, at=place(*spot))
    star, pole, up = unit_vectors(*np.radians(spot)), north_end(latitude), np.array([0.0, 0.0, 1.0])
    level = guided_turn(star, pole, up, 1.0, steps=10) * 3600.0
    assert named.inherent_deg_per_hour == pytest.approx(level, rel=1e-3)
    for row in named.rows:
        # A rotator follows what a level mount would need; the leaning one needs a little else.
        steps = 100
        angles = []
        for seconds in np.linspace(0.0, 60.0 * row.minutes, steps):
            at = sky_turn(pole, seconds).apply(star)
            cameras = [np.cross(axis, at) / np.linalg.norm(np.cross(axis, at)) for axis in (up, found.axis)]
            angles.append(np.arctan2(np.cross(*cameras) @ at, cameras[0] @ cameras[1]))
        assert row.turn_with_deg == pytest.approx(np.degrees(np.ptp(angles)), rel=2e-3)
        # Without the model the base carries a mount that follows the places of a level one.
        base = Rotation.from_rotvec([-found.aim.north_rad, found.aim.east_rad, 0.0])
        later = sky_turn(pole, 60.0 * row.minutes)
        drift = later.inv().apply(base.apply(later.apply(base.inv().apply(star)))) - star
        assert row.drift_arcsec == pytest.approx(np.degrees(np.linalg.norm(drift)) * 3600.0, rel=2e-3)


def test_an_equatorial_mount_has_no_field_rotation_of_its_own():
    assert trail(alignment("fork", 35.0, 1.0, 1.0)).inherent_deg_per_hour is None


def test_a_camera_that_is_not_described_gets_angles_and_is_asked_for():
    found = trail(alignment("fork", 35.0, 5.0, 5.0, camera={}))
    assert found.exposure is None
    assert all(row.corner_with_arcsec is None and row.enough_with_arcmin is None for row in found.rows)
    assert "pixel_arcsec and size_px" in str(found)
    assert np.isnan(found.table["enough_with"].value).all()


@pytest.mark.parametrize(
    ("total_arcmin", "words"),
    [
        (0.3, ": good enough. Without the model, refraction alone"),
        (6.0, "with the model tracking in both axes, not without"),
        (120.0, "not shown to be good enough"),
    ],
)
def test_the_verdict_is_for_the_cameras_exposure(total_arcmin, words):
    found = trail(alignment("fork", 35.0, total_arcmin, 0.0))
    assert found.exposure.minutes == 0.5
    assert words in str(found)


def test_refraction_that_the_camera_would_notice_is_said_beside_the_verdict():
    quick = trail(alignment("fork", 35.0, 0.3, 0.0, camera=CAMERA | {"exposure_s": 10}))
    slow = trail(alignment("fork", 35.0, 0.3, 0.0, camera=CAMERA | {"exposure_s": 120}))
    assert "refraction alone" not in str(quick)
    pixels = 2.0 * slow.refraction_arcsec_per_min / CAMERA["pixel_arcsec"]
    assert slow.summary() == str(slow)
    assert f"refraction alone makes a star trail up to {pixels:.1f} pixels" in str(slow)


def test_times_are_the_exposure_and_four_that_always_stand():
    found = trail(alignment("fork", 35.0, 5.0, 5.0))
    assert found.table["time"].to_value(u.min).tolist() == [0.5, 1.0, 5.0, 20.0, 60.0]


@pytest.mark.parametrize(
    ("spot", "words"), [((35.0, 0.0), "the pole itself"), ((-3.0, 10.0), "above the horizontal")]
)
def test_a_place_that_makes_no_sense_is_refused(spot, words):
    with pytest.raises(InputError, match=words):
        trail(alignment("fork", 35.0, 5.0, 5.0), at=place(*spot))

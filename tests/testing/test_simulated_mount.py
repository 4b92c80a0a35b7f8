from __future__ import annotations

import ast
import math
import pickle
from pathlib import Path

import erfa
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from skysample import testing
from skysample.errors import InputError
from skysample.geometry import alt_az, direction, offset, separation, tangent_basis
from skysample.site.mount_axes import ideal_axes, ideal_direction, mount_frame
from skysample.testing import SimulatedMount

DEG = np.pi / 180.0
ARCSEC = DEG / 3600.0
KINDS = ("fork", "german", "altaz")
SITES = (-63.0, -27.0, 12.0, 52.0)


def error_of(mount, primary_deg, secondary_deg):
    """Where the tube points minus where a perfect one would: west and north (clockwise and up), arcsec."""
    frame = mount_frame(mount.kind, mount.latitude_deg * DEG)
    ideal = ideal_direction(frame, np.array([primary_deg, secondary_deg]) * DEG)
    real = direction(*mount.point(primary_deg * DEG, secondary_deg * DEG))
    return offset(ideal, tangent_basis(ideal, frame[:, 2]), real) / ARCSEC


def heights(mount, primary_deg, secondary_deg):
    """Altitude and azimuth, degrees."""
    alt, az = mount.point(primary_deg * DEG, secondary_deg * DEG)
    return float(alt) / DEG, float(az) / DEG


def in_sky(rng, count=60):
    return np.arcsin(rng.uniform(0.05, 0.999, count)), rng.uniform(0.0, 2.0 * np.pi, count)


# What it stands for


def test_it_shares_no_code_with_the_fit():
    own, imported = ["skysample.testing.simulated_mount"], set()
    for module in own:
        source = Path(testing.__file__).with_name(f"{module.rpartition('.')[2]}.py").read_text()
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.ImportFrom):
                assert node.level == 0
                imported.add(node.module)
            elif isinstance(node, ast.Import):
                imported.update(alias.name for alias in node.names)
        own += sorted(name for name in imported if name.startswith("skysample.testing.") and name not in own)
    assert own == ["skysample.testing.simulated_mount", "skysample.testing.mount_errors"]
    assert {name for name in imported if name.startswith("skysample")} - set(own) == {"skysample.errors"}


@pytest.mark.parametrize("latitude", SITES)
@pytest.mark.parametrize("kind", KINDS)
def test_without_errors_it_points_where_a_perfect_mount_does(kind, latitude):
    rng = np.random.default_rng(1)
    primary, secondary = rng.uniform(-4.0, 4.0, (2, 50))
    mount = SimulatedMount(kind, latitude)
    perfect = ideal_direction(mount_frame(kind, latitude * DEG), np.stack([primary, secondary], axis=-1))
    assert separation(direction(*mount.point(primary, secondary)), perfect).max() < 1e-14


@pytest.mark.parametrize("latitude", SITES)
@pytest.mark.parametrize(("kind", "side"), [("fork", 1), ("german", 1), ("german", -1), ("altaz", 1)])
def test_a_reading_leads_a_perfect_mount_back_to_its_direction(kind, side, latitude):
    alt, az = in_sky(np.random.default_rng(2))
    mount = SimulatedMount(kind, latitude)
    readings = mount.reading(alt, az, side)
    assert separation(direction(*mount.point(*readings)), direction(alt, az)).max() < 1e-14
    other_path = ideal_axes(mount_frame(kind, latitude * DEG), direction(alt, az), side)
    assert np.cos(np.stack(readings, axis=-1) - other_path).min() > 1.0 - 1e-14


def test_sides_may_differ_from_point_to_point():
    mount = SimulatedMount("german", 40.0)
    primary, secondary = mount.reading([0.8, 0.8], [2.0, 2.0], [1, -1])
    assert np.cos(primary[1] - primary[0]) == pytest.approx(-1.0)
    assert secondary[1] == pytest.approx(np.pi - secondary[0])


# Pictures: which way the tube goes


def test_a_northern_axis_aimed_too_high_points_too_low_on_the_southern_meridian():
    mount = SimulatedMount("fork", 50.0, terms_arcsec={"polar_altitude": 3600.0})
    alt, az = heights(mount, 0.0, 0.0)
    assert (alt, az) == pytest.approx((40.0 - 1.0, 180.0))
    assert heights(mount, 0.0, 90.0) == pytest.approx((51.0, 0.0))  # the axis itself


def test_a_southern_axis_aimed_too_high_points_too_low_on_the_northern_meridian():
    mount = SimulatedMount("fork", -30.0, terms_arcsec={"polar_altitude": 3600.0})
    assert heights(mount, 0.0, 0.0)[0] == pytest.approx(60.0 - 1.0)
    assert heights(mount, 0.0, -90.0) == pytest.approx((31.0, 180.0))


def test_an_axis_aimed_east_turns_the_whole_sky_about_the_vertical():
    northern = SimulatedMount("fork", 50.0, terms_arcsec={"polar_azimuth": 3600.0})
    assert heights(northern, 0.0, 90.0) == pytest.approx((50.0, 1.0))  # axis: north, and a degree east of it
    assert heights(northern, 0.0, 0.0) == pytest.approx((40.0, 181.0))  # southern meridian: to the west
    southern = SimulatedMount("fork", -30.0, terms_arcsec={"polar_azimuth": 3600.0})
    assert heights(southern, 0.0, -90.0) == pytest.approx(
        (30.0, 179.0)
    )  # axis: south, and a degree east of it
    assert heights(southern, 0.0, 0.0)[1] == pytest.approx(359.0)  # northern meridian: to the west


def test_raising_comes_before_turning():
    mount = SimulatedMount("fork", 45.0, terms_arcsec={"polar_altitude": 5400.0, "polar_azimuth": 10800.0})
    assert heights(mount, 0.0, 90.0) == pytest.approx((46.5, 3.0))


def test_an_azimuth_axis_that_leans_north_points_too_low_in_the_north():
    mount = SimulatedMount("altaz", 50.0, terms_arcsec={"tilt_north": 3600.0})
    assert heights(mount, 0.0, 30.0) == pytest.approx((29.0, 0.0))
    assert heights(mount, 180.0, 30.0) == pytest.approx((31.0, 180.0))
    assert heights(mount, 0.0, 90.0) == pytest.approx((89.0, 0.0))


def test_an_azimuth_axis_that_leans_east_points_too_low_in_the_east():
    mount = SimulatedMount("altaz", -50.0, terms_arcsec={"tilt_east": 3600.0})
    assert heights(mount, 90.0, 30.0) == pytest.approx((29.0, 90.0))
    assert heights(mount, 270.0, 30.0) == pytest.approx((31.0, 270.0))


def test_two_leans_are_one_rotation():
    mount = SimulatedMount(
        "altaz", 50.0, terms_arcsec={"tilt_north": 3.0 * 3600.0, "tilt_east": 4.0 * 3600.0}
    )
    assert heights(mount, 0.0, 90.0) == pytest.approx((85.0, math.degrees(math.atan2(4.0, 3.0))))


@pytest.mark.parametrize("latitude", SITES)
def test_cone_moves_the_tube_east_and_after_a_flip_west(latitude):
    mount = SimulatedMount("german", latitude, terms_arcsec={"cone": 600.0})
    for hour_angle, dec in ((0.0, 0.0), (40.0, -50.0), (-70.0, 60.0)):
        before = error_of(mount, hour_angle, dec)
        after = error_of(mount, hour_angle + 180.0, 180.0 - dec)
        assert before[0] == pytest.approx(-600.0, abs=0.01)
        assert after[0] == pytest.approx(600.0, abs=0.01)


def test_cone_of_an_altaz_moves_the_tube_anticlockwise():
    assert error_of(SimulatedMount("altaz", 9.0, terms_arcsec={"cone": 600.0}), 0.0, 0.0) == pytest.approx(
        [-600.0, 0.0]
    )


def test_a_skewed_secondary_axis_moves_the_tube_west_in_the_north_and_east_in_the_south():
    # Right-handed about the direction of zero readings, seen from the pier: the north end goes to the west.
    mount = SimulatedMount("fork", 30.0, terms_arcsec={"axis_skew": 60.0})
    assert error_of(mount, 0.0, 0.0) == pytest.approx([0.0, 0.0], abs=1e-6)
    assert error_of(mount, 20.0, 45.0)[0] == pytest.approx(60.0 * math.sin(45.0 * DEG), abs=0.02)
    assert error_of(mount, 20.0, -45.0)[0] == pytest.approx(-60.0 * math.sin(45.0 * DEG), abs=0.02)


@pytest.mark.parametrize("kind", ["fork", "german", "altaz"])
def test_zero_offsets_are_added_to_the_readings(kind):
    mount = SimulatedMount(kind, -27.0, terms_arcsec={"primary_zero": 3600.0, "secondary_zero": -5400.0})
    perfect = SimulatedMount(kind, -27.0)
    assert mount.point(0.3, 0.4) == pytest.approx(perfect.point(0.3 + DEG, 0.4 - 1.5 * DEG))


@pytest.mark.parametrize("kind", KINDS)
def test_a_bending_tube_droops_straight_down_most_when_it_lies_flat(kind):
    mount = SimulatedMount(kind, -27.0, terms_arcsec={"tube_flexure": 60.0})
    alt, az = np.array([0.0, 60.0, 89.0]) * DEG, np.array([10.0, 130.0, 250.0]) * DEG
    drooped, same_az = mount.point(*mount.reading(alt, az))
    assert (drooped - alt) / ARCSEC == pytest.approx([-60.0, -30.0, -60.0 * math.cos(89.0 * DEG)], abs=1e-3)
    assert same_az == pytest.approx(az)


def test_a_bending_fork_carries_the_tube_north_on_the_meridian_and_south_below_the_pole():
    mount = SimulatedMount("fork", 60.0, terms_arcsec={"fork_flexure": 30.0})
    assert error_of(mount, 0.0, 20.0) == pytest.approx([0.0, 30.0], abs=1e-6)
    assert error_of(mount, 90.0, 20.0) == pytest.approx([0.0, 0.0], abs=1e-9)
    assert error_of(mount, 180.0, 70.0) == pytest.approx([0.0, -30.0], abs=1e-6)


@pytest.mark.parametrize("kind", ["german", "altaz"])
@pytest.mark.parametrize("part", ["sin", "cos"])
def test_an_eccentric_encoder_misreads_by_a_sine_of_the_reading(part, kind):
    wave = getattr(np, part)
    primary = SimulatedMount(kind, 35.0, terms_arcsec={f"primary_{part}": 20.0})
    secondary = SimulatedMount(kind, 35.0, terms_arcsec={f"secondary_{part}": 20.0})
    for p, s in ((50.0, 30.0), (50.0, 150.0), (-100.0, 10.0), (80.0, 200.0)):
        misread = 20.0 * wave(p * DEG) / 3600.0
        assert error_of(primary, p, s) == pytest.approx(
            error_of_perfect(kind, p + misread, s, p, s), abs=1e-3
        )
        misread = 20.0 * wave(s * DEG) / 3600.0
        assert error_of(secondary, p, s) == pytest.approx(
            error_of_perfect(kind, p, s + misread, p, s), abs=1e-3
        )


def error_of_perfect(kind, true_primary, true_secondary, primary, secondary):
    frame = mount_frame(kind, 35.0 * DEG)
    read = ideal_direction(frame, np.array([primary, secondary]) * DEG)
    true = ideal_direction(frame, np.array([true_primary, true_secondary]) * DEG)
    return offset(read, tangent_basis(read, frame[:, 2]), true) / ARCSEC


def test_displacements_are_looked_up_where_the_tube_points_not_where_the_axes_say():
    with_offset = {"secondary_zero": -2.0 * 3600.0}
    bent = SimulatedMount("altaz", 0.0, terms_arcsec={**with_offset, "tube_flexure": 60.0})
    straight = SimulatedMount("altaz", 0.0, terms_arcsec=with_offset)
    droop = (heights(straight, 0.0, 60.0)[0] - heights(bent, 0.0, 60.0)[0]) * 3600.0
    assert droop == pytest.approx(60.0 * math.cos(58.0 * DEG))


def test_an_encoder_that_was_never_homed_changes_no_flexure():
    bends = {"fork_flexure": 300.0, "tube_flexure": 200.0}
    unhomed = SimulatedMount("fork", 40.0, terms_arcsec={**bends, "primary_zero": 30.0 * 3600.0})
    homed = SimulatedMount("fork", 40.0, terms_arcsec=bends)
    assert unhomed.point(0.3, 0.4) == pytest.approx(homed.point(0.3 + 30.0 * DEG, 0.4), abs=1e-12)


# A second path


def scalar_equatorial(latitude, hour_angle, dec):
    """Altitude and azimuth by spherical trigonometry, degrees in and out (textbook formulae)."""
    lat, h, d = latitude * DEG, hour_angle * DEG, dec * DEG
    sine = math.sin(lat) * math.sin(d) + math.cos(lat) * math.cos(d) * math.cos(h)
    altitude = math.asin(min(1.0, sine))  # in the zenith it may be rounded to above 1
    azimuth = math.atan2(
        -math.cos(d) * math.sin(h), math.sin(d) * math.cos(lat) - math.cos(d) * math.sin(lat) * math.cos(h)
    )
    return altitude / DEG, azimuth / DEG


@given(
    latitude=st.floats(-80.0, 80.0),
    raised=st.floats(-5.0, 5.0),
    turned=st.floats(-170.0, 170.0),
    hour_angle=st.floats(-180.0, 180.0),
    dec=st.floats(-89.0, 89.0),
)
def test_a_misaimed_axis_is_a_perfect_one_at_another_latitude_turned_about_the_vertical(
    latitude, raised, turned, hour_angle, dec
):
    mount = SimulatedMount(
        "fork", latitude, terms_arcsec={"polar_altitude": raised * 3600.0, "polar_azimuth": turned * 3600.0}
    )
    sign = 1.0 if latitude >= 0.0 else -1.0
    altitude, azimuth = scalar_equatorial(latitude + sign * raised, hour_angle, dec)
    expected = direction(altitude * DEG, (azimuth + sign * turned) * DEG)
    assert separation(direction(*mount.point(hour_angle * DEG, dec * DEG)), expected) < 1e-7


@given(
    cone=st.floats(-3.0, 3.0),
    skew=st.floats(-3.0, 3.0),
    secondary=st.floats(-80.0, 80.0),
    primary=st.floats(-180.0, 180.0),
)
def test_cone_and_skew_with_the_coordinates_written_out(cone, skew, secondary, primary):
    # Towards zero readings, east and north, before the primary turns: (cos c cos s, sin c, cos c sin s);
    # the skew turns the last two.
    mount = SimulatedMount("fork", 0.0, terms_arcsec={"cone": cone * 3600.0, "axis_skew": skew * 3600.0})
    c, k, s = cone * DEG, skew * DEG, secondary * DEG
    dec = math.asin(math.cos(c) * math.sin(s) * math.cos(k) + math.sin(c) * math.sin(k))
    east = math.sin(c) * math.cos(k) - math.cos(c) * math.sin(s) * math.sin(k)
    hour_angle = primary - math.atan2(east, math.cos(c) * math.cos(s)) / DEG
    altitude, azimuth = scalar_equatorial(0.0, hour_angle, dec / DEG)
    expected = direction(altitude * DEG, azimuth * DEG)
    assert separation(direction(*mount.point(primary * DEG, s)), expected) < 1e-7


# Turning the wedge


@pytest.mark.parametrize("latitude", SITES)
def test_turning_the_wedge_back_by_the_errors_aligns_the_axis(latitude):
    mount = SimulatedMount(
        "german", latitude, terms_arcsec={"polar_altitude": 2760.0, "polar_azimuth": -7500.0}
    )
    p, s = np.random.default_rng(4).uniform(-3.0, 3.0, (2, 30))
    aligned = mount.adjusted(-2760.0, 7500.0)
    assert aligned.point(p, s)[0] == pytest.approx(
        SimulatedMount("german", latitude).point(p, s)[0], abs=1e-14
    )
    assert mount.terms_arcsec == {"polar_altitude": 2760.0, "polar_azimuth": -7500.0}


def test_an_altaz_is_leaned_back():
    mount = SimulatedMount("altaz", 10.0, terms_arcsec={"tilt_north": 100.0})
    assert mount.adjusted(tilt_north_arcsec=-100.0, tilt_east_arcsec=5.0).terms_arcsec == {
        "tilt_north": 0.0,
        "tilt_east": 5.0,
    }
    with pytest.raises(InputError, match="polar_altitude"):
        mount.adjusted(10.0)


# Plate solutions

JD = (2460310.5, np.linspace(0.0, 0.4, 40))


@pytest.mark.parametrize(("pressure", "tolerance_arcsec"), [(0.0, 1e-5), (880.0, 0.05)])
def test_a_plate_solution_leads_back_to_the_observed_place(pressure, tolerance_arcsec):
    # ERFA's own word for atco13 after atoc13: 1 microarcsecond without refraction, 0.05 arcsec with it.
    mount = SimulatedMount("fork", -27.0, 5.0, 1250.0, pressure, 8.0)
    rng = np.random.default_rng(6)
    alt, az = np.arcsin(rng.uniform(0.2, 1.0, 40)), rng.uniform(0.0, 2.0 * np.pi, 40)
    ra, dec = mount.solve(alt, az, *JD, dut1=-0.1, xp=1e-6, yp=2e-6)
    back_az, zenith_distance, *_ = erfa.atco13(
        ra,
        dec,
        0.0,
        0.0,
        0.0,
        0.0,
        *JD,
        -0.1,
        5.0 * DEG,
        -27.0 * DEG,
        1250.0,
        1e-6,
        2e-6,
        pressure,
        8.0,
        0.3,
        0.6,
    )
    back = direction(np.pi / 2.0 - zenith_distance, back_az)
    assert separation(back, direction(alt, az)).max() < tolerance_arcsec * ARCSEC


def test_a_date_that_erfa_refuses_is_an_input_error():
    with pytest.raises(InputError, match="dates"):
        SimulatedMount("fork", 10.0).solve(1.0, 1.0, -1e9, 0.0)


# Nights

TILTED = {"polar_altitude": 2760.0, "polar_azimuth": -5400.0, "cone": 90.0, "tube_flexure": 40.0}


def a_night(seed=1, count=40, **options):
    mount = SimulatedMount("german", -27.0, 5.0, 1250.0, 880.0, 8.0, TILTED)
    alt, az = in_sky(np.random.default_rng(9), count)
    sides = np.where(np.arange(count) % 2, -1, 1)
    night = mount.night(
        JD[0], 0.1, rng=seed, targets_rad=np.stack([alt, az], axis=-1), sides=sides, **options
    )
    return mount, night


def solved(night):
    return direction(night["solved_dec_deg"] * DEG, night["solved_ra_deg"] * DEG)


def test_a_night_without_noise_is_the_pointing_of_the_readings():
    mount, night = a_night()
    alt, az = mount.point(night["primary_deg"] * DEG, night["secondary_deg"] * DEG)
    ra, dec = mount.solve(alt, az, JD[0], 0.1)
    assert separation(solved(night), direction(dec, ra)).max() < 1e-12
    assert night["pier"].tolist() == ["east", "west"] * 20
    assert not night["false"].any()


def test_readings_and_the_targets_that_they_come_from_make_the_same_night():
    mount, by_targets = a_night(noise_arcsec=2.0, false_share=0.2)
    readings = np.stack([by_targets["primary_deg"], by_targets["secondary_deg"]], axis=-1) * DEG
    by_readings = mount.night(JD[0], 0.1, rng=1, readings_rad=readings, noise_arcsec=2.0, false_share=0.2)
    assert list(by_readings) == list(by_targets)
    assert separation(solved(by_readings), solved(by_targets)).max() < 1e-12
    assert (by_readings["false"] == by_targets["false"]).all()


def test_the_same_seed_gives_the_same_night_and_another_seed_another():
    options = {"noise_arcsec": 2.0, "false_share": 0.1}
    first, again, other = (a_night(seed, **options)[1] for seed in (1, 1, 2))
    assert all((first[name] == again[name]).all() for name in first)
    assert (first["solved_ra_deg"] != other["solved_ra_deg"]).all()


def test_noise_is_gaussian_of_the_given_width_on_each_axis_of_the_sky():
    count = 4000
    _, quiet = a_night(count=count)
    _, noisy = a_night(count=count, noise_arcsec=2.0)
    at = solved(quiet)
    shift = offset(at, tangent_basis(at, np.array([0.0, 0.0, 1.0])), solved(noisy)) / ARCSEC
    # Four standard errors; refraction above 3 degrees, undone, changes the width by less than a hundredth.
    assert shift.std(axis=0) == pytest.approx([2.0, 2.0], abs=4.0 * 2.0 / math.sqrt(2.0 * count) + 0.02)
    assert np.abs(shift.mean(axis=0)).max() < 4.0 * 2.0 / math.sqrt(count)
    assert np.mean(np.hypot(*shift.T) < 2.0 * math.sqrt(2.0 * math.log(2.0))) == pytest.approx(0.5, abs=0.032)


def test_a_share_of_the_solutions_is_false_by_3_arcmin_to_3_degrees():
    count = 2000
    _, right = a_night(count=count)
    _, night = a_night(count=count, false_share=0.25)
    off = separation(solved(night), solved(right)) / ARCSEC / 60.0
    assert night["false"].sum() == 500
    assert (off[~night["false"]] < 1e-6).all()
    wrong = off[night["false"]]
    assert 3.0 - 1e-6 <= wrong.min() < 3.2
    assert 170.0 < wrong.max() <= 180.0 + 1e-6
    middle = math.sqrt(3.0 * 180.0)  # log-uniform: half on either side; four standard errors
    assert np.mean(wrong < middle) == pytest.approx(0.5, abs=4.0 * 0.5 / math.sqrt(500))


def test_only_a_mount_that_flips_names_a_side_of_the_pier():
    night = SimulatedMount("altaz", 10.0).night(JD[0], 0.0, rng=1, readings_rad=[[0.1, 1.0], [0.1, 1.9]])
    assert night["pier"].tolist() == ["", ""]


# Shapes, copies and refusals


def test_shapes_are_kept():
    mount = SimulatedMount("german", 10.0, terms_arcsec=TILTED)
    primary = np.linspace(-1.0, 1.0, 6).reshape(2, 3)
    alt, az = mount.point(primary, 0.5)
    assert alt.shape == az.shape == (2, 3)
    assert alt[1, 2] == pytest.approx(mount.point(primary[1, 2], 0.5)[0])
    assert mount.point([], [])[0].shape == (0,)


def test_it_can_be_sent_to_another_process_and_does_not_follow_later_changes():
    terms = {"cone": 5.0}
    mount = SimulatedMount("fork", 10.0, terms_arcsec=terms)
    terms["cone"] = 7.0
    assert mount.terms_arcsec["cone"] == 5.0
    assert pickle.loads(pickle.dumps(mount)) == mount  # noqa: S301 - our own bytes


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ({"kind": "tripod"}, "kind"),
        ({"latitude_deg": 91.0}, "latitude_deg"),
        ({"terms_arcsec": {"cones": 1.0}}, "cones"),
        ({"terms_arcsec": {"tilt_north": 1.0}}, "tilt_north"),
        ({"kind": "altaz", "terms_arcsec": {"polar_altitude": 1.0}}, "polar_altitude"),
        ({"terms_arcsec": {"cone": float("nan")}}, "cone"),
    ],
)
def test_what_no_mount_can_have_is_refused(arguments, named):
    with pytest.raises(InputError, match=named) as raised:
        SimulatedMount(**{"kind": "fork", "latitude_deg": 10.0, **arguments})
    assert raised.value.key == named


@pytest.mark.parametrize(
    ("options", "named"),
    [
        ({}, "either"),
        ({"readings_rad": [[0.0, 0.0]], "targets_rad": [[1.0, 1.0]]}, "either"),
        ({"targets_rad": [[1.0, 1.0]], "sides": -1}, "side"),
        ({"readings_rad": [0.0, 0.0]}, "shape"),
        ({"readings_rad": [[np.nan, 0.0]]}, "finite"),
        ({"readings_rad": [[0.0, 0.0]], "false_share": 1.5}, "false_share"),
        ({"readings_rad": [[0.0, 0.0]], "noise_arcsec": -1.0}, "noise_arcsec"),
    ],
)
def test_a_night_that_cannot_be_is_refused(options, named):
    with pytest.raises(InputError, match=named):
        SimulatedMount("fork", 10.0).night(2460310.5, 0.0, rng=1, **options)


def test_alt_az_of_the_point_agree_with_the_projects_own_convention():
    alt, az = SimulatedMount("altaz", 10.0).point(-0.5, 0.7)
    assert alt_az(direction(alt, az)) == (pytest.approx(0.7), pytest.approx(2.0 * np.pi - 0.5))
    assert (alt, az) == (pytest.approx(0.7), pytest.approx(2.0 * np.pi - 0.5))

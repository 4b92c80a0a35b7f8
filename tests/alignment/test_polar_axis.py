"""Signs of the polar error as pictures, moves by moving a simulated wedge, drift by integrating the true motion."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
import scipy.stats
from astropy import units as u
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from skysample.alignment import polar, tracking_error
from skysample.alignment.comparing import compare
from skysample.alignment.wedge import adjuster_angles, move_rotation, polar_moves, tilt_moves
from skysample.errors import InputError, NotDetermined
from skysample.fitting import fit
from skysample.geometry import direction
from skysample.runs import Run
from skysample.site import Wedge
from skysample.sky import usable_sky
from skysample.testing import SimulatedMount
from tests.conftest import make_site
from tests.simulated_nights import errors, simulated_alignment, simulated_run, unit_vectors
from tests.simulated_wedge import BOLTS as WEDGE
from tests.simulated_wedge import WEDGES, SimulatedWedge, misaimed, random_misalignments

SIDEREAL = 7.292115e-5


alignment = partial(simulated_alignment, noise_arcsec=0.5)


def test_northern_axis_aimed_too_high_makes_the_tube_point_too_low_on_the_southern_meridian():
    # A picture to pin the sign with: tip the whole mount up in the north and it dips in the south.
    mount = SimulatedMount("fork", 35.0, terms_arcsec={"polar_altitude": 3600.0})
    alt, _ = mount.point(*mount.reading(np.radians(40.0), np.pi))
    assert alt < np.radians(40.0)
    assert alignment(make_site("fork", 35.0), 60.0, 0.0).altitude_error.value == pytest.approx(60.0, abs=0.2)


@pytest.mark.parametrize("latitude", [35.0, -35.0])
def test_azimuth_error_to_the_east_of_the_elevated_pole_is_positive_in_both_hemispheres(latitude):
    found = alignment(make_site("fork", latitude), 0.0, 100.0)
    assert found.azimuth_error.value == pytest.approx(100.0, abs=0.3)
    assert found.axis[0] > 0.0
    assert [move.direction for move in found.moves if move.adjuster == "azimuth"] == ["west"]


@pytest.mark.parametrize("latitude", [35.0, -35.0])
def test_an_axis_aimed_too_high_has_to_be_lowered_by_so_many_turns(latitude):
    # 46' on an arm of 310 mm are 4.15 mm, or 2.37 turns of a 1.75 mm bolt.
    found = alignment(make_site("fork", latitude, wedge=WEDGE), 46.0, 0.0)
    altitude = next(move for move in found.moves if move.adjuster == "altitude")
    assert altitude.direction == "lower"
    assert altitude.bolt == "counter-clockwise"
    assert altitude.turns == pytest.approx(2.37, abs=0.01)


def test_the_refracted_pole_stands_higher():
    found = alignment(make_site("fork", 35.0), 10.0, 0.0)
    difference = found.altitude_error - found.altitude_error_refracted
    # About 1.2' at 35 degrees and 870 hPa (common practice, no source).
    assert 1.0 * u.arcmin < difference < 1.5 * u.arcmin


def test_total_error_shrinks_azimuth_by_the_cosine_of_the_latitude():
    found = alignment(make_site("fork", 60.0), 0.0, 60.0)
    assert found.total_error.to_value(u.arcmin) == pytest.approx(30.0, abs=0.3)


def test_altaz_tilts_to_north_and_east_and_has_no_polar_error():
    found = alignment(make_site("altaz", 35.0), 30.0, -20.0)
    assert found.altitude_error is None
    assert found.tilt_north.value == pytest.approx(30.0, abs=0.2)
    assert found.tilt_east.value == pytest.approx(-20.0, abs=0.2)
    assert found.axis[1] > 0.0
    assert found.axis[0] < 0.0
    assert [move.direction for move in found.moves] == ["raise", "lower"]


@pytest.mark.parametrize("built", WEDGES)
@pytest.mark.parametrize("latitude", [-27.0, 52.0])
def test_turning_the_bolts_of_a_simulated_wedge_ends_within_the_stated_error(built, latitude):
    # At both latitudes 250 axes up to 3 degrees off, known to about 10"; the bolts are turned by what the moves say.
    rng = np.random.default_rng(12)
    covariance = np.array([[30.0, 8.0], [8.0, 90.0]]) * np.radians(1.0 / 3600.0) ** 2
    wedge = Wedge(**WEDGES[built], **WEDGE)
    exact, off = [], []
    for true, slip in zip(
        random_misalignments(rng, 250), rng.multivariate_normal([0.0, 0.0], covariance, 250), strict=True
    ):
        metal = SimulatedWedge(latitude, misaimed(latitude, *true), **WEDGES[built])
        exact.append(metal.off_pole(metal.after(polar_moves(*true, covariance, np.radians(latitude), wedge))))
        moves = polar_moves(*(true + slip), covariance, np.radians(latitude), wedge)
        off.append(metal.off_pole(metal.after(moves)))
    assert max(exact) < 1e-12
    shrink = np.diag([1.0, np.cos(np.radians(latitude))])
    stated = np.sqrt(np.trace(shrink @ covariance @ shrink))
    # The root of the mean square is the stated one to 7 % of chance, and 3.5 of it hold nearly all.
    assert np.sqrt(np.mean(np.square(off))) == pytest.approx(stated, rel=0.15)
    assert max(off) < 3.5 * stated


@pytest.mark.parametrize("built", WEDGES)
def test_a_measured_axis_is_brought_to_the_pole_within_the_stated_error(built):
    # The whole way: a night of 15 points, the fit, the turns of the bolts, the metal.
    site = make_site("fork", -27.0, wedge=WEDGES[built] | WEDGE)
    rng = np.random.default_rng(7)
    ratios = []
    for first, second in random_misalignments(rng, 25):
        truth = errors("fork", *np.degrees([first, second]) * 3600.0)
        run, _ = simulated_run(site, truth, 15, noise_arcsec=1.5, rng=rng)
        found = polar(fit(run, site), site)
        metal = SimulatedWedge(-27.0, misaimed(-27.0, first, second), **WEDGES[built])
        left = np.degrees(metal.off_pole(metal.after(found.moves))) * 60.0
        ratios.append(left / found.left.value)
    assert np.sqrt(np.mean(np.square(ratios))) < 1.4
    assert max(ratios) < 4.0


@given(
    latitude=st.floats(-65.0, 65.0).filter(lambda degrees: abs(degrees) > 10.0),
    errors_deg=st.tuples(st.floats(-3.0, 3.0), st.floats(-3.0, 3.0)),
    built=st.sampled_from(sorted(WEDGES)),
    share=st.floats(0.0, 1.0),
)
@settings(deadline=None)
def test_half_made_moves_stand_where_the_simulated_wedge_stands(latitude, errors_deg, built, share):
    hemisphere = 1 if latitude > 0.0 else -1
    metal = SimulatedWedge(latitude, misaimed(latitude, *np.radians(errors_deg)), **WEDGES[built])
    wedge, pole = (
        Wedge(**WEDGES[built]),
        direction(np.radians(abs(latitude)), 0.0 if hemisphere > 0 else np.pi),
    )
    up, east = adjuster_angles(metal.axis, pole, wedge, hemisphere)
    for raised, eastward in ((up, east), (share * up, 0.0), (0.0, share * east)):
        moved = move_rotation(metal.axis, wedge, hemisphere, raised, eastward) @ metal.base.as_matrix()
        assert np.allclose(moved, metal.turned(raised, eastward).as_matrix(), atol=1e-12)
    assert metal.off_pole(metal.turned(up, east)) < 1e-9


def test_a_leaning_stage_and_a_hinge_on_the_ground_cost_what_the_design_says():
    # DESIGN 12: a lean of 1 degree leaves 2' in altitude at 2 degrees of azimuth.
    pole = direction(np.radians(35.0), 0.0)
    axis = direction(np.radians(35.0), np.radians(2.0))
    up, _ = adjuster_angles(axis, pole, Wedge(lean_east_deg=1.0), 1)
    assert abs(np.degrees(up) * 60.0) == pytest.approx(2.1, abs=0.15)
    assert adjuster_angles(axis, pole, Wedge(), 1) == pytest.approx((0.0, -np.radians(2.0)), abs=1e-12)


def test_with_the_hinge_on_the_ground_azimuth_goes_first():
    covariance = np.eye(2) * 1e-12
    order = [m.adjuster for m in polar_moves(0.01, 0.02, covariance, 0.6, Wedge(hinge="ground"))]
    assert order == ["azimuth", "altitude"]
    assert [m.adjuster for m in polar_moves(0.01, 0.02, covariance, 0.6, None)] == ["altitude", "azimuth"]


def test_errors_of_the_moves_are_those_of_the_axis_on_a_level_wedge():
    covariance = np.diag([4e-10, 9e-10])
    for move, sigma in zip(polar_moves(0.01, 0.02, covariance, 0.6, None), (2e-5, 3e-5), strict=True):
        assert move.stderr_arcmin == pytest.approx(np.degrees(sigma) * 60.0, rel=1e-4)
    for move, sigma in zip(tilt_moves(0.01, -0.02, covariance), (2e-5, 3e-5), strict=True):
        assert move.stderr_arcmin == pytest.approx(np.degrees(sigma) * 60.0, rel=1e-9)


@pytest.mark.parametrize("kind", ["fork", "altaz"])
def test_drift_equals_the_integrated_motion(kind):
    # The tube follows a star for a minute, turned about the misaligned axis (or carried by the leaning base);
    # the star turns about the pole.
    site = make_site(kind, 35.0)
    found = alignment(site, 30.0, 40.0, noise_arcsec=0.01)
    error = tracking_error(found, usable_sky(site, nside=32))
    place = direction(*np.radians(error.drift_place_deg))
    turn = SIDEREAL * 60.0
    pole = direction(np.radians(35.0), 0.0)
    sky = Rotation.from_rotvec(-turn * pole)
    if kind == "fork":
        tube = Rotation.from_rotvec(-turn * found.axis).apply(place)
        apart = np.linalg.norm(sky.inv().apply(tube) - place)
    else:
        base = Rotation.from_rotvec([-found.aim.north_rad, found.aim.east_rad, 0.0])
        apart = np.linalg.norm(sky.inv().apply(base.apply(sky.apply(place))) - base.apply(place))
    assert np.degrees(apart) * 3600.0 == pytest.approx(error.drift_arcsec_per_min, rel=0.02)


def test_an_arcminute_off_drifts_a_quarter_of_an_arcsecond_a_minute_at_the_most():
    # 15.04"/s times sin(1') (common practice gives the same quarter of an arcsecond; no source).
    site = make_site("fork", 35.0)
    found = alignment(site, 1.0, 0.0, noise_arcsec=0.001)
    error = tracking_error(found, usable_sky(site, nside=32))
    assert error.drift_arcsec_per_min == pytest.approx(15.041 * 60.0 * np.sin(np.radians(1 / 60)), rel=0.01)


def test_field_rotation_equals_guiding_step_by_step():
    # Second path: hold a star with both axes of the misaligned mount for a minute and watch the camera's
    # position angle.
    site = make_site("fork", 35.0)
    found = alignment(site, 40.0, -30.0, noise_arcsec=0.001)
    error = tracking_error(found, usable_sky(site, nside=32))
    star0 = direction(*np.radians(error.rotation_place_deg))
    pole, axis, turn = direction(np.radians(35.0), 0.0), found.axis, SIDEREAL * 60.0

    def angle_of_pole(star, frame_pole):
        """Direction on the sky, at the star, of a fixed point of a frame, as an angle from an arbitrary tangent."""
        return frame_pole - (frame_pole @ star) * star

    sky = Rotation.from_rotvec(-turn * pole)
    star1 = sky.apply(star0)
    # The camera keeps its angle to the mount's own axis.
    camera0, camera1 = angle_of_pole(star0, axis), angle_of_pole(star1, axis)
    carried = sky.apply(camera0)
    sine = np.cross(carried, camera1) @ star1
    turned = np.arctan2(sine, carried @ camera1)
    assert abs(np.degrees(turned)) * 60.0 == pytest.approx(error.rotation_deg_per_hour, rel=0.02)


@pytest.mark.parametrize("declared", [{"axes_kind": "corrected"}, {"old_model": "on"}])
def test_a_run_with_a_model_active_gives_no_polar_error(declared):
    with pytest.raises(NotDetermined, match="model was active"):
        alignment(make_site("fork", 35.0), 30.0, 30.0, **declared)


def test_an_undeclared_run_states_its_condition():
    declared = {"axes_kind": "unknown", "old_model": "unknown"}
    found = alignment(make_site("fork", 35.0), 30.0, 30.0, **declared)
    assert found.condition.startswith("This holds only if no model was active in the mount")
    assert alignment(make_site("fork", 35.0), 30.0, 30.0).condition == ""


def test_a_small_patch_of_sky_does_not_determine_the_axis():
    site = make_site("fork", 35.0)
    rng = np.random.default_rng(1)
    places = np.radians(rng.uniform(40.0, 46.0, 15)), np.radians(rng.uniform(100.0, 106.0, 15))
    run, _ = simulated_run(site, errors("fork"), 15, noise_arcsec=1.5, places=places)
    with pytest.raises(NotDetermined, match="cannot separate") as caught:
        polar(fit(run, site), site)
    assert len(caught.value.pair) == 2
    assert caught.value.condition > 1000.0


def test_a_model_without_axis_terms_has_no_polar_error():
    site = make_site("fork", 35.0)
    run, _ = simulated_run(site, {"cone": 20.0}, 15, noise_arcsec=1.0)
    with pytest.raises(NotDetermined, match="polar_altitude"):
        polar(fit(run, site, ["primary_zero", "secondary_zero", "cone"]), site)


def test_compare_says_whether_the_axis_is_shown_to_be_within_the_limit():
    site = make_site("fork", 35.0)
    before, after = alignment(site, 46.0, 90.0), alignment(site, 1.0, -0.5)
    assert compare(before, after, 5.0 * u.arcmin).within_limit
    assert not compare(before, after, 0.5 * u.arcmin).within_limit
    (altitude, _), (azimuth, _) = compare(before, after).changes_arcmin
    assert altitude == pytest.approx(-45.0, abs=0.2)
    assert azimuth == pytest.approx(-90.5, abs=0.3)
    with pytest.raises(InputError, match="different mounts"):
        compare(before, alignment(make_site("altaz", 35.0), 1.0, 1.0))


def test_a_limit_within_the_error_is_not_shown_to_be_kept():
    site = make_site("fork", 35.0)
    before, after = alignment(site, 46.0, 90.0), alignment(site, 1.0, -0.5, noise_arcsec=20.0)
    half = scipy.stats.t.ppf(0.975, after.dof) * after.left
    assert not compare(before, after, after.total_error + 0.9 * half).within_limit
    assert compare(before, after, after.total_error + 1.1 * half).within_limit


def test_runs_that_are_swapped_in_time_or_one_and_the_same_are_not_compared():
    site = make_site("fork", 35.0)
    evening, night = (Time(f"2026-06-14T{hour}:00:00") + np.arange(20) * u.min for hour in (18, 19))
    before, after = alignment(site, 46.0, 90.0, time=evening), alignment(site, 1.0, -0.5, time=night)
    assert compare(before, after).within_limit
    with pytest.raises(InputError, match=r"\(2026-06-14T18:00\) was taken before the other .*swap them"):
        compare(after, before)
    with pytest.raises(InputError, match="are the same run"):
        compare(before, before)


def test_an_axis_that_no_mount_can_have_is_a_mistake_of_the_input():
    site = make_site("fork", 35.0)
    assert alignment(site, 19 * 60.0, 0.0).altitude_error.value == pytest.approx(19 * 60.0, abs=0.3)
    with pytest.raises(NotDetermined, match=r"21 degrees off, .*check the mount's kind, the signs"):
        alignment(site, 21 * 60.0, 0.0)


def test_the_axis_is_the_simulated_mounts_own_axis():
    # Where a mount points does not change along its axis: read the axis off the simulated mount by turning the primary.
    truth = errors("fork", 1800.0, -2400.0)
    mount = SimulatedMount(
        "fork", -33.0, terms_arcsec={k: truth[k] for k in ("polar_altitude", "polar_azimuth")}
    )
    circle = unit_vectors(*mount.point(np.radians([0.0, 90.0, 180.0]), np.zeros(3)))
    normal = np.cross(circle[1] - circle[0], circle[2] - circle[0])
    normal *= np.sign(normal[2]) / np.linalg.norm(normal)
    site = make_site("fork", -33.0)
    run, _ = simulated_run(site, truth, 20)
    assert np.allclose(polar(fit(run, site), site).axis, normal, atol=1e-9)


def test_moves_of_a_run_bring_the_simulated_mount_within_its_stated_error():
    site = make_site("fork", -27.0, wedge=WEDGE)
    rng = np.random.default_rng(3)
    truth = errors("fork", 3000.0, -4000.0)
    run, _ = simulated_run(site, truth, 15, noise_arcsec=1.5, rng=rng)
    found = polar(fit(run, site), site)
    by = {
        move.adjuster: move.arcmin * (1 if move.direction in {"raise", "east"} else -1)
        for move in found.moves
    }
    left = np.array(
        [truth["polar_altitude"] / 60 + by["altitude"], truth["polar_azimuth"] / 60 + by["azimuth"]]
    )
    assert np.all(np.abs(left) < 4.0 * np.degrees(found.stderr_rad) * 60.0)
    assert isinstance(run, Run)


@pytest.mark.parametrize("kind", ["fork", "german"])
@pytest.mark.parametrize("latitude_deg", [89.6, -90.0])
def test_so_near_the_pole_azimuth_has_no_meaning(kind, latitude_deg):
    site = make_site(kind, latitude_deg)
    run, _ = simulated_run(site, errors(kind, 600.0, 900.0), 20, noise_arcsec=1.0)
    with pytest.raises(NotDetermined, match="azimuth has no meaning so near the pole"):
        polar(fit(run, site), site)

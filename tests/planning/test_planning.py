"""A plan holds the points it should, where they may be, when it says."""

from __future__ import annotations

import os
import subprocess
import sys

import msgspec
import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time
from numpy._core import _multiarray_umath as umath

from skysample.astrometry.observed_place import sun_direction, to_observed
from skysample.errors import InputError, NoSolution
from skysample.geometry import direction, separation
from skysample.planning import plan
from skysample.planning.resuming import resume
from skysample.runs.points_done import PointsDone
from skysample.site.dome import dome_open
from skysample.site.mount_axes import ideal_axes, mount_frame, tube_origin
from tests.conftest import make_site

NIGHT = "2026-06-14T18:00:00"
DOME = {
    "radius_m": 2.6,
    "slit_width_m": 1.1,
    "slit_low_deg": 15.0,
    "slit_past_zenith_deg": 10.0,
    "beam_m": 0.6,
}
HORIZON = [[0, 12], [90, 25], [210, 41], [300, 15]]


@pytest.fixture(scope="module")
def planned(registry):
    site = make_site("fork", -27.0, dome=DOME, sky={"horizon": HORIZON})
    return plan(site, 12, Time(NIGHT, scale="utc"), registry=registry)


def test_every_point_is_taken_once_and_inside_the_usable_sky(planned):
    table = planned.table
    assert sorted(table["point"]) == list(range(1, 13))
    assert planned.sky.usable(direction(np.radians(table["alt_deg"]), np.radians(table["az_deg"]))).all()
    floor = np.interp(table["az_deg"], [a for a, _ in HORIZON], [h for _, h in HORIZON], period=360.0)
    assert np.all(table["alt_deg"] > np.maximum(floor, 30.0))
    assert np.all(table["alt_deg"] < 88.0)


def test_the_dome_stands_where_the_beam_is_clear(planned):
    table = planned.table
    frame = mount_frame("fork", np.radians(-27.0))
    vectors = direction(np.radians(table["alt_deg"]), np.radians(table["az_deg"]))
    origins = tube_origin(frame, ideal_axes(frame, vectors), planned.site.dome.pivot_m, 0.0)
    assert dome_open(planned.site.dome, vectors, origins).all()
    # With the pivot in the middle the exit point's distance from the slit's centre line is R cos(alt) sin(difference).
    away = (
        2.6
        * np.cos(np.radians(table["alt_deg"]))
        * np.sin(np.radians(table["az_deg"] - table["dome_az_deg"]))
    )
    ahead = np.cos(np.radians(table["az_deg"] - table["dome_az_deg"])) > 0
    assert np.all(np.abs(away) < (1.1 - 0.6) / 2.0 + 0.02)
    assert np.all(ahead | (table["alt_deg"] > 75.0))


def test_times_add_up(planned):
    table = planned.table
    starts = Time(list(table["start_utc"]), scale="utc")
    seconds = (starts - planned.start).sec
    camera = planned.site.camera
    steps = np.diff(np.concatenate([[-camera.exposure_s - camera.overhead_s], seconds]))
    assert steps == pytest.approx(table["slew_s"] + camera.exposure_s + camera.overhead_s, abs=2e-3)
    assert planned.total_s == pytest.approx(seconds[-1] + camera.exposure_s + camera.overhead_s, abs=2e-3)
    assert planned.slew_s == pytest.approx(np.sum(table["slew_s"]))
    assert planned.bound_s <= planned.slew_s
    assert planned.gap >= 0.0


def test_icrs_places_lead_back_to_the_observed_ones(planned):
    table = planned.table
    there = to_observed(
        planned.site,
        Time(list(table["start_utc"]), scale="utc"),
        np.radians(table["ra_icrs_deg"]),
        np.radians(table["dec_icrs_deg"]),
    )
    wanted = direction(np.radians(table["alt_deg"]), np.radians(table["az_deg"]))
    assert np.degrees(separation(there, wanted)).max() * 3600.0 < 0.05


def test_a_plan_file_can_be_read_and_says_what_it_is(planned, tmp_path):
    planned.write(tmp_path / "plan.ecsv")
    table = Table.read(tmp_path / "plan.ecsv", format="ascii.ecsv")
    assert table.meta["format"] == "skysample-plan"
    assert table.meta["version"] == 1
    assert table.meta["sun_checked"] is True
    assert list(table["point"]) == list(planned.table["point"])


def test_without_a_time_the_plan_says_that_the_sun_was_not_checked(registry):
    found = plan(make_site(), 5, registry=registry, effort="quick")
    assert "The Sun was not checked" in str(found)
    assert found.rows[0]["start_utc"] is None
    assert found.rows[0]["ra_icrs_deg"] is None
    assert found.rows[0]["dome_az_deg"] is None


def test_the_sun_is_kept_30_degrees_away_at_each_points_own_time(registry):
    site = make_site("fork", -27.0)
    found = plan(site, 25, Time("2026-06-14T14:30:00", scale="utc"), registry=registry, effort="quick")
    table = found.table
    sun = sun_direction(site, Time(list(table["start_utc"]), scale="utc"))
    away = separation(direction(np.radians(table["alt_deg"]), np.radians(table["az_deg"])), sun)
    assert np.degrees(away).min() > 30.0
    assert found.sky.area_sr < plan(site, 5, registry=registry, effort="quick").sky.area_sr - 0.1


def test_the_sun_distance_is_the_sites(registry):
    with pytest.raises(NoSolution, match="sun"):
        plan(
            make_site("fork", -27.0, sky={"sun_avoid_deg": 180.0}),
            5,
            Time("2026-06-14T12:00:00", scale="utc"),
            registry=registry,
        )


def test_a_german_mount_is_sampled_on_both_sides_where_both_reach(registry):
    site = make_site("german", 45.0, mount={"primary": {"min_deg": -60, "max_deg": 240}})
    table = plan(site, 40, registry=registry, effort="quick").table
    east, west = table["pier"] == "east", table["pier"] == "west"
    assert east.sum() + west.sum() == 40
    both = np.abs(table["hour_angle_deg"]) < 60.0
    assert np.any(east & both)
    assert np.any(west & both)
    mechanical = table["hour_angle_deg"] + np.where(west, 180.0, 0.0)
    assert np.all((mechanical + 60.0) % 360.0 <= 300.0 + 1e-6)


def test_an_altaz_mount_needs_no_limits(registry):
    assert plan(make_site("altaz", 20.0), 8, registry=registry, effort="quick").points == 8


def test_a_plan_starts_where_mount_and_dome_are_parked(registry):
    dome = DOME | {"rate_deg_s": 3.0, "accel_deg_s2": 2.0, "start_delay_s": 0.0, "park_deg": 200.0}
    axes = {"rate_deg_s": 2.0, "accel_deg_s2": 2.0}
    parked = {"park": [60.0, 10.0], "settle_s": 0.0, "primary": axes, "secondary": axes}
    one = plan(make_site("fork", -27.0, dome=dome, mount=parked), 1, registry=registry)
    row = one.rows[0]
    away = max(abs(row["hour_angle_deg"] - 60.0), abs(row["dec_deg"] - 10.0))
    # A trapezoid: to 2 deg/s in one second, and back; the rest at that speed.
    assert one.schedule.mount_s[0] == pytest.approx(away / 2.0 + 1.0, abs=1e-6)
    turn = abs((row["dome_az_deg"] - 200.0 + 180.0) % 360.0 - 180.0)
    assert row["dome_move_deg"] == pytest.approx(turn, abs=1e-5)


@pytest.mark.parametrize("when", ["2026-06-14T18:00:00", Time(["2026-06-14T18:00:00"] * 2), 61205.5])
def test_a_start_that_is_not_one_moment_is_refused(registry, planned, when):
    with pytest.raises(InputError, match="when must be a single astropy Time"):
        plan(make_site(), 4, when, registry=registry)
    with pytest.raises(InputError, match="when must be a single astropy Time"):
        resume(planned, PointsDone((), (), None, None), when, registry=registry)


def test_the_same_seed_gives_the_same_plan(registry):
    one, two = (
        plan(make_site(dome=DOME), 11, seed=5, registry=registry, effort="quick").rows for _ in range(2)
    )
    assert one == two


def test_an_older_processor_makes_the_same_plan():
    """Newer instructions of numpy and BLAS are turned off: they round differently, and ties must not go by that."""
    newer = [name for name in umath.__cpu_dispatch__ if umath.__cpu_features__[name]]
    older = {"NPY_DISABLE_CPU_FEATURES": " ".join(newer), "OPENBLAS_CORETYPE": "Haswell"}
    code = (
        "import sys, skysample as ss; from importlib.resources import files;"
        " plan = ss.plan(ss.load_site(files('skysample.cli.demo') / 'saltpan_ridge.toml'), 15);"
        " rows = plan.table['point', 'alt_deg', 'az_deg', 'dome_az_deg'];"
        " sys.stdout.write(repr([[round(float(each), 5) for each in row] for row in rows]))"
    )
    plans = [
        subprocess.run(  # noqa: S603 - our own interpreter
            [sys.executable, "-c", code], env={**os.environ, **cpu}, capture_output=True, check=True
        ).stdout
        for cpu in ({}, older)
    ]
    assert plans[0] == plans[1] != b""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"points": 0}, "points"),
        ({"points": 2.5}, "points"),
        ({"points": 5, "order": "fastest"}, "annealed"),
        ({"points": 5, "design": "odd"}, "design"),
    ],
)
def test_what_cannot_be_planned_is_refused_in_a_sentence(registry, arguments, words):
    with pytest.raises(InputError, match=words):
        plan(make_site(), **arguments, registry=registry)


def test_a_park_outside_the_limits_is_refused(registry):
    site = make_site(mount={"primary": {"min_deg": -100, "max_deg": 100}})
    parked = msgspec.structs.replace(site, mount=msgspec.structs.replace(site.mount, park=(170.0, 0.0)))
    with pytest.raises(InputError, match="park"):
        plan(parked, 5, registry=registry, effort="quick")


def test_a_plan_says_what_less_dome_would_cost_and_keeps_to_the_setting(registry):
    site = make_site("fork", -27.0, dome=DOME, sky={"horizon": HORIZON})
    quickest = plan(site, 12, registry=registry, effort="quick")
    first, *calmer = quickest.trade_off()
    np.testing.assert_array_equal(first.order, quickest.order)
    assert first.schedule.total_slew_s == quickest.slew_s
    assert calmer
    chosen = plan(site, 12, registry=registry, effort="quick", dome_weight=calmer[-1].dome_weight)
    assert chosen.schedule.dome_moves < quickest.schedule.dome_moves
    assert chosen.slew_s > quickest.slew_s
    assert chosen.trade_off() == []
    assert plan(site, 12, order="snake", registry=registry, effort="quick").trade_off() == []
    assert quickest.bound_s <= chosen.slew_s


def test_a_dome_that_may_leave_during_the_read_out_saves_time(registry):
    slow = {**DOME, "rate_deg_s": 1.0}
    waits = plan(make_site("fork", -27.0, dome=slow), 12, registry=registry, effort="quick")
    leaves = plan(
        make_site("fork", -27.0, dome={**slow, "head_start_s": 4.0}), 12, registry=registry, effort="quick"
    )
    assert leaves.slew_s < waits.slew_s
    assert waits.schedule.dome_lead_s.max() == 0.0
    assert 0.0 < leaves.schedule.dome_lead_s.max() <= 4.0
    assert leaves.schedule.dome_lead_s[0] == 0.0


def test_an_informed_plan_says_how_many_even_points_would_teach_as_much(registry):
    found = plan(make_site("fork", 35.0), 20, design="informed", registry=registry, effort="quick")
    assert found.points == 20
    assert found.grid.informed.even_points > 20
    assert set(found.grid.informed.terms) >= {"polar_altitude", "cone", "fork_flexure"}
    named = plan(
        make_site("fork", 35.0), 20, design="informed", terms=["cone", "primary_zero"], registry=registry
    )
    assert set(named.grid.informed.terms) == {"cone", "primary_zero"}

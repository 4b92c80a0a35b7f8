"""What each of skysample's own obstructions blocks."""

from __future__ import annotations

import math

import numpy as np
import pluggy
import pytest
from astropy import units as u
from astropy.time import Time

from skysample.astrometry.observed_place import sun_direction
from skysample.errors import InputError
from skysample.geometry import direction, rotation
from skysample.plugins import Obstruction, Registry, hookspecs
from skysample.site import Dome, Mount, Site, SkyLimits
from skysample.site.mount_axes import SIDE_NAMES
from skysample.sky import obstructions
from skysample.sky.obstructions import (
    AltitudeLimits,
    AxisLimits,
    DomeOpening,
    Horizon,
    Sun,
    reach,
    skysample_obstructions,
)
from skysample.testing import check_obstruction

EAST, WEST = 1, -1
DOME = {
    "radius_m": 2.6,
    "slit_width_m": 1.1,
    "slit_low_deg": 15,
    "slit_past_zenith_deg": 10,
    "pivot_m": [0.0, 0.1, -0.2],
    "tube_offset_m": 0.35,
    "beam_m": 0.6,
}


def site(kind="fork", latitude=40.0, **tables) -> Site:
    mount = {"kind": kind, **tables.pop("mount", {})}
    location = {"latitude_deg": latitude, "longitude_deg": 0.0}
    return Site.from_dict({"name": "Test Ridge", "location": location, "mount": mount, **tables})


def at(alt_deg, az_deg):
    return direction(np.radians(alt_deg), np.radians(az_deg)).reshape(-1, 3)


def at_hour_angle(hour_angle_deg, dec_deg, latitude_deg):
    """Directions by turning the meridian about the pole; shares nothing with skysample.site.mount_axes."""
    latitude = math.radians(latitude_deg)
    pole = np.array([0.0, math.cos(latitude), math.sin(latitude)])
    transit = direction(math.pi / 2.0 - latitude + math.radians(dec_deg), math.pi)
    # West is a left-handed turn about the north pole.
    return rotation(pole, -np.radians(np.atleast_1d(hour_angle_deg))) @ transit


def some_sky(count=400, seed=5):
    rng = np.random.default_rng(seed)
    return direction(np.arcsin(rng.uniform(0.0, 1.0, count)), rng.uniform(0.0, 2.0 * math.pi, count))


def test_the_core_offers_its_obstructions_by_name_and_the_dome_only_where_there_is_one():
    without = [each.name for each in skysample_obstructions(site())]
    assert without == ["altitude limits", "horizon", "axis limits", "sun"]
    with_dome = [each.name for each in skysample_obstructions(site(dome=DOME))]
    assert with_dome == ["altitude limits", "horizon", "axis limits", "dome", "sun"]


@pytest.mark.parametrize("kind", ["fork", "german", "altaz"])
def test_each_passes_the_checks_for_plugin_authors(kind):
    directions = some_sky(60)
    moments = Time("2025-03-20T12:00:00") + np.linspace(0.0, 1.0, len(directions)) * u.day
    for each in skysample_obstructions(site(kind, dome=DOME)):
        assert isinstance(each, Obstruction)
        for when in (None, moments[0], moments):
            check_obstruction(each, directions, when)


def test_altitude_limits_block_outside_and_allow_the_limits_themselves():
    blocked = AltitudeLimits(30.0, 88.0).blocks(at([29.99, 30.0, 60.0, 88.0, 88.01], 123.0), None)
    assert blocked.tolist() == [True, False, False, False, True]


def test_horizon_is_linear_between_points_and_runs_on_through_north():
    horizon = Horizon(((10.0, 40.0), (350.0, 20.0), (180.0, 0.0)))
    azimuths = [350.0, 355.0, 0.0, 5.0, 10.0, 95.0, 265.0]
    heights = [20.0, 25.0, 30.0, 35.0, 40.0, 20.0, 10.0]
    np.testing.assert_allclose(np.degrees(horizon.skyline(np.radians(azimuths))), heights)
    assert horizon.blocks(at(np.array(heights) - 0.01, azimuths), None).all()
    assert not horizon.blocks(at(np.array(heights) + 0.01, azimuths), None).any()


def test_horizon_takes_azimuths_that_are_negative_or_beyond_360():
    np.testing.assert_allclose(
        Horizon(((-10.0, 20.0), (10.0, 40.0))).skyline(np.radians([350.0, 0.0])), np.radians([20.0, 30.0])
    )


def test_horizon_of_one_point_is_the_same_all_round():
    blocked = Horizon(((77.0, 22.0),)).blocks(at([21.9, 21.9, 22.1, 22.1], [0.0, 200.0, 0.0, 200.0]), None)
    assert blocked.tolist() == [True, True, False, False]


def test_horizon_never_opens_what_is_below_the_horizontal():
    assert Horizon().blocks(at([-0.1, 0.1], 10.0), None).tolist() == [True, False]
    assert Horizon(((0.0, -5.0),)).blocks(at([-0.1, 0.1], 10.0), None).tolist() == [True, False]


def test_axis_limits_of_a_fork_are_hour_angles():
    mount = Mount(kind="fork", primary=site(mount={"primary": {"min_deg": -50, "max_deg": 70}}).mount.primary)
    limits = AxisLimits(mount, math.radians(40.0))
    blocked = limits.blocks(at_hour_angle([-51.0, -49.0, 0.0, 69.0, 71.0], 20.0, 40.0), None)
    assert blocked.tolist() == [True, False, False, False, True]


def test_axis_limits_of_a_fork_hold_for_the_declination_too():
    mount = Mount(
        kind="fork", secondary=site(mount={"secondary": {"min_deg": -20, "max_deg": 60}}).mount.secondary
    )
    limits = AxisLimits(mount, math.radians(40.0))
    # On the southern meridian the declination is the altitude less 50 degrees; 40 at the zenith.
    blocked = limits.blocks(at([10.0, 40.0, 89.0, 75.0, 50.0], [180.0, 180.0, 0.0, 0.0, 0.0]), None)
    assert blocked.tolist() == [True, False, False, False, True]


def test_a_german_mount_reaches_the_western_sky_from_the_east_of_the_pier_and_both_ways_near_the_meridian():
    # Limits of the axis are -10..190: tube east of the pier from hour angle -10, west of it up to +10.
    here = site("german")
    directions = at_hour_angle([-60.0, -11.0, -9.0, 0.0, 9.0, 11.0, 60.0], 20.0, 40.0)
    assert SIDE_NAMES == {EAST: "east", WEST: "west"}
    assert reach(here, directions, EAST).tolist() == [False, False, True, True, True, True, True]
    assert reach(here, directions, WEST).tolist() == [True, True, True, True, True, False, False]
    assert not AxisLimits(here.mount, here.location.latitude_rad).blocks(directions, None).any()


@pytest.mark.parametrize("kind", ["fork", "altaz"])
def test_a_mount_that_does_not_flip_has_one_side(kind):
    assert reach(site(kind), at(45.0, 100.0), 1).all()
    with pytest.raises(InputError, match="no side of a"):
        reach(site(kind), at(45.0, 100.0), -1)


def test_the_dome_blocks_what_it_lets_through_on_no_side_that_the_axes_reach():
    # A narrow slit that ends short of the zenith and a tube far off the axis: the side matters.
    dome = Dome(radius_m=2.0, slit_width_m=0.75, slit_low_deg=20, tube_offset_m=0.6, beam_m=0.6)
    here = Site(location=site().location, mount=Mount(kind="german"), dome=dome)
    latitude = here.location.latitude_rad
    sky = some_sky(1500)

    without_dome = Site(location=here.location, mount=here.mount)
    reached = np.array([reach(without_dome, sky, side) for side in (EAST, WEST)])
    through = np.array([reach(here, sky, side) for side in (EAST, WEST)])
    blocked = DomeOpening(dome, here.mount, latitude).blocks(sky, None)

    assert reached.any(axis=0).all()
    assert np.array_equal(blocked, ~through.any(axis=0))
    assert np.any(reached.all(axis=0) & (through[0] != through[1]))  # one side serves where the other cannot
    assert np.any(blocked)
    assert np.any(~blocked)


def test_the_dome_does_not_answer_for_what_the_axes_do_not_reach():
    dome = site(dome=DOME).dome
    mount = site(mount={"primary": {"min_deg": -10, "max_deg": 10}}).mount
    far = at_hour_angle(60.0, 20.0, 40.0)
    assert AxisLimits(mount, math.radians(40.0)).blocks(far, None).all()
    assert not DomeOpening(dome, mount, math.radians(40.0)).blocks(far, None).any()


def on_the_equator(avoid_deg=30.0) -> Site:
    return site(latitude=0.0, sky={"sun_avoid_deg": avoid_deg})


def test_at_noon_of_the_equinox_on_the_equator_the_sun_blocks_thirty_degrees_round_the_zenith():
    # The equinox of 2025 is on 20 March at 09:01 UTC; the equation of time is then -7.5 minutes (almanac
    # values, from memory): the Sun stands within 0.2 degrees of the zenith of 0 N 0 E at 12:07:30.
    when = Time("2025-03-20T12:07:30")
    directions = at([90.0, 60.3, 60.3, 59.7, 59.7], [0.0, 0.0, 120.0, 0.0, 240.0])
    assert Sun(on_the_equator()).blocks(directions, when).tolist() == [True, True, True, False, False]


def test_by_night_and_without_a_time_the_sun_blocks_nothing():
    sun = Sun(on_the_equator(avoid_deg=180.0))
    assert not sun.blocks(some_sky(), Time("2025-03-20T23:00:00")).any()
    assert not sun.blocks(some_sky(), None).any()
    assert sun.blocks(some_sky(), Time("2025-03-20T09:00:00")).all()


def test_each_direction_may_have_its_own_moment():
    moments = Time(["2025-03-20T12:07:30", "2025-03-20T23:00:00", "2025-03-20T12:07:30"])
    assert Sun(on_the_equator()).blocks(at([80.0, 80.0, 20.0], 0.0), moments).tolist() == [True, False, False]


def test_the_sun_counts_until_its_upper_limb_has_set():
    here = on_the_equator()
    minutes = Time("2025-03-20T18:00:00") + np.arange(0.0, 30.0, 0.25) * u.min
    altitude = np.degrees(np.arcsin(sun_direction(here, minutes)[:, 2]))
    near = sun_direction(here, minutes)
    blocked = Sun(here).blocks(near, minutes)
    assert np.array_equal(blocked, altitude > -0.9)
    assert blocked[altitude > -0.8].all()
    assert not blocked[altitude < -1.0].any()
    assert 0 < np.count_nonzero(blocked) < len(blocked)


def test_no_distance_from_the_sun_blocks_nothing():
    here = on_the_equator(avoid_deg=0.0)
    when = Time("2025-03-20T12:07:30")
    assert not Sun(here).blocks(sun_direction(here, when.reshape(1)), when).any()


def test_a_horizon_file_that_was_not_read_is_refused():
    unread = Site(location=site().location, mount=site().mount, sky=SkyLimits(horizon="skyline.csv"))
    with pytest.raises(InputError, match="load_site"):
        skysample_obstructions(unread)


def test_the_registry_finds_them_like_any_plugin():
    manager = pluggy.PluginManager("skysample")
    manager.add_hookspecs(hookspecs)
    manager.register(obstructions)
    found = Registry(manager).obstructions(site(dome=DOME))
    assert list(found) == ["altitude limits", "horizon", "axis limits", "dome", "sun"]

"""The usable sky: areas against closed forms, what each obstruction takes, and plugins that misbehave."""

from __future__ import annotations

import math
from dataclasses import dataclass

import healpy as hp
import numpy as np
import pluggy
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, SkyCoord
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st

from skysample import sky
from skysample.astrometry.observed_place import icrs_place, sun_direction
from skysample.errors import InputError, NoSolution, PluginError
from skysample.geometry import alt_az, direction, separation
from skysample.plugins import Registry, hookimpl, hookspecs
from skysample.site import Site
from skysample.sky import obstructions, usable_sky
from skysample.sky.obstructions import reach

EAST, WEST = 1, -1
HEMISPHERE_SR = 2.0 * math.pi
DOME = {
    "radius_m": 2.6,
    "slit_width_m": 1.1,
    "slit_low_deg": 15,
    "slit_past_zenith_deg": 10,
    "pivot_m": [0.0, 0.1, -0.2],
    "beam_m": 0.6,
}
NOON = Time("2025-03-20T12:00:00")
MIDNIGHT = Time("2025-03-21T00:00:00")


def site(kind="fork", latitude=0.0, low=30.0, high=88.0, **tables):
    limits = {"altitude_min_deg": low, "altitude_max_deg": high, **tables.pop("sky", {})}
    mount = {"kind": kind, **tables.pop("mount", {})}
    location = {"latitude_deg": latitude, "longitude_deg": 0.0}
    return Site.from_dict(
        {"name": "Test Ridge", "location": location, "sky": limits, "mount": mount, **tables}
    )


@dataclass(frozen=True)
class Plugin:
    """An outside plugin with one obstruction whose answer is given."""

    answer: object
    name: str = "mast"

    def blocks(self, directions, when):
        return self.answer(directions, when)

    @hookimpl
    def skysample_obstructions(self):
        return [self]


def registry(*plugins):
    manager = pluggy.PluginManager("skysample")
    manager.add_hookspecs(hookspecs)
    for plugin in (obstructions, *plugins):
        manager.register(plugin)
    return Registry(manager)


def look(where, when=None, *plugins, **options):
    return usable_sky(where, when, registry=registry(*plugins), **options)


def taken(usable):
    table = usable.losses
    both = zip(table["removed"].to_value(u.sr), table["only"].to_value(u.sr), strict=True)
    return dict(zip(table["obstruction"], both, strict=True))


@pytest.mark.parametrize(("low", "high"), [(30.0, 88.0), (10.0, 60.0), (0.0, 90.0)])
def test_the_area_between_two_altitudes_is_two_pi_times_the_difference_of_their_sines(low, high):
    usable = look(site(low=low, high=high))
    expected = HEMISPHERE_SR * (math.sin(math.radians(high)) - math.sin(math.radians(low)))
    # Rings of pixels are 2 / (3 nside) apart in sin(altitude) below 42 degrees: half a ring at each limit.
    assert usable.area_sr == pytest.approx(expected, abs=HEMISPHERE_SR * 2.0 / (3.0 * 64))
    finer = look(site(low=low, high=high), nside=128)
    assert finer.area_sr == pytest.approx(expected, abs=HEMISPHERE_SR * 2.0 / (3.0 * 128))


def test_a_pixel_is_the_sphere_divided_by_twelve_nside_squared():
    usable = look(site())
    assert usable.nside == 64
    assert usable.pixel_sr == pytest.approx(4.0 * math.pi / (12 * 64**2), rel=1e-15)
    assert usable.pixel_sr == pytest.approx(hp.nside2pixarea(64), rel=1e-12)
    assert usable.area_sr == pytest.approx(len(usable.pixels) * usable.pixel_sr)


def test_pixels_directions_and_mask_are_the_same_sky_with_azimuth_as_longitude():
    usable = look(site(sky={"horizon": [[0, 10], [80, 70], [100, 70], [180, 10]]}))
    alt, az = alt_az(usable.directions)
    assert np.array_equal(hp.ang2pix(64, np.pi / 2.0 - alt, az), usable.pixels)
    assert np.array_equal(np.flatnonzero(usable.mask()), usable.pixels)
    mask = usable.mask()
    assert mask.shape == (12 * 64**2,)
    assert not mask[hp.ang2pix(64, np.radians(90 - 60), np.radians(90))]  # behind the hill in the east
    assert mask[hp.ang2pix(64, np.radians(90 - 60), np.radians(270))]


def test_horizon_area_is_the_mean_of_its_sine():
    profile = [[20, 45], [340, 35], [200, 60]]
    usable = look(site(low=0.0, high=90.0, sky={"horizon": profile}))
    azimuth = np.linspace(0.0, 360.0, 100_001)
    # The same lines, written out over three turns.
    knots = sorted((a + turn, h) for a, h in profile for turn in (-360, 0, 360))
    height = np.interp(azimuth, *zip(*knots, strict=True))
    expected = HEMISPHERE_SR * np.mean(1.0 - np.sin(np.radians(height)))
    assert usable.area_sr == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("kind", ["fork", "german", "altaz"])
def test_coarse_and_fine_pixels_give_what_every_fine_pixel_gives(kind, monkeypatch):
    horizon = [[0, 12], [90, 25], [210, 41], [300, 15]]
    where = site(kind, -27.0, low=12.0, dome={**DOME, "slit_past_zenith_deg": -5}, sky={"horizon": horizon})
    usable = look(where, NOON)
    monkeypatch.setattr(sky, "_COARSE_NSIDE", 64)
    everywhere = look(where, NOON)
    assert np.array_equal(usable.pixels, everywhere.pixels)
    assert np.array_equal(usable.reachable, everywhere.reachable)
    assert usable.taken == everywhere.taken


def test_every_usable_pixel_passes_the_exact_check_and_no_other_does():
    usable = look(site("german", -27.0, dome={**DOME, "tube_offset_m": 0.4}), NOON)
    colatitude, azimuth = hp.pix2ang(64, np.arange(12 * 64**2))
    exact = usable.usable(direction(np.pi / 2.0 - colatitude, azimuth))
    assert np.array_equal(exact, usable.mask())


@settings(max_examples=15, deadline=None)
@given(
    st.sampled_from(["fork", "german", "altaz"]),
    st.floats(-90.0, 90.0),
    st.floats(0.0, 40.0),
    st.lists(st.floats(0.0, 60.0), min_size=1, max_size=6),
    st.booleans(),
)
def test_losses_add_up(kind, latitude, low, heights, by_day):
    horizon = [[360.0 * i / len(heights), height] for i, height in enumerate(heights)]
    where = site(kind, latitude, low=low, sky={"horizon": horizon}, dome=DOME)
    usable = look(where, NOON if by_day else MIDNIGHT, nside=32)
    lost = HEMISPHERE_SR - usable.area_sr
    half_a_ring = HEMISPHERE_SR / (3.0 * 32) + 1e-9
    removed = np.array([each.removed_sr for each in usable.taken])
    only = np.array([each.only_sr for each in usable.taken])
    assert np.all(only <= removed)
    assert only.sum() <= lost + half_a_ring
    assert removed.max() <= lost + half_a_ring
    assert removed.sum() >= lost - half_a_ring
    # Usable pixels are reached on some side, and the table is what the plain numbers say.
    assert usable.reachable.any(axis=1).all()
    assert taken(usable) == {each.obstruction: (each.removed_sr, each.only_sr) for each in usable.taken}


def test_what_one_obstruction_takes_alone_comes_back_without_it():
    walled = look(site(low=20.0, sky={"horizon": [[90, 70], [100, 0], [80, 0]]}))
    open_ground = look(site(low=20.0))
    _, only = taken(walled)["horizon"]
    assert only > 0.01
    assert open_ground.area_sr - walled.area_sr == pytest.approx(only)
    assert taken(open_ground)["horizon"] == (0.0, 0.0)


def test_a_german_mount_says_on_which_sides_each_pixel_is_reached():
    where = site("german", 40.0, dome={**DOME, "tube_offset_m": 0.4})
    usable = look(where)
    east, west = usable.reachable.T
    assert np.array_equal(east, reach(where, usable.directions, EAST))
    assert np.array_equal(west, reach(where, usable.directions, WEST))
    south = np.array([-0.2, 0.0, 0.2]) * np.pi / 4.0 + np.pi
    strip = direction(np.full(3, np.radians(50.0)), south)  # east of, on and west of the meridian
    assert usable.usable(strip, side=EAST).tolist() == [True, True, True]
    eastern, western = direction(0.8, np.pi / 2.0)[None], direction(0.8, 1.5 * np.pi)[None]
    assert [usable.usable(eastern, side)[0] for side in (EAST, WEST)] == [False, True]
    assert [usable.usable(western, side)[0] for side in (EAST, WEST)] == [True, False]
    assert usable.usable(eastern)[0]
    with pytest.raises(InputError, match="side 0"):
        usable.usable(eastern, side=0)


def test_by_day_the_sun_takes_a_cap_and_by_night_nothing():
    day = look(site(low=0.0, high=90.0), NOON)
    removed, only = taken(day)["sun"]
    assert removed == pytest.approx(HEMISPHERE_SR * (1.0 - math.cos(math.radians(30.0))), rel=0.01)
    assert only == removed
    (sun,) = sun_direction(day.site, NOON.reshape(1))
    assert np.degrees(separation(day.directions, sun)).min() >= 30.0
    assert np.degrees(separation(day.directions, sun)).min() < 31.0
    assert not day.usable(sun[None])[0]
    assert taken(look(site(low=0.0), MIDNIGHT))["sun"] == (0.0, 0.0)
    assert taken(look(site(low=0.0)))["sun"] == (0.0, 0.0)


def test_places_are_asked_about_as_the_unit_vectors_that_they_are():
    alt, az = np.radians([[30.0, 60.0], [5.0, 80.0]]), np.radians([[0.0, 120.0], [50.0, 300.0]])
    night = look(site(low=20.0), MIDNIGHT)
    vectors = night.usable(direction(alt, az).reshape(-1, 3)).reshape(2, 2)
    places = AltAz(alt=alt * u.rad, az=az * u.rad)
    assert vectors.tolist() == night.usable(places).tolist() == night.usable(SkyCoord(places)).tolist()
    stars = icrs_place(SkyCoord(places), MIDNIGHT, night.site)
    assert night.usable(stars).tolist() == vectors.tolist() == [[True, True], [False, True]]
    assert night.usable(stars[1, 0]).tolist() == [False]


@pytest.mark.parametrize("when", [None, Time(["2025-03-20T08:00:00", "2025-03-20T16:00:00"])])
def test_a_place_among_the_stars_needs_one_moment(when):
    with pytest.raises(InputError, match="need one time"):
        look(site(), when).usable(SkyCoord(10 * u.deg, 20 * u.deg))


def test_what_is_blocked_at_any_of_several_moments_is_blocked():
    where = site(low=10.0)
    moments = Time(["2025-03-20T08:00:00", "2025-03-20T16:00:00", "2025-03-21T00:00:00"])
    several = look(where, moments)
    each = [look(where, moment).mask() for moment in moments]
    assert np.array_equal(several.mask(), np.logical_and.reduce(each))
    assert several.mask().sum() < min(mask.sum() for mask in each)
    suns = sun_direction(where, moments)
    assert several.usable(suns[:2]).tolist() == [False, False]


def test_what_stands_still_is_asked_once_and_what_may_move_at_every_moment():
    asked = []

    def count(directions, when):
        asked.append(when.isot)
        return np.zeros(len(directions), bool)

    @dataclass(frozen=True)
    class Still(Plugin):
        depends_on_time: bool = False

    moments = NOON + np.arange(3) * u.h
    look(site(), moments, Plugin(count), nside=16)
    assert asked == moments.isot.tolist()
    asked.clear()
    look(site(), moments, Still(count), nside=16)
    assert asked == [NOON.isot]


def test_a_plugins_obstruction_takes_its_part():
    northern = Plugin(lambda directions, _: directions[:, 1] > 0.0)
    usable = look(site(), None, northern)
    assert not np.any(usable.directions[:, 1] > 0.0)
    assert taken(usable)["mast"][0] == pytest.approx(math.pi, abs=0.05)
    assert usable.usable(direction([1.0, 1.0], [0.1, 3.0])).tolist() == [False, True]


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        (lambda directions, _: np.zeros((len(directions), 1), bool), r"bool of shape \(\d+, 1\); it must"),
        (lambda *_: np.zeros(3, bool), r"of bool of shape \(3,\); it must return"),
        (lambda directions, _: np.zeros(len(directions)), "array of float64"),
        (lambda directions, _: [False] * len(directions), "returned list"),
        (lambda *_: 1 / 0, "raised ZeroDivisionError"),
        (lambda directions, _: directions.fill(0.0), "raised ValueError.*read-only"),
    ],
)
def test_a_plugin_that_does_not_fit_is_named_with_its_hook(answer, reason):
    with pytest.raises(PluginError, match=reason) as caught:
        look(site(), None, Plugin(answer))
    assert caught.value.plugin == "mast"
    assert caught.value.hook == "skysample_obstructions"
    assert "'mast'" in str(caught.value)


def test_nothing_left_says_what_takes_how_much():
    # The mask up to 88.5 leaves a cap of 0.002 sr, the lowest altitude of 85 one of 0.024, but only up to 88.
    message = r"of 6\.28 sr \(blocked: altitude limits 6\.2\d, horizon 6\.2\d\); check 'horizon' first"
    with pytest.raises(NoSolution, match=message) as caught:
        look(site(low=85.0, sky={"horizon": [[0, 88.5]]}))
    assert {loss.obstruction for loss in caught.value.partial} == {
        "altitude limits",
        "horizon",
        "axis limits",
        "sun",
    }


def test_the_summary_says_how_much_is_left_who_takes_it_and_whether_the_sun_was_checked():
    text = str(look(site(dome=DOME)))
    assert text.startswith("Usable sky of Test Ridge: 3.1")
    assert "% of the hemisphere" in text
    for name in ("altitude limits", "horizon", "axis limits", "dome", "sun"):
        assert name in text
    assert "Sky lost to each cause alone (they overlap)" in text
    assert "the Sun was not checked" in text
    assert "At 2025-03-20T12:00:00.000 UTC." in str(look(site(), NOON))
    several = look(site(), NOON + np.arange(3) * u.h)
    assert "At all of 3 times from 2025-03-20T12:00:00.000 to 2025-03-20T14:00:00.000 UTC." in str(several)
    assert several._repr_html_().startswith("<pre>Usable sky")


def test_results_cannot_be_changed():
    usable = look(site(), nside=16)
    for array in (usable.directions, usable.pixels, usable.reachable):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0
    usable.losses["removed"][:] = 0.0 * u.sr
    assert taken(usable)["altitude limits"][0] > 0.0


@pytest.mark.parametrize(
    ("directions", "reason"),
    [
        (np.array([0.0, 0.0, 1.0]), r"give \(n, 3\)"),
        (np.array([[0.0, 0.0, 2.0]]), "unit vectors"),
        (np.array([[0.0, np.nan, 1.0]]), "unit vectors"),
    ],
)
def test_directions_that_are_none_are_refused(directions, reason):
    with pytest.raises(InputError, match=reason):
        look(site(), nside=16).usable(directions)


@pytest.mark.parametrize(
    ("when", "reason"),
    [
        ("2025-03-20", "when is a str"),
        (Time([], format="jd"), r"shape \(0,\)"),
        (Time([["2025-03-20", "2025-03-21"]]), r"shape \(1, 2\)"),
    ],
)
def test_a_moment_that_is_none_is_refused(when, reason):
    with pytest.raises(InputError, match=reason):
        look(site(), when)


@pytest.mark.parametrize("nside", [0, 48, -64, 2048, 64.5])
def test_a_resolution_that_healpix_does_not_have_is_refused(nside):
    with pytest.raises(InputError, match="power of two"):
        look(site(), nside=nside)

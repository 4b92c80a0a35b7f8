from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from skysample.geometry import direction
from skysample.site.mount_axes import (
    ideal_axes,
    ideal_direction,
    limits,
    mechanical,
    mount_frame,
    primary_turns,
    sides,
    sky_reading,
    tube_origin,
    tube_side,
    within_limits,
)
from skysample.testing import SimulatedMount
from tests.conftest import make_site

LATITUDE = st.floats(-85.0, 85.0)


@given(
    st.sampled_from(["fork", "german", "altaz"]),
    LATITUDE,
    st.floats(0.02, 1.5),
    st.floats(0.0, 6.28),
    st.booleans(),
)
def test_ideal_axes_equal_the_simulated_mount_without_errors(kind, latitude, alt, az, flipped):
    side = -1 if flipped and kind == "german" else 1
    frame = mount_frame(kind, np.radians(latitude))
    axes = ideal_axes(frame, direction(alt, az), side)
    theirs = SimulatedMount(kind, latitude).reading(alt, az, side)
    assert np.allclose(np.exp(1j * axes[0]), np.exp(1j * theirs[0]), atol=1e-9)
    assert axes[1] == pytest.approx(float(theirs[1]), abs=1e-9)
    assert np.allclose(ideal_direction(frame, axes), direction(alt, az), atol=1e-12)


@given(st.floats(-3.1, 3.1), st.floats(-1.5, 1.5), st.sampled_from([1, -1]))
def test_a_mechanical_reading_says_its_side_and_gives_the_sky_reading_back(hour_angle, dec, side):
    axes = mechanical(np.array([hour_angle, dec]), side)
    assert tube_side(axes) == side
    assert np.allclose(sky_reading(axes), [hour_angle, dec], atol=1e-12)


def test_tube_east_of_the_pier_looks_west_with_the_counterweight_down():
    # Six hours west: the tube's end of the secondary axis then points up, so the counterweight hangs.
    for latitude in (40.0, -40.0):
        frame = mount_frame("german", np.radians(latitude))
        east = tube_origin(frame, np.array([0.0, 0.0]), [0.0, 0.0, 0.0], 1.0)
        west_looking = tube_origin(frame, np.array([np.pi / 2, 0.0]), [0.0, 0.0, 0.0], 1.0)
        assert np.allclose(east, [1.0, 0.0, 0.0], atol=1e-12)
        assert west_looking[2] > 0.7


def test_only_a_german_mount_has_two_sides():
    assert [sides(kind) for kind in ("fork", "german", "altaz")] == [(1,), (1, -1), (1,)]


def test_limits_are_the_sites_or_those_of_common_practice():
    site = make_site("fork", mount={"primary": {"min_deg": -100, "max_deg": 100}})
    assert np.allclose(np.degrees(limits(site.mount)), [[-100, 100], [-90, 90]])
    assert np.allclose(np.degrees(limits(make_site("altaz").mount))[0], [-270, 270])


def test_an_azimuth_axis_with_one_and_a_half_turns_has_two_ways_to_some_places():
    axis_limits = limits(make_site("altaz").mount)
    turns = np.degrees(primary_turns(np.radians([[100.0, 45.0], [10.0, 45.0]]), axis_limits))
    assert sorted(turns[0][np.isfinite(turns[0])]) == pytest.approx([-260.0, 100.0])
    assert turns[1][np.isfinite(turns[1])] == pytest.approx([10.0])


@given(st.floats(-180, 180), st.floats(-90, 270))
def test_within_limits_tries_whole_turns(primary, secondary):
    axis_limits = limits(make_site("german").mount)
    inside = any(-10.0 <= primary + 360.0 * k <= 190.0 for k in (-1, 0, 1))
    assert within_limits(np.radians([primary, secondary]), axis_limits) == inside or min(
        abs((primary + 10.0) % 360.0), abs((primary - 190.0) % 360.0)
    ) == pytest.approx(0.0, abs=1e-6)

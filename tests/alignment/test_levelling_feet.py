"""Levelling by feet: a simulated base, made of its feet, ends level."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from skysample.alignment.levelling_feet import foot_moves
from skysample.site import Wedge

FEET = {3: (90.0, 210.0, 330.0), 4: (45.0, 135.0, 225.0, 315.0)}


def simulated_feet(azimuths_deg, radius_mm, north_rad, east_rad):
    """Tips of the feet of a base whose upright leans by that rotation vector, east-north-up."""
    az = np.radians(azimuths_deg)
    level = radius_mm * np.stack([np.sin(az), np.cos(az), np.zeros(len(az))], axis=1)
    return Rotation.from_rotvec([-north_rad, east_rad, 0.0]).apply(level)


@given(st.sampled_from([3, 4]), st.floats(-3.0, 3.0), st.floats(-3.0, 3.0))
@settings(deadline=None)
def test_raising_the_feet_of_a_simulated_base_levels_it(count, north_deg, east_deg):
    lean = np.radians([north_deg, east_deg])
    wedge = Wedge(feet_az_deg=FEET[count], feet_radius_mm=400.0)
    tips = simulated_feet(FEET[count], 400.0, *lean)
    lift = np.array([foot.raise_mm for foot in foot_moves(*lean, np.eye(2) * 1e-10, wedge)])
    assert lift.min() == 0.0
    assert np.ptp(tips[:, 2] + lift) < 1e-9


def test_a_base_that_leans_north_is_raised_under_its_north_side():
    wedge = Wedge(
        feet_az_deg=(0.0, 120.0, 240.0), feet_radius_mm=400.0, feet_pitch_mm=1.5, feet_clockwise="lower"
    )
    north, south_east, south_west = foot_moves(np.radians(0.5), 0.0, np.eye(2) * 1e-10, wedge)
    # 0.5 degrees over the 600 mm from the northern foot to the line of the two others.
    assert north.raise_mm == pytest.approx(600.0 * np.sin(np.radians(0.5)), rel=1e-9)
    assert north.turns == pytest.approx(north.raise_mm / 1.5)
    assert north.bolt == "counter-clockwise"
    assert south_east.raise_mm == pytest.approx(0.0, abs=1e-9)
    assert south_west.raise_mm == pytest.approx(0.0, abs=1e-9)
    assert str(north) == "Foot at azimuth 0: raise by 5.24 mm +- 0.01 mm: 3.49 turns counter-clockwise"


def test_the_error_of_a_foot_is_that_of_many_simulated_measurements():
    rng = np.random.default_rng(1)
    covariance = np.array([[4.0, 1.0], [1.0, 9.0]]) * np.radians(1.0 / 60.0) ** 2 / 100.0
    wedge = Wedge(feet_az_deg=FEET[3], feet_radius_mm=400.0)
    lean = np.radians([1.0, -0.7])
    measured = lean + rng.multivariate_normal([0.0, 0.0], covariance, 4000)
    lifts = np.array([[foot.raise_mm for foot in foot_moves(*each, covariance, wedge)] for each in measured])
    stated = [foot.stderr_mm for foot in foot_moves(*lean, covariance, wedge)]
    assert lifts.std(axis=0) == pytest.approx(stated, rel=0.05)


def test_feet_that_the_site_file_does_not_describe_are_not_told():
    assert foot_moves(0.01, 0.0, np.eye(2), None) == ()
    assert foot_moves(0.01, 0.0, np.eye(2), Wedge()) == ()

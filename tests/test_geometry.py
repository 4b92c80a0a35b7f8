from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from skysample.geometry import (
    alt_az,
    direction,
    displace,
    offset,
    rotation,
    separation,
    tangent_basis,
    wrap_pi,
)

ANGLE = st.floats(-3.1, 3.1)
ALTITUDE = st.floats(-1.5, 1.5)
NCP_35 = direction(np.radians(35.0), 0.0)


@given(ALTITUDE, st.floats(0.0, 6.28))
def test_alt_az_undoes_direction(alt, az):
    assert np.allclose(direction(*alt_az(direction(alt, az))), direction(alt, az), atol=1e-15)


def test_azimuth_counts_from_north_to_east():
    assert np.allclose(direction(0.0, [0.0, np.pi / 2]), [[0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])


@given(ALTITUDE, ANGLE, ANGLE)
def test_rotation_is_scipys_rotation(alt, az, angle):
    axis = direction(alt, az)
    assert np.allclose(rotation(axis, angle), Rotation.from_rotvec(axis * angle).as_matrix(), atol=1e-14)


def test_on_the_southern_meridian_the_components_are_west_and_north():
    west, north = tangent_basis(direction(np.radians(40.0), np.pi), NCP_35)
    assert np.allclose(west, [-1.0, 0.0, 0.0])
    assert north[1] > 0.0
    assert north[2] > 0.0  # towards the pole, which is beyond the zenith


def test_with_the_zenith_the_components_are_clockwise_and_up():
    clockwise, up = tangent_basis(direction(0.3, 0.0), np.array([0.0, 0.0, 1.0]))
    assert np.allclose(clockwise, [1.0, 0.0, 0.0])
    assert up[2] > 0.9


def test_at_the_pole_itself_any_perpendicular_pair_is_given():
    pair = tangent_basis(NCP_35, NCP_35)
    assert np.allclose(pair @ pair.T, np.eye(2))
    assert np.allclose(pair @ NCP_35, 0.0)


@given(ALTITUDE, ANGLE, st.floats(-1.5, 1.5), st.floats(-1.5, 1.5))
def test_offset_undoes_displace(alt, az, first, second):
    start = direction(alt, az)
    basis = tangent_basis(start, NCP_35)
    there = displace(start, basis, np.array([first, second]))
    assert np.allclose(offset(start, basis, there), [first, second], atol=1e-9)
    assert separation(start, there) == pytest.approx(np.hypot(first, second), abs=1e-12)


@pytest.mark.parametrize("angle", [1e-9, 1e-4, 1.0, np.pi - 1e-6])
def test_separation_is_exact_at_both_ends(angle):
    assert separation(direction(0.0, 0.0), direction(0.0, angle)) == pytest.approx(angle, rel=1e-9)


def test_wrap_pi_keeps_minus_pi():
    assert np.allclose(wrap_pi([np.pi, -np.pi, 3.5 * np.pi, 0.1]), [-np.pi, -np.pi, -0.5 * np.pi, 0.1])

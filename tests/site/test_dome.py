"""The dome's allowed azimuths against traced rays, by code that shares nothing with skysample.site.dome."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from skysample.errors import InputError
from skysample.geometry import direction
from skysample.site import Dome
from skysample.site.dome import dome_arcs, dome_open

TURN = 2.0 * math.pi
EDGE_M = 5e-4


def ray_margin(dome: Dome, t, origin, azimuths):
    """Metres by which the beam's rim stays inside the slit at each dome azimuth; negative: beyond an edge."""
    helper = np.eye(3)[np.argmin(np.abs(t))]
    u = helper - t * (helper @ t)
    u /= np.linalg.norm(u)
    v = np.cross(t, u)
    phi = np.linspace(0.0, TURN, 2000, endpoint=False)[:, None]
    start = origin + 0.5 * dome.beam_m * (np.cos(phi) * u + np.sin(phi) * v)
    # |start + s t|^2 = R^2, the root ahead.
    b = 2.0 * start @ t
    c = np.sum(start**2, axis=1) - dome.radius_m**2
    s = (-b + np.sqrt(b * b - 4.0 * c)) / 2.0
    x, y, z = (start + s[:, None] * t).T

    margins = []
    for azimuth in np.atleast_1d(azimuths):
        forward = x * math.sin(azimuth) + y * math.cos(azimuth)
        lateral = x * math.cos(azimuth) - y * math.sin(azimuth)
        angle = np.degrees(np.arctan2(z, forward))
        inside = np.minimum(angle - dome.slit_low_deg, 90.0 + dome.slit_past_zenith_deg - angle)
        along = np.radians(inside) * np.hypot(forward, z)
        margins.append(min(np.min(along), np.min(dome.slit_width_m / 2.0 - np.abs(lateral))))
    return np.array(margins)


def is_allowed(arcs, azimuths):
    return np.array([any((a - start) % TURN <= width for start, width in arcs) for a in azimuths])


def one(dome, alt_deg, az_deg, origin):
    t = direction(math.radians(alt_deg), math.radians(az_deg))[None]
    (arcs,) = dome_arcs(dome, t, np.array([origin], float))
    return t[0], arcs


@st.composite
def geometries(draw, lowest=-20.0):
    radius = draw(st.floats(1.0, 8.0))
    slit = radius * draw(st.floats(0.1, 1.2))
    beam = min(slit * draw(st.floats(0.05, 0.98)), radius)
    low = draw(st.one_of(st.just(0.0), st.floats(-30.0, 70.0)))
    past = draw(st.one_of(st.just(0.0), st.floats(max(-60.0, low - 89.0), 80.0)))
    reach = (radius - beam / 2.0) * draw(st.floats(0.0, 0.8))
    pivot = reach * direction(draw(st.floats(-1.5, 1.5)), draw(st.floats(0.0, TURN)))
    dome = Dome(
        radius_m=radius,
        slit_width_m=slit,
        slit_low_deg=low,
        slit_past_zenith_deg=past,
        pivot_m=tuple(pivot.tolist()),
        beam_m=beam,
    )
    altitude = draw(st.one_of(st.floats(lowest, 90.0), st.floats(80.0, 90.0), st.just(90.0)))
    return dome, altitude, draw(st.floats(0.0, 360.0)), pivot


@settings(max_examples=150, deadline=None)
@given(geometries(), st.integers(0, 2**32 - 1))
def test_no_azimuth_is_half_a_millimetre_wrong_anywhere(geometry, seed):
    dome, altitude, azimuth, origin = geometry
    t, arcs = one(dome, altitude, azimuth, origin)

    anywhere = np.random.default_rng(seed).uniform(0.0, TURN, 40)
    ends = np.concatenate([arcs[:, 0], arcs.sum(axis=1)])
    near_ends = np.concatenate([ends + step for step in (-1e-3, -1e-4, -1e-6, 1e-6, 1e-4, 1e-3)])
    azimuths = np.concatenate([anywhere, near_ends, [math.radians(azimuth), math.radians(azimuth) + math.pi]])

    margin = ray_margin(dome, t, origin, azimuths)
    allowed = is_allowed(arcs, azimuths)
    assert np.all(margin[allowed] >= -EDGE_M)
    assert np.all(margin[~allowed] <= EDGE_M)


@settings(max_examples=60, deadline=None)
@given(geometries(lowest=60.0))
def test_a_direction_called_closed_is_closed_all_round(geometry):
    dome, altitude, azimuth, origin = geometry
    t, arcs = one(dome, altitude, azimuth, origin)
    if len(arcs) == 0:
        assert np.all(ray_margin(dome, t, origin, np.linspace(0.0, TURN, 180)) <= EDGE_M)


@settings(max_examples=60, deadline=None)
@given(geometries())
def test_arcs_have_the_documented_form_and_open_agrees(geometry):
    dome, altitude, azimuth, origin = geometry
    t, arcs = one(dome, altitude, azimuth, origin)
    assert arcs.shape[1] == 2
    assert np.all((arcs[:, 0] >= 0.0) & (arcs[:, 0] < TURN))
    assert np.all((arcs[:, 1] > 0.0) & (arcs[:, 1] <= TURN))
    assert np.all(np.diff(arcs[:, 0]) > 0.0)
    assert np.all(arcs[:-1, 0] + arcs[:-1, 1] < arcs[1:, 0])  # apart
    assert dome_open(dome, t[None], np.array([origin])).tolist() == [len(arcs) > 0]


def test_many_directions_at_once_give_what_each_gives_alone():
    pivot = (0.2, 0.1, -0.2)
    dome = Dome(
        radius_m=2.6, slit_width_m=1.1, slit_low_deg=15, slit_past_zenith_deg=30, pivot_m=pivot, beam_m=0.6
    )
    rng = np.random.default_rng(3)
    t = direction(rng.uniform(-0.1, 1.57, 1500), rng.uniform(0.0, TURN, 1500))
    origins = np.array(dome.pivot_m) + rng.uniform(-0.3, 0.3, (1500, 3))
    together = dome_arcs(dome, t, origins)
    assert np.array_equal(dome_open(dome, t, origins), [len(arcs) > 0 for arcs in together])
    assert {len(arcs) for arcs in together} >= {0, 1, 2}
    for i in range(0, 1500, 50):
        (alone,) = dome_arcs(dome, t[i : i + 1], origins[i : i + 1])
        np.testing.assert_allclose(together[i], alone, atol=1e-9)


def test_central_beam_at_moderate_altitude_is_served_half_the_slit_less_half_the_beam_to_either_side():
    # From the centre every exit stands at distance R; the rim's widest point is beam / 2 off the axis.
    dome = Dome(radius_m=3.0, slit_width_m=1.2, slit_past_zenith_deg=20, beam_m=0.4)
    _, arcs = one(dome, 0.0001, 90.0, (0.0, 0.0, 0.0))
    assert len(arcs) == 0  # half the beam is below the horizon, where the slit ends
    dome = Dome(radius_m=3.0, slit_width_m=1.2, slit_low_deg=-20, slit_past_zenith_deg=20, beam_m=0.4)
    _, arcs = one(dome, 0.0, 90.0, (0.0, 0.0, 0.0))
    half = math.asin(0.6 / 3.0) - math.asin(0.2 / 3.0)
    np.testing.assert_allclose(arcs, [[math.pi / 2.0 - half, 2.0 * half]], atol=2e-4)


def test_a_telescope_east_of_the_centre_looking_north_wants_the_dome_east_of_north():
    dome = Dome(radius_m=3.0, slit_width_m=1.0, pivot_m=(0.5, 0.0, 0.0), beam_m=0.4)
    _, arcs = one(dome, 45.0, 0.0, dome.pivot_m)
    middle = arcs[0, 0] + arcs[0, 1] / 2.0
    assert len(arcs) == 1
    assert middle == pytest.approx(math.atan2(0.5, 1.0) * 0.5, abs=0.1)
    assert 0.0 < middle < math.pi / 2.0


def test_beam_at_the_zenith_from_the_centre_allows_any_azimuth_when_the_slit_runs_far_enough_past():
    dome = Dome(radius_m=2.6, slit_width_m=1.1, slit_low_deg=15, slit_past_zenith_deg=10, beam_m=0.6)
    _, arcs = one(dome, 90.0, 0.0, (0.0, 0.0, 0.0))
    # The slit ends 2.6 m x sin 10 deg = 0.45 m behind the zenith: more than half the beam.
    np.testing.assert_allclose(arcs, [[0.0, TURN]])


def test_beam_at_the_zenith_is_nowhere_clear_when_the_slit_ends_at_the_zenith():
    dome = Dome(radius_m=2.6, slit_width_m=1.1, slit_low_deg=15, slit_past_zenith_deg=0, beam_m=0.6)
    t, arcs = one(dome, 90.0, 0.0, (0.0, 0.0, 0.0))
    assert arcs.shape == (0, 2)
    assert not dome_open(dome, t[None], np.zeros((1, 3)))[0]


def test_beam_east_of_the_centre_at_the_zenith_is_served_from_the_east_and_backwards_from_the_west():
    # It leaves 0.3 m east of the zenith: more than the slit's half width allows from north or south.
    pivot = (0.3, 0.0, 0.0)
    dome = Dome(
        radius_m=2.6, slit_width_m=0.9, slit_low_deg=15, slit_past_zenith_deg=15, pivot_m=pivot, beam_m=0.6
    )
    t, arcs = one(dome, 90.0, 0.0, dome.pivot_m)
    assert len(arcs) == 2
    middles = arcs.sum(axis=1) - arcs[:, 1] / 2.0
    np.testing.assert_allclose(middles, [math.pi / 2.0, 1.5 * math.pi], atol=1e-4)
    # |0.3 sin d| + 0.3 = 0.45 on the edge, seen from above: d = 30 degrees either way.
    np.testing.assert_allclose(arcs[:, 1], math.radians(60.0), atol=2e-3)
    assert ray_margin(dome, t, np.array(dome.pivot_m), [math.pi / 2.0, 1.5 * math.pi, 0.0]).tolist() == [
        pytest.approx(0.15, abs=1e-6),
        pytest.approx(min(0.15, ray_past(dome, 0.6)), abs=1e-3),
        pytest.approx(-0.15, abs=1e-3),
    ]


def ray_past(dome, behind_m):
    """Arc on the dome between the slit's upper end and a point so far behind the centre."""
    return dome.radius_m * (math.radians(dome.slit_past_zenith_deg) - math.asin(behind_m / dome.radius_m))


def test_a_slit_longer_than_half_a_turn_also_serves_the_far_side():
    # From -30 to 170 degrees: a beam at altitude 20 passes at the dome azimuth opposite to it.
    dome = Dome(radius_m=3.0, slit_width_m=1.2, slit_low_deg=-30, slit_past_zenith_deg=80, beam_m=0.4)
    _, arcs = one(dome, 20.0, 0.0, (0.0, 0.0, 0.0))
    assert is_allowed(arcs, [0.0, math.pi]).all()
    assert not is_allowed(arcs, [math.pi / 2.0]).any()


def test_a_slit_that_ends_before_the_zenith_does_not_serve_it():
    dome = Dome(radius_m=3.0, slit_width_m=1.2, slit_low_deg=10, slit_past_zenith_deg=-20, beam_m=0.3)
    t = direction(np.radians([40.0, 60.0, 68.0, 85.0]), np.zeros(4))
    assert dome_open(dome, t, np.zeros((4, 3))).tolist() == [True, True, False, False]


def test_the_lower_lip_cuts_the_beam_off_where_its_rim_would_show_below():
    # The slit hardly wider than the beam: a dome turned aside would see it at a larger slit angle.
    dome = Dome(radius_m=3.0, slit_width_m=0.302, slit_low_deg=20, slit_past_zenith_deg=10, beam_m=0.3)
    half_beam_deg = math.degrees(math.asin(0.15 / 3.0))
    t = direction(np.radians([20.0 + half_beam_deg - 0.05, 20.0 + half_beam_deg + 0.05]), np.ones(2))
    assert dome_open(dome, t, np.zeros((2, 3))).tolist() == [False, True]


def test_no_directions_give_no_arcs():
    dome = Dome(radius_m=3.0, slit_width_m=1.2)
    assert dome_arcs(dome, np.zeros((0, 3)), np.zeros((0, 3))) == ()
    assert dome_open(dome, np.zeros((0, 3)), np.zeros((0, 3))).shape == (0,)


def test_arcs_cannot_be_written_to():
    dome = Dome(radius_m=3.0, slit_width_m=1.2)
    _, arcs = one(dome, 45.0, 0.0, (0.0, 0.0, 0.0))
    with pytest.raises(ValueError, match="read-only"):
        arcs[0, 0] = 1.0


def test_a_beam_that_starts_outside_the_dome_is_refused():
    dome = Dome(radius_m=1.0, slit_width_m=0.8, beam_m=0.6)
    with pytest.raises(InputError, match="outside the dome"):
        dome_open(dome, np.array([[0.0, 0.0, 1.0]]), np.array([[0.8, 0.0, 0.0]]))


def test_shapes_that_do_not_fit_are_refused():
    dome = Dome(radius_m=1.0, slit_width_m=0.8)
    with pytest.raises(InputError, match=r"shape \(n, 3\)"):
        dome_arcs(dome, np.array([[0.0, 0.0, 1.0]]), np.zeros(3))

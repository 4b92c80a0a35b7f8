"""Every displacement on offer: its sign as a picture, and its value from a mount that is written from definitions."""

from __future__ import annotations

import math

import erfa
import numpy as np
import pytest
from astropy import units as u

from skysample.fitting import fit
from skysample.fitting.pointing import Moment
from skysample.fitting.terms import STANDARD
from skysample.geometry import offset, tangent_basis
from skysample.plugins import default_registry
from skysample.runs import Run
from skysample.site import Mount
from skysample.site.mount_axes import ideal_direction, mount_frame
from skysample.testing import SimulatedMount
from tests.conftest import make_site
from tests.simulated_nights import simulated_run, spread_places, unit_vectors

DEG = np.pi / 180.0
ARCSEC = DEG / 3600.0
OFFERED = [
    (kind, name)
    for kind in ("fork", "german", "altaz")
    for name in default_registry().terms(Mount(kind=kind))
]
EAST_OF_PIER, WEST_OF_PIER = (20.0, 30.0), (200.0, 150.0)
"""Mechanical readings of one place, before and after a flip."""


def moved(kind, terms_arcsec, primary_deg, secondary_deg, latitude_deg=40.0):
    """Where the tube points minus where a perfect one would: west and north (clockwise and up), arcsec."""
    frame = mount_frame(kind, latitude_deg * DEG)
    ideal = ideal_direction(frame, np.array([primary_deg, secondary_deg]) * DEG)
    mount = SimulatedMount(kind, latitude_deg, terms_arcsec=terms_arcsec)
    real = unit_vectors(*mount.point(primary_deg * DEG, secondary_deg * DEG))
    return pytest.approx(offset(ideal, tangent_basis(ideal, frame[:, 2]), real) / ARCSEC, abs=0.01)


# Pictures


def test_a_fork_that_twists_carries_the_tube_north_in_the_west_and_south_in_the_east():
    assert moved("fork", {"fork_twist": 30.0}, 90.0, 20.0) == [0.0, 30.0]
    assert moved("fork", {"fork_twist": 30.0}, -90.0, 20.0) == [0.0, -30.0]
    assert moved("fork", {"fork_twist": 30.0}, 0.0, 20.0) == [0.0, 0.0]


@pytest.mark.parametrize("side", [0.0, 180.0])
def test_a_soft_polar_axis_carries_the_tube_north_on_both_sides_of_the_pier(side):
    tube = (side, abs(side - 20.0))
    assert moved("german", {"polar_axis_flexure": 30.0}, *tube) == [0.0, 30.0]
    tube = (side + 90.0, abs(side - 20.0))
    assert moved("german", {"polar_axis_twist": 30.0}, *tube) == [0.0, 30.0]


@pytest.mark.parametrize("kind", ["fork", "german"])
def test_a_tube_that_sags_sideways_goes_down_towards_the_nearer_horizon(kind):
    west = 30.0 * math.cos(40.0 * DEG) * math.sin(60.0 * DEG)
    assert moved(kind, {"sideways_flexure": 30.0}, 60.0, 20.0) == [west, 0.0]
    assert moved(kind, {"sideways_flexure": 30.0}, -60.0, 20.0) == [-west, 0.0]
    assert moved(kind, {"sideways_flexure": 30.0}, 0.0, 20.0) == [0.0, 0.0]


@pytest.mark.parametrize("kind", ["fork", "german", "altaz"])
def test_more_refraction_than_computed_puts_the_tube_on_lower_places(kind):
    mount = SimulatedMount(kind, -27.0, terms_arcsec={"refraction_scale": 60.0})
    alt, az = np.array([30.0, 45.0, 89.0]) * DEG, np.array([10.0, 130.0, 250.0]) * DEG
    lower, same_az = mount.point(*mount.reading(alt, az))
    assert (alt - lower) / ARCSEC == pytest.approx(60.0 / np.tan(alt), abs=0.05)
    assert same_az == pytest.approx(az)


def test_refraction_in_other_air_differs_as_its_scale_does():
    alt = np.radians(np.arange(18.0, 88.0, 10.0))
    computed, real = (
        np.dot(erfa.refco(pressure, 10.0, 0.3, 0.6), np.stack([1.0 / np.tan(alt), 1.0 / np.tan(alt) ** 3]))
        for pressure in (850.0, 870.0)
    )
    more = (real - computed) / (real - computed)[3]
    assert more == pytest.approx(np.tan(alt[3]) / np.tan(alt), rel=0.01)


def test_an_oval_scale_misreads_twice_a_turn():
    assert moved("altaz", {"secondary_sin_twice": 20.0}, 0.0, 45.0) == [0.0, 20.0]
    assert moved("altaz", {"secondary_cos_twice": 20.0}, 0.0, 60.0) == [0.0, -10.0]
    for reading, ahead in ((45.0, 20.0), (135.0, -20.0), (225.0, 20.0)):
        assert moved("altaz", {"primary_sin_twice": 20.0}, reading, 0.0) == [ahead, 0.0]
    assert moved("fork", {"primary_cos_twice": 20.0}, 90.0, 60.0) == [-10.0, 0.0]


def test_an_azimuth_track_like_a_saddle_nods_up_in_north_and_south_and_down_in_east_and_west():
    for azimuth, up in ((0.0, 30.0), (90.0, -30.0), (180.0, 30.0), (270.0, -30.0)):
        assert moved("altaz", {"azimuth_nod_cos": 30.0}, azimuth, 50.0) == [0.0, up]
        assert moved("altaz", {"azimuth_nod_sin": 30.0}, azimuth + 45.0, 50.0) == [0.0, up]


def test_a_roll_to_the_right_moves_the_tube_clockwise_most_when_it_stands_high():
    for altitude in (0.0, 30.0, 70.0):
        clockwise = 30.0 * math.sin(altitude * DEG)
        assert moved("altaz", {"azimuth_roll_cos": 30.0}, 180.0, altitude) == [clockwise, 0.0]
        assert moved("altaz", {"azimuth_roll_sin": 30.0}, 45.0, altitude) == [clockwise, 0.0]


@pytest.mark.parametrize("term", ["primary_zero", "secondary_zero", "cone", "tube_flexure"])
def test_what_differs_by_side_is_added_east_of_the_pier_and_taken_away_west_of_it(term):
    by_side, plain = {f"{term}_by_side": 30.0}, {term: 30.0}
    frame = mount_frame("german", 40.0 * DEG)
    for side, place in ((1.0, EAST_OF_PIER), (-1.0, WEST_OF_PIER)):
        ideal = ideal_direction(frame, np.array(place) * DEG)
        real = unit_vectors(
            *SimulatedMount("german", 40.0, terms_arcsec=plain).point(place[0] * DEG, place[1] * DEG)
        )
        expected = side * offset(ideal, tangent_basis(ideal, frame[:, 2]), real) / ARCSEC
        assert moved("german", by_side, *place) == expected.tolist()


# Against the simulated mount


@pytest.mark.parametrize("latitude", [35.0, -50.0])
@pytest.mark.parametrize(("kind", "name"), OFFERED)
def test_a_fit_gives_back_the_value_of_every_term(kind, name, latitude):
    site = make_site(kind, latitude)
    run, _ = simulated_run(site, {"cone": 100.0, "primary_zero": -300.0, name: 40.0}, 80)
    # An alt-az's tube flexure and the cosine of its altitude encoder are one and the same.
    others = [
        each for each in STANDARD[kind] if (kind, name, each) != ("altaz", "secondary_cos", "tube_flexure")
    ]
    model = fit(run, site, [*others, name], reject=False)
    # What differs by side is a rotation in the metal and its first order in the model.
    to_first_order = name.endswith("_by_side")
    assert model.value(name).value == pytest.approx(40.0, abs=0.03 if to_first_order else 1e-4)
    assert model.rms < (0.1 if to_first_order else 1e-6) * u.arcsec


@pytest.mark.parametrize("kind", ["fork", "german", "altaz"])
def test_the_design_of_every_term_is_the_derivative_of_the_prediction(kind):
    site = make_site(kind, 35.0)
    alt, az = spread_places(30)
    side = np.where((np.arange(30) % 2 == 0) | (kind != "german"), 1, -1)
    axes = np.stack(SimulatedMount(kind, 35.0).reading(alt, az, side), axis=1)
    run = Run.from_arrays(site, axes, unit_vectors(alt, az), side=side)
    offered = [name for each, name in OFFERED if each == kind and (each, name) != ("altaz", "secondary_cos")]
    model = fit(run, site, [*STANDARD[kind], *offered], reject=False)
    function, values = model.function, model.values_rad + 10.0 * ARCSEC
    predicted, design = function.predict_with_design(values, axes, Moment())
    for column, step in enumerate(1e-5 * np.eye(len(values))):
        there, back = (function.predict(values + sign * step, axes, Moment()) for sign in (1.0, -1.0))
        slope = (function.residuals(predicted, there) - function.residuals(predicted, back)) / 2e-5
        assert np.abs(slope - design[..., column]).max() < 5e-7, model.names[column]

from __future__ import annotations

import itertools

import numpy as np
import pytest
from astropy.time import Time

from skysample.errors import PluginError
from skysample.geometry import direction
from skysample.ordering.problem import OrderingProblem
from skysample.plugins import default_registry
from skysample.site import Axis, Dome, Mount
from skysample.testing import check_obstruction, check_ordering, check_term
from tests.conftest import make_site

HORIZON = [[0, 12], [90, 25], [210, 41], [300, 15]]
DOME = {"radius_m": 2.6, "slit_width_m": 1.1, "pivot_m": [0.0, 0.1, -0.2]}

KINDS = ("fork", "german", "altaz")


class Sag:
    name = "sag"

    def displacement(self, pointing):
        return np.stack([np.zeros_like(pointing.alt), -np.cos(pointing.alt)], axis=-1)


def a_term(function):
    term = Sag()
    term.displacement = function
    return term


def changed_in_place(pointing):
    pointing.alt[...] = 0.0
    return Sag().displacement(pointing)


CALLS = itertools.count()
RESTLESS = np.random.default_rng(0)


def numbered(pointing):
    return np.arange(pointing.alt.size).reshape(pointing.alt.shape)[..., None]


BAD_TERMS = {
    "instead of": lambda p: Sag().displacement(p).T,
    "not of floats": lambda p: np.zeros((*p.alt.shape, 2), int),
    "not an array": lambda p: Sag().displacement(p).tolist(),
    "not finite": lambda p: np.full((*p.alt.shape, 2), np.nan),
    "changed the pointing": changed_in_place,
    "when called again": lambda p: Sag().displacement(p) * next(CALLS),
    "when the rows changed places": lambda p: Sag().displacement(p) + numbered(p),
    "than in a batch": lambda p: Sag().displacement(p) + p.alt.ndim,
    "raised IndexError": lambda p: Sag().displacement(p) * p.pier[:, None],
    "raised AttributeError": lambda p: Sag().displacement(p) * p.time.jd[:, None],
    "in the primary axis": lambda p: Sag().displacement(p) + 0.1 * (p.hour_angle > 0.2)[..., None],
    "in the secondary axis": lambda p: Sag().displacement(p) + 0.1 * (np.sin(p.secondary) > 0.3)[..., None],
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_plain_term_passes(kind):
    check_term(Sag(), kind, 52.0)


@pytest.mark.parametrize("problem", BAD_TERMS)
def test_a_term_that_does_not_fit_is_told_what_is_wrong(problem):
    with pytest.raises(PluginError, match=problem) as raised:
        check_term(a_term(BAD_TERMS[problem]), "german", -27.0)
    assert raised.value.plugin == "sag"
    assert raised.value.hook == "skysample_terms"
    assert "\n" not in str(raised.value)


def test_a_term_without_a_name_is_refused():
    nameless = Sag()
    nameless.name = ""
    with pytest.raises(PluginError, match="has no name"):
        check_term(nameless, "fork", 40.0)


def test_a_term_may_differ_between_the_sides_of_the_pier():
    check_term(a_term(lambda p: Sag().displacement(p) * p.pier[..., None]), "german", 40.0)


@pytest.mark.parametrize(
    ("kind", "latitude"),
    [*(("fork", each) for each in (-90.0, -27.0, 0.0, 52.0)), *itertools.product(KINDS[1:], (-27.0, 52.0))],
)
def test_every_installed_term_conforms(kind, latitude):
    terms = default_registry().terms(Mount(kind=kind))
    assert terms
    for term in terms.values():
        check_term(term, kind, latitude)


class InTurn:
    name = "in_turn"

    def order(self, problem):
        return problem.numbers


def an_ordering(function):
    ordering = InTurn()
    ordering.order = function
    return ordering


def a_problem(points=12, *, dome=True):
    rng = np.random.default_rng(3)
    axes = np.stack([rng.uniform(-1.5, 1.5, points), rng.uniform(-1.2, 0.5, points)], axis=-1)
    azimuth = rng.uniform(0.0, 2.0 * np.pi, points)
    return OrderingProblem(
        axes=axes,
        turns=axes[:, :1].copy(),
        start_axes=np.zeros(2),
        azimuth=azimuth,
        arcs=tuple(np.array([[(a - 0.1) % (2.0 * np.pi), 0.2]]) for a in azimuth) if dome else (),
        start_dome=1.0,
        mount=Mount(kind="fork", primary=Axis(), secondary=Axis()),
        dome=Dome(radius_m=2.6, slit_width_m=1.1) if dome else None,
        seed=4,
    )


def sorting_in_place(problem):
    problem.azimuth.sort()
    return problem.numbers


BAD_ORDERINGS = {
    "not an array": lambda problem: list(range(problem.points)),
    "not of whole numbers": lambda problem: np.arange(float(problem.points)),
    r"returned the shape \(11,\) instead of \(12,\)": lambda problem: problem.numbers[1:],
    "each of the numbers 0 to 11 once": lambda problem: np.zeros(problem.points, int),
    "another order": lambda problem: RESTLESS.permutation(problem.points),
    "changed the problem": sorting_in_place,
    "raised ZeroDivisionError": lambda problem: problem.numbers // 1 + 1 // 0,
}


def test_a_plain_ordering_passes():
    check_ordering(InTurn(), a_problem())
    check_ordering(InTurn(), a_problem(0))


@pytest.mark.parametrize("problem", BAD_ORDERINGS)
def test_an_ordering_that_does_not_fit_is_told_what_is_wrong(problem):
    with pytest.raises(PluginError, match=problem) as raised:
        check_ordering(an_ordering(BAD_ORDERINGS[problem]), a_problem())
    assert raised.value.hook == "skysample_orderings"


@pytest.mark.parametrize("points", [1, 2, 9])
@pytest.mark.parametrize("dome", [True, False])
def test_every_installed_ordering_conforms(points, dome):
    orderings = default_registry().orderings(make_site("german", sky={"horizon": HORIZON}, dome=DOME))
    assert orderings
    for ordering in orderings.values():
        check_ordering(ordering, a_problem(points, dome=dome))


class LowSky:
    name = "low_sky"

    def blocks(self, directions, _when):
        return directions[:, 2] < 0.5


def an_obstruction(function):
    obstruction = LowSky()
    obstruction.blocks = function
    return obstruction


def flattening(directions, _when):
    directions[:, 2] = 0.0
    return np.ones(len(directions), bool)


BAD_OBSTRUCTIONS = {
    "not an array": lambda directions, _when: [False] * len(directions),
    "instead of": lambda _directions, _when: np.array([False]),
    "not of bool": lambda directions, _when: (directions[:, 2] < 0.5).astype(int),
    "changed the directions": flattening,
    "called again": lambda directions, _when: RESTLESS.random(len(directions)) < 0.5,
    "alone than in the batch": lambda directions, _when: directions[:, 2] < directions[:, 2].sum() / 200.0,
    "raised AttributeError": lambda directions, when: np.full(len(directions), when.jd.min() > 0.0),
    "raised ValueError": lambda directions, _when: directions[:, 2] < directions[:, 2].min() + 0.1,
}


def a_sky():
    rng = np.random.default_rng(8)
    return direction(np.arcsin(rng.uniform(0.0, 1.0, 100)), rng.uniform(0.0, 2.0 * np.pi, 100))


def times():
    return (None, Time(2460000.9, format="jd"), Time(2460000.5, np.linspace(0.0, 1.0, 100), format="jd"))


def test_a_plain_obstruction_passes():
    for when in times():
        check_obstruction(LowSky(), a_sky(), when)
    check_obstruction(LowSky(), a_sky()[:0], None)


@pytest.mark.parametrize("problem", BAD_OBSTRUCTIONS)
def test_an_obstruction_that_does_not_fit_is_told_what_is_wrong(problem):
    with pytest.raises(PluginError, match=problem) as raised:
        check_obstruction(an_obstruction(BAD_OBSTRUCTIONS[problem]), a_sky(), times()[1])
    assert raised.value.hook == "skysample_obstructions"


@pytest.mark.parametrize("when", times(), ids=["no time", "one time", "a time each"])
def test_every_installed_obstruction_conforms(when):
    obstructions = default_registry().obstructions(make_site("german", sky={"horizon": HORIZON}, dome=DOME))
    assert obstructions
    for obstruction in obstructions.values():
        check_obstruction(obstruction, a_sky(), when)

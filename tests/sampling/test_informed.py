"""The informed design: points where the model learns most, held to brute force and to a proven bound."""

from __future__ import annotations

import itertools
import math
import subprocess
import sys
from dataclasses import dataclass
from functools import cache

import healpy as hp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from skysample.errors import InputError, NotDetermined
from skysample.fitting.terms import EXTENDED, STANDARD
from skysample.geometry import direction, separation
from skysample.plugins.hookspecs import hookimpl
from skysample.plugins.registry import build_registry
from skysample.sampling import sample
from skysample.sampling.exchange import Places, exchanged, gains, prediction_variance
from skysample.sampling.grid import ideal_separation_rad
from skysample.sampling.sky_cells import sky_cells
from skysample.site.mount_axes import ideal_axes, mount_frame
from skysample.sky import usable_sky
from skysample.testing import SimulatedMount
from tests.conftest import make_site

LATITUDE_DEG = 35.0
STEPS = [[0, 30], [19.9, 30], [20, 38], [60, 38], [60.1, 30], [199.9, 30], [200, 45], [250, 45], [250.1, 30]]


@cache
def sky_of(kind="fork", nside=32):
    """Altitude 30 to 88 degrees, with two steps in the horizon."""
    limits = {"altitude_min_deg": 30, "altitude_max_deg": 88, "horizon": STEPS}
    return usable_sky(make_site(kind, LATITUDE_DEG, sky=limits), nside=nside)


@cache
def informed(kind, points, terms="standard", apart=0.3):
    return sample(sky_of(kind), points, "informed", terms=[terms], separation=apart)


def motions(kind, directions, side, names):
    """How the tube moves with each term (n, 3, p), by differences of a mount that shares no code with the model."""
    axes = ideal_axes(mount_frame(kind, math.radians(LATITUDE_DEG)), directions, side)

    def moved(name, arcsec):
        mount = SimulatedMount(kind, LATITUDE_DEG, terms_arcsec={name: arcsec})
        return direction(*mount.point(axes[:, 0], axes[:, 1]))

    step = 10.0
    radians = 2.0 * math.radians(step / 3600.0)
    return np.stack([(moved(name, step) - moved(name, -step)) / radians for name in names], axis=-1)


def variance_by_brute_force(sky, directions, side, names):
    """Mean over the sky's pixels, on every side that reaches them, of tr(J C J^T) from the definition."""
    kind = sky.site.mount.kind
    every = (1, -1) if kind == "german" else (1,)
    pixels = np.concatenate([sky.directions[sky.reachable[:, i]] for i in range(len(every))])
    on = np.repeat(every, sky.reachable.sum(axis=0))
    rows = motions(kind, directions, side, names).reshape(-1, len(names))
    covariance = np.linalg.inv(rows.T @ rows)
    return np.mean([np.trace(j @ covariance @ j.T) for j in motions(kind, pixels, on, names)])


@pytest.mark.parametrize(
    ("kind", "terms", "names"),
    [
        ("fork", "standard", STANDARD["fork"]),
        ("german", "extended", EXTENDED["german"]),
        ("altaz", "standard", STANDARD["altaz"]),
    ],
)
def test_the_variance_is_that_of_the_definition_and_of_as_many_even_points_as_it_says(kind, terms, names):
    sky = sky_of(kind)
    grid = informed(kind, 20, terms)
    assert grid.informed.terms == names
    found = variance_by_brute_force(sky, grid.directions, grid.sides, names)
    assert grid.informed.variance == pytest.approx(found, rel=0.01)
    number = grid.informed.even_points
    assert number > 25
    even = [sample(sky, number, seed=100 + seed, effort="quick") for seed in range(3)]
    same = np.mean([variance_by_brute_force(sky, each.directions, each.sides, names) for each in even])
    assert same == pytest.approx(found, rel=0.06)


@pytest.mark.parametrize(("apart", "times"), [(0.0, 1.43), (0.3, 1.38)])
def test_75_points_do_what_takes_a_half_more_even_ones(apart, times):
    # The bounds leave even grids their percent of luck; the benchmark averages it away.
    assert informed("fork", 75, apart=apart).informed.even_points >= times * 75


def test_no_points_at_all_could_do_much_better():
    """Kiefer's bound: 2 tr(C) - max over places of tr(J C C J^T), for C of any spread of as much observing time."""
    sky = sky_of()
    rows = motions("fork", sky.directions, 1, STANDARD["fork"])
    mean = np.einsum("nia,nib->ab", rows, rows) / len(rows)
    rows = rows @ np.linalg.inv(np.linalg.cholesky(mean)).T
    share = np.full(len(rows), 1.0 / len(rows))
    for _ in range(60):
        flat = (np.sqrt(share)[:, None, None] * rows).reshape(-1, rows.shape[2])
        covariance = np.linalg.inv(flat.T @ flat)
        pull = np.sum((rows @ covariance) ** 2, axis=(1, 2))
        bound = 2.0 * np.trace(covariance) - pull.max()
        share *= np.sqrt(pull)
        share /= share.sum()
    assert bound > 5.0
    assert 0.99 * bound < 75 * informed("fork", 75, apart=0.0).informed.variance < 1.03 * bound


def test_an_update_is_what_the_inverse_gives():
    rng = np.random.default_rng(5)
    for terms in (1, 2, 8):
        before = rng.normal(size=(20, terms))
        rows = rng.normal(size=(7, 2, terms))
        information = before.T @ before
        expected = [
            np.trace(np.linalg.inv(information)) - np.trace(np.linalg.inv(information + j.T @ j))
            for j in rows
        ]
        np.testing.assert_allclose(gains(information, rows.transpose(1, 2, 0)), expected, rtol=1e-9)


def places(rng, count, terms):
    vectors = rng.normal(size=(count, 3))
    return Places(
        vectors / np.linalg.norm(vectors, axis=1, keepdims=True),
        np.ones(count, np.int64),
        rng.normal(size=(count, 2, terms)),
    )


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 5), st.integers(3, 9), st.floats(0.0, 0.4))
def test_an_exchange_never_loses_and_leaves_no_better_one(seed, terms, points, apart):
    rng = np.random.default_rng(seed)
    candidates, start = places(rng, 25, terms), places(rng, points, terms)
    cosine = math.cos(apart) if apart else 2.0
    first = points // 3
    found = exchanged(candidates, start, cosine, first=first)
    before, after = prediction_variance(start.rows), prediction_variance(found.rows)
    assert after <= before * (1.0 + 1e-6)
    np.testing.assert_array_equal(found.directions[:first], start.directions[:first])
    for number, new in itertools.product(range(first, points), range(25)):
        others = np.delete(found.directions, number, axis=0)
        if apart and separation(others, candidates.directions[new]).min() < apart:
            continue
        rows = found.rows.copy()
        rows[number] = candidates.rows[new]
        assert prediction_variance(rows) >= after * (1.0 - 2e-3)


def test_few_points_are_near_the_best_of_all_choices():
    rng = np.random.default_rng(2)
    for _ in range(10):
        candidates = places(rng, 9, 4)
        best = min(
            prediction_variance(candidates.rows[list(chosen)])
            for chosen in itertools.combinations_with_replacement(range(9), 4)
        )
        found = [exchanged(candidates, candidates[rng.integers(0, 9, 4)], 2.0) for _ in range(5)]
        assert min(prediction_variance(each.rows) for each in found) == pytest.approx(best, rel=1e-9)


@dataclass(frozen=True)
class MaskSky:
    """A sky of whole pixels, its own for each side of the pier."""

    kind: str
    masks: tuple[tuple[bool, ...], ...]
    nside: int = 8

    @property
    def site(self):
        return make_site(self.kind, LATITUDE_DEG)

    def inside(self, directions, side=None):
        pixels = hp.vec2pix(self.nside, directions[:, 1], directions[:, 0], directions[:, 2])
        masks = np.array(self.masks)
        return masks.any(axis=0)[pixels] if side is None else masks[0 if side == 1 else -1][pixels]

    def usable(self, directions, side=None):
        return self.inside(directions, side)

    @property
    def directions(self):
        colatitude, azimuth = hp.pix2ang(self.nside, np.arange(12 * self.nside**2))
        pixels = direction(np.pi / 2.0 - colatitude, azimuth)
        return pixels[self.inside(pixels)]

    @property
    def reachable(self):
        every = (1, -1) if self.kind == "german" else (1,)
        return np.stack([self.inside(self.directions, side) for side in every], axis=1)


@st.composite
def skies(draw):
    """Caps, with pixels knocked out of them, on one side of the pier or both."""
    kind = draw(st.sampled_from(["fork", "german", "altaz"]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    pixels = np.stack(hp.pix2vec(8, np.arange(768)), axis=1)
    masks = []
    for _ in range(2 if kind == "german" else 1):
        cap = pixels @ pixels[rng.integers(384)] > rng.uniform(-0.5, 0.8)
        masks.append(tuple(cap & (rng.random(768) > rng.uniform(0.0, 0.7)) & (pixels[:, 2] > 0.0)))
    masks[0] = tuple(np.array(masks[0]) | (pixels @ pixels[50] > 0.85))
    return MaskSky(kind, tuple(masks))


@settings(deadline=None, max_examples=6)
@given(skies(), st.integers(5, 20), st.sampled_from([0.0, 0.3, 0.5]), st.sampled_from([0.0, 0.4]))
def test_exactly_n_points_inside_and_apart_whatever_the_sky(sky, points, apart, blend):
    grid = sample(sky, points, "informed", terms=["standard"], separation=apart, blend=blend, effort="quick")
    assert grid.directions.shape == (points, 3)
    for side in (1, -1):
        assert sky.usable(grid.directions[grid.sides == side], side).all()
    found = sky_cells(sky, points)
    limit = apart * ideal_separation_rad(found.reachable.sum() * found.cell_sr, points)
    stays = round(blend * points)
    for number in range(stays, points):
        others = (grid.sides == grid.sides[number]) & (np.arange(points) != number)
        between = separation(grid.directions[others], grid.directions[number])
        assert (between >= limit * (1.0 - 1e-9)).all()
    assert not grid.directions.flags.writeable


def test_both_sides_of_the_pier_are_used_and_reached():
    sky, grid = sky_of("german"), informed("german", 20, "extended")
    assert {int(side) for side in grid.sides} == {1, -1}
    for side in (1, -1):
        assert sky.usable(grid.directions[grid.sides == side], side).all()
    assert set(grid.table["pier"]) == {"east", "west"}


def test_without_separation_places_repeat_and_with_it_they_keep_apart():
    alone, apart = informed("fork", 75, apart=0.0), informed("fork", 75)
    assert len(np.unique(alone.directions, axis=0)) < 75
    assert alone.min_separation_rad == 0.0
    assert alone.mesh_ratio == math.inf
    between = separation(apart.directions[:, None], apart.directions) + np.eye(75)
    assert between.min() >= 0.3 * ideal_separation_rad(apart.area_sr, 75) * (1.0 - 1e-9)
    assert alone.informed.variance < apart.informed.variance < 1.05 * alone.informed.variance


def test_a_blend_keeps_an_even_grid_among_its_points():
    whole = sample(sky_of(), 20, seed=3, effort="quick")
    part = sample(sky_of(), 10, seed=3, effort="quick")

    none, half, all_even = (
        sample(sky_of(), 20, "informed", terms=["standard"], blend=share, seed=3, effort="quick")
        for share in (0.0, 0.5, 1.0)
    )
    np.testing.assert_array_equal(all_even.directions, whole.directions)
    np.testing.assert_array_equal(half.directions[:10], part.directions)
    assert none.informed.variance < half.informed.variance < all_even.informed.variance
    assert none.covering_radius_rad > half.covering_radius_rad > all_even.covering_radius_rad
    assert half.covering_radius_rad <= 1.02 * part.covering_radius_rad


def test_the_seed_decides():
    once, again, other = (sample(sky_of(), 5, "informed", terms=["cone"], seed=seed) for seed in (3, 3, 4))
    np.testing.assert_array_equal(once.directions, again.directions)
    assert not np.array_equal(once.directions, other.directions)


def test_as_few_points_as_the_terms_allow_determine_them():
    grid = sample(sky_of(), 4, "informed", terms=["standard"])
    found = variance_by_brute_force(sky_of(), grid.directions, grid.sides, STANDARD["fork"])
    assert grid.informed.variance == pytest.approx(found, rel=0.01)
    with pytest.raises(InputError, match="points is 3; the 8 terms need 4 or more"):
        sample(sky_of(), 3, "informed", terms=["standard"])


def test_terms_that_move_the_tube_alike_are_named():
    with pytest.raises(NotDetermined, match="leave one of them out") as caught:
        sample(sky_of("altaz"), 20, "informed", terms=["standard", "secondary_cos"])
    assert set(caught.value.pair) == {"tube_flexure", "secondary_cos"}
    assert caught.value.condition > 1e8


def test_a_term_that_moves_nothing_is_named():
    class Idle:
        name = "idle"

        def displacement(self, pointing):
            return np.zeros((len(pointing.alt), 2))

    registry = build_registry([("idle", terms_plugin(Idle()))], installed=False)
    with pytest.raises(NotDetermined, match="determine idle"):
        sample(sky_of(), 20, "informed", terms=["idle"], registry=registry)


def terms_plugin(term):
    class Plugin:
        @hookimpl
        def skysample_terms(self):
            return [term]

    return Plugin()


def test_a_plugins_term_draws_points_to_where_it_is_large():
    class Low:
        """Large in a strip above the lowest altitude, and nothing elsewhere."""

        name = "low"

        def displacement(self, pointing):
            return np.stack(
                [np.where(np.degrees(pointing.alt) < 35.0, 1.0, 0.0), np.zeros_like(pointing.alt)], 1
            )

    registry = build_registry([("low", terms_plugin(Low()))], installed=False)
    grid = sample(sky_of(), 10, "informed", terms=["low"], registry=registry)
    assert (grid.alt.value < 35.0).all()


def test_the_summary_says_what_the_design_buys():
    grid = informed("fork", 75)
    text = grid.summary()
    assert f"as with {grid.informed.even_points} even points" in text
    assert f"{math.sqrt(grid.informed.variance):.2f} times the noise per axis, for 8 terms" in text
    assert "even points" not in sample(sky_of(), 5, effort="quick").summary()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"terms": None}, "needs terms"),
        ({"terms": []}, "needs terms"),
        ({"terms": "standard"}, "as a list of names"),
        ({"terms": ["warp"]}, "unknown term 'warp'"),
        ({"separation": 0.6}, "separation is 0.6; give a number from 0 to 0.5"),
        ({"separation": math.nan}, "separation is nan"),
        ({"blend": 1.5}, "blend is 1.5; give a number from 0 to 1"),
        ({"blend": True}, "blend is True"),
        ({"design": "even"}, "terms .* is for the design"),
        ({"design": "even", "terms": None, "blend": 0.5}, "blend 0.5 is for the design"),
        ({"design": "even", "terms": None, "separation": 0.0}, "separation 0.0 is for the design"),
    ],
)
def test_bad_arguments_are_named(arguments, message):
    with pytest.raises(InputError, match=message):
        sample(sky_of(), 10, **{"design": "informed", "terms": ["standard"], **arguments})


class KeyholeSky(MaskSky):
    """A sky of which, asked exactly, only 2 degrees around one direction are usable."""

    def usable(self, directions, side=None):
        return self.inside(directions, side) & (directions @ [0.0, 0.6, 0.8] > math.cos(math.radians(2.0)))


def test_no_room_is_said():
    cap = np.stack(hp.pix2vec(8, np.arange(768)), axis=1) @ [0.6, 0.0, 0.8] > 0.8
    with pytest.raises(InputError, match="20 points have no room so far apart; ask for a smaller separation"):
        sample(KeyholeSky("fork", (tuple(cap),)), 20, "informed", terms=["cone"], effort="quick")


def test_sampling_knows_no_model_until_one_is_asked_for():
    code = "import sys, skysample.sampling; sys.exit(any(m.startswith('skysample.fitting') for m in sys.modules))"
    found = subprocess.run([sys.executable, "-c", code], check=False)  # noqa: S603 - our own interpreter
    assert found.returncode == 0

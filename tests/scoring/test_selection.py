"""Choosing terms: what is promised about noise, what is found, what is never told apart, and what is said of it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from astropy import units as u
from scipy import stats

import skysample as ss
from skysample.errors import InputError
from skysample.fitting import fit
from skysample.fitting.multiple_tests import SELECTION_TESTED_AT
from skysample.fitting.terms import STANDARD
from skysample.geometry import ARCSEC
from skysample.plugins import build_registry
from skysample.plugins.contracts import ROTATIONS
from skysample.plugins.hookspecs import hookimpl
from skysample.runs import Run
from skysample.scoring import score, term_evidence
from skysample.scoring.selection import POWER, select_terms
from skysample.scoring.selection.largest_t import Family
from tests.conftest import make_site
from tests.simulated_nights import errors, simulated_run

KINDS = ("fork", "german", "altaz")


def a_run(kind="fork", n=60, seed=1, noise_arcsec=1.5, latitude=35.0, **more):
    site = make_site(kind, latitude)
    truth = errors(kind, 600.0, -900.0) | more
    run, _ = simulated_run(site, truth, n, noise_arcsec=noise_arcsec, rng=np.random.default_rng(seed))
    return run, site


# The family of candidates


def unit_columns(rows, columns, seed, alike=0.0):
    rng = np.random.default_rng(seed)
    made = rng.standard_normal((rows, columns)) + alike * rng.standard_normal((rows, 1))
    return made / np.linalg.norm(made, axis=0)


def test_one_candidate_alone_is_held_to_students_t():
    family = Family(unit_columns(40, 1, 0), 40, 0)
    assert family.threshold == pytest.approx(stats.t.ppf(1.0 - SELECTION_TESTED_AT / 2.0, 39), rel=0.02)
    assert family.adjusted_p(2.0) == pytest.approx(2.0 * stats.t.sf(2.0, 39), rel=0.06)


def test_candidates_at_right_angles_are_held_to_nearly_sidaks_bound():
    family = Family(np.eye(60)[:, :12], 60, 0)
    each = 1.0 - (1.0 - SELECTION_TESTED_AT) ** (1.0 / 12.0)
    assert family.threshold == pytest.approx(stats.t.ppf(1.0 - each / 2.0, 59), rel=0.02)


def test_candidates_that_are_alike_share_one_test():
    many = Family(unit_columns(40, 12, 0, alike=300.0), 40, 0)
    assert many.threshold == pytest.approx(Family(unit_columns(40, 1, 0), 40, 0).threshold, rel=0.02)


@pytest.mark.parametrize("dof", [13, 40])
def test_noise_passes_the_threshold_as_often_as_it_says_also_with_few_points(dof):
    family = Family(unit_columns(dof, 10, 3, alike=1.0), dof, 0)
    rng = np.random.default_rng(8)
    passed = sum(np.abs(family.t(rng.standard_normal(dof))).max() > family.threshold for _ in range(4000))
    assert passed / 4000 == pytest.approx(SELECTION_TESTED_AT, abs=4.0 * np.sqrt(SELECTION_TESTED_AT / 4000))


@pytest.mark.parametrize("alike", [0.0, 2.0])
def test_a_term_of_the_detectable_size_is_the_largest_and_passes_as_often_as_it_says(alike):
    dof = 30
    family = Family(unit_columns(dof, 6, 3, alike), dof, 0)
    length = family.detectable(2)
    rng = np.random.default_rng(9)
    found = 0
    for _ in range(3000):
        stated = length * np.sqrt(rng.chisquare(dof) / dof)
        t = np.abs(family.t(rng.standard_normal(dof) + stated * family.directions[:, 2]))
        found += t.max() > family.threshold and t.argmax() == 2
    assert found / 3000 == pytest.approx(POWER, abs=0.04)


@pytest.mark.parametrize("weighed", [False, True])
def test_the_t_of_a_candidate_is_that_of_the_fit_with_it(weighed):
    run, site = a_run(primary_sin=4.0)
    if weighed:
        sigma = np.where(np.arange(run.points) % 3 == 0, 5.0, 1.5)
        run = Run.from_arrays(site, run.axes, run.directions, sigma_arcsec=sigma)
    selection = select_terms(run, site, list(STANDARD["fork"]))
    for each in selection.candidates:
        if each.verdict != "not found":
            continue
        with_it = fit(run, site, [*selection.model.names, each.name], reject=False)
        row = with_it.terms[with_it.names.index(each.name)]
        assert each.t == pytest.approx(row["t"], abs=2e-3)
        assert each.loo_rms_with_rad == pytest.approx(score(with_it, run).loo_rms.to_value(u.rad), rel=1e-4)
        correlation = with_it.covariance_rad2 / np.outer(with_it.stderr_rad, with_it.stderr_rad)
        pair = correlation[with_it.names.index(each.name), with_it.names.index(each.correlates_with)]
        assert each.correlation == pytest.approx(pair, abs=1e-3)


# What is promised


@pytest.mark.parametrize("kind", KINDS)
def test_pure_geometry_and_noise_hardly_ever_admit_a_term(kind):
    admitted = sum(bool(select_terms(*a_run(kind, 30, seed)).added) for seed in range(30))
    # A share of 5 % of 30 nights exceeds 5 once in 300 times.
    assert admitted <= 5


@pytest.mark.parametrize(
    ("kind", "name"), [("fork", "fork_twist"), ("german", "cone_by_side"), ("altaz", "azimuth_nod_sin")]
)
def test_a_term_of_the_size_that_the_tool_states_is_found_in_80_percent_of_nights(kind, name):
    size = select_terms(*a_run(kind, 50, 999)).detectable(name).value
    found = sum(name in select_terms(*a_run(kind, 50, seed, **{name: size})).added for seed in range(20))
    # A share of 80 % of 20 nights falls below 11 once in 400 times.
    assert found >= 11
    half = sum(name in select_terms(*a_run(kind, 50, seed, **{name: 0.5 * size})).added for seed in range(20))
    # Of half the size about one in five is found: more than 11 of 20 would be once in 10,000 times.
    assert half <= 11


@pytest.mark.parametrize("kind", KINDS)
def test_several_large_terms_are_all_found_and_no_other(kind):
    more = {"primary_sin": 30.0, "primary_cos": -25.0, "secondary_sin": 60.0}
    run, site = a_run(kind, 100, noise_arcsec=0.5, **more)
    selection = select_terms(run, site)
    assert set(selection.added) == set(more)
    assert selection.model.selected == selection.added
    for name, value in more.items():
        model = selection.model
        off = abs(model.value(name).value - value) * ARCSEC
        assert off < 4.0 * model.stderr_rad[model.names.index(name)]


def test_a_term_taken_for_a_mixture_of_others_gives_way_once_they_are_there():
    # Greedy steps alone end with sideways flexure in the place of the primary encoder here.
    more = {"primary_sin": 33.0, "primary_cos": 6.5, "secondary_sin": -25.0, "secondary_cos": -19.0}
    added = select_terms(*a_run("fork", 100, 5, noise_arcsec=0.5, latitude=45.0, **more)).added
    assert set(added) == set(more)


def test_false_solutions_neither_hide_nor_feign_a_term():
    site = make_site("fork", 35.0)
    truth = errors("fork", 600.0, -900.0) | {"fork_twist": 40.0}
    run, bad = simulated_run(site, truth, 60, noise_arcsec=1.5, rng=np.random.default_rng(4), false=5)
    selection = select_terms(run, site)
    assert selection.added == ("fork_twist",)
    assert {each.row for each in selection.model.rejected} == set(np.flatnonzero(bad) + 1)


def test_the_same_seed_gives_the_same_answer():
    run, site = a_run(primary_sin=6.0)
    one, two = select_terms(run, site, seed=3), select_terms(run, site, seed=3)
    # A nan is no equal of itself, but it is written alike.
    assert repr(one.candidates) == repr(two.candidates)
    assert repr(one.evidence) == repr(two.evidence)


# What stays, and what is never told apart


def test_the_terms_it_starts_from_all_stay():
    run, site = a_run(seed=2, tube_flexure=0.0, fork_flexure=0.0)
    selection = select_terms(run, site)
    assert selection.started_from == STANDARD["fork"]
    assert set(STANDARD["fork"]) <= set(selection.model.names)
    verdict = {each.name: each.verdict for each in selection.evidence}
    assert verdict["fork_flexure"] == "not needed"
    assert {verdict[name] for name in ROTATIONS["fork"]} == {"kept"}


def test_it_starts_from_the_terms_that_are_named():
    run, site = a_run("german", 60, primary_sin=30.0)
    few = select_terms(run, site, list(ROTATIONS["german"]))
    assert few.started_from == ROTATIONS["german"]
    assert set(few.added) == {"tube_flexure", "primary_sin"}
    assert select_terms(run, site, ["standard", "primary_sin"]).added == ()


def test_an_altaz_never_gets_the_cosine_of_its_altitude_encoder_beside_tube_flexure():
    selection = select_terms(*a_run("altaz", 100, noise_arcsec=0.1, secondary_cos=30.0))
    candidate = next(each for each in selection.candidates if each.name == "secondary_cos")
    assert candidate.verdict == "not separable"
    assert candidate.correlates_with == "tube_flexure"
    assert "tube_flexure" in candidate.reason


def test_with_one_side_of_the_pier_nothing_that_depends_on_the_side_is_tested():
    run, site = a_run("german", 60)
    one_side = run.subset(np.cos(run.axes[:, 1]) > 0.0)
    verdict = {each.name: each.verdict for each in select_terms(one_side, site).candidates}
    by_side = {name for name in verdict if name.endswith("_by_side")}
    assert len(by_side) == 4
    assert {verdict[name] for name in by_side} == {"not separable"}


def test_two_candidates_that_do_equally_well_are_both_named():
    run, site = a_run("fork", 30, 2, latitude=-20.0, primary_cos=12.0)
    selection = select_terms(run, site)
    added = next(each for each in selection.evidence if each.verdict == "added")
    assert "would fit as well in its place" in added.reason
    named = {added.name, *re.findall(r"[a-z]+(?:_[a-z]+)+", added.reason)}
    assert "primary_cos" in named


def test_a_forks_primary_encoder_and_its_tubes_sideways_sag_look_much_alike():
    beside = select_terms(*a_run("fork", 100)).selected.beside
    pair = beside.directions(np.isin(beside.candidates, ["primary_sin", "sideways_flexure"]))
    assert abs(pair[:, 0] @ pair[:, 1]) == pytest.approx(0.97, abs=0.01)


def test_few_points_test_nothing_and_say_so():
    run, site = a_run("german", 15)
    few = run.subset(np.isin(np.arange(15), [0, 3, 6, 11]))
    selection = select_terms(few, site)
    assert selection.added == ()
    assert selection.testable == ()
    assert {each.verdict for each in selection.candidates} <= {"not tested", "not separable"}
    with pytest.raises(InputError, match="was not tested"):
        selection.detectable("primary_sin")


def test_a_plugins_term_is_a_candidate_and_an_idle_one_is_named():
    class ByTemperature:
        name = "tube_flexure_by_temperature"

        def displacement(self, pointing):
            warmth = np.zeros_like(pointing.alt) if pointing.temperature_c is None else pointing.temperature_c
            return np.stack([np.zeros_like(warmth), warmth * np.cos(pointing.alt)], axis=-1)

    class Bump:
        name = "bump"

        def displacement(self, pointing):
            return np.stack([np.sin(5.0 * pointing.hour_angle), np.zeros_like(pointing.alt)], axis=-1)

    class Plugin:
        @hookimpl
        def skysample_terms(self):
            return [Bump(), ByTemperature()]

    run, site = a_run("fork", 60)
    registry = build_registry([("own", Plugin())], installed=False)
    west = 20.0 * ARCSEC * np.sin(5.0 * run.axes[:, :1])
    bumped = Run.from_arrays(site, run.axes + np.concatenate([west, 0.0 * west], axis=1), run.directions)
    selection = select_terms(bumped, site, registry=registry)
    assert "bump" in selection.added
    verdict = {each.name: each.verdict for each in selection.candidates}
    assert verdict["tube_flexure_by_temperature"] == "idle"


# What is said


def test_where_something_was_added_intervals_are_as_wide_as_if_every_candidate_were_carried():
    run, site = a_run(fork_twist=12.0)
    selection = select_terms(run, site)
    assert selection.added == ("fork_twist",)
    model, widest = selection.model, selection.selected.widest
    wide = ss.fit(run, site, list(widest.present))
    assert {*wide.names} >= {*model.names}
    for name in {*selection.testable} - {*wide.names}:
        assert not widest.separable[widest.candidates.index(name)]
    for name, limit, error in zip(model.names, selection.limits, model.stderr_rad, strict=True):
        there = wide.names.index(name)
        half = wide.t_limit * wide.stderr_rad[there]
        if name in selection.added:
            half += abs(wide.value(name) - model.value(name)).to_value(u.rad)
            assert limit >= selection.selected.added[0].threshold
        assert limit * error >= 0.99 * half
        assert limit * error == pytest.approx(half, rel=0.01) or limit == pytest.approx(model.t_limit)


def test_where_nothing_was_added_intervals_stay_as_they_were():
    selection = select_terms(*a_run())
    assert selection.added == ()
    assert set(selection.limits) == {selection.model.t_limit}
    assert "nothing was added" in selection.note


def test_the_answer_says_that_intervals_follow_a_selection():
    selection = select_terms(*a_run(fork_twist=12.0))
    for each, limit, error in zip(
        selection.evidence, selection.limits, selection.model.stderr_rad, strict=True
    ):
        assert each.ci95_rad == pytest.approx(limit * error)
    assert "allow for the selection" in selection.note
    assert selection.terms.colnames[:2] == ["name", "value"]
    assert selection.tried["detectable"].unit == u.arcsec
    assert str(selection) == "11 candidate terms, 11 testable with these points: added fork_twist"


def test_a_saved_model_remembers_what_was_selected(tmp_path):
    model = select_terms(*a_run(fork_twist=12.0)).model
    model.save(tmp_path / "model.json")
    assert ss.load_model(tmp_path / "model.json").selected == ("fork_twist",)
    replace(model, selected=("cone_by_side",)).save(tmp_path / "wrong.json")
    with pytest.raises(InputError, match="selected term that it does not have"):
        ss.load_model(tmp_path / "wrong.json")


@pytest.mark.parametrize("kind", KINDS)
def test_the_evidence_of_a_term_is_that_of_the_fit_without_it(kind):
    run, site = a_run(kind, 25)
    model = fit(run, site, reject=False)
    for each in term_evidence(model, run):
        if each.name in ("primary_zero", "secondary_zero"):
            continue
        without = fit(run, site, [name for name in model.names if name != each.name], reject=False)
        alone = score(without, run).loo_rms.to_value(u.rad)
        assert each.loo_rms_without_rad == pytest.approx(alone, rel=2e-3)
        error = model.stderr_rad[model.names.index(each.name)]
        partner = model.names.index(each.correlates_with)
        covariance = model.covariance_rad2[model.names.index(each.name), partner]
        assert each.correlation == pytest.approx(covariance / error / model.stderr_rad[partner])
        assert each.verdict == model.terms["verdict"][model.names.index(each.name)]
        assert each.reason

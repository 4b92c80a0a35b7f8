from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from astropy import units as u

from skysample.errors import InputError, NoSolution
from skysample.fitting import fit
from skysample.planning import plan
from skysample.plugins import build_registry
from skysample.sampling import sample
from skysample.scoring import sky_error
from skysample.scoring.sky_error import sky_design
from skysample.site import load_site
from skysample.site.mount_axes import ideal_axes, mount_frame
from skysample.sizing import learning_curve, points_needed
from skysample.sizing.confidence import chance_of_meeting, error_upper, noise_upper, variance_draws
from skysample.sizing.final_model import mean_variance, over_the_sky
from skysample.sizing.needed import Grids
from skysample.sky import usable_sky
from tests.conftest import make_site
from tests.job_folder import SITE
from tests.simulated_nights import errors, simulated_run


@pytest.fixture(scope="module")
def pilot():
    registry = build_registry(installed=False)
    site = make_site("fork", 35.0)
    run, _ = simulated_run(site, errors("fork"), 15, noise_arcsec=1.5)
    return site, fit(run, site, registry=registry), usable_sky(site, registry=registry, nside=32), registry


@pytest.fixture(scope="module")
def need(pilot):
    """What the standard terms need where nothing fails."""
    site, model, sky, registry = pilot
    return points_needed(site, model, terms=["standard"], failed_share=0.0, sky=sky, registry=registry)


def test_sky_error_is_the_scatter_of_the_predictions_of_many_fits(pilot):
    site, _, sky, registry = pilot
    rng = np.random.default_rng(3)
    truth = errors("fork")
    places = rng.choice(len(sky.directions), 60, replace=False)
    axes = ideal_axes(mount_frame("fork", np.radians(35.0)), sky.directions[places])
    clean, _ = simulated_run(site, truth, 20)
    exact = fit(clean, site, registry=registry).predict(axes)
    squares, stated = [], []
    for night in range(60):
        run, _ = simulated_run(site, truth, 20, noise_arcsec=1.5, rng=rng)
        model = fit(run, site, reject=False, registry=registry)
        squares.append(np.sum((model.predict(axes) - exact) ** 2, axis=1))
        if night % 4 == 0:
            stated.append(np.mean(sky_error(model, sky).error_rad ** 2) / model.sigma.value**2)
    assert np.sqrt(np.mean(squares) / np.mean(stated)) == pytest.approx(1.5, rel=0.12)


def test_the_recommended_number_meets_the_target_and_one_less_does_not(pilot, need):
    _, model, sky, _ = pilot
    design = sky_design(model, sky)[1]

    def share(points):
        grid = sample(sky, points, effort="quick")
        rows = model.design(ideal_axes(mount_frame("fork", np.radians(35.0)), grid.directions))
        covariance = np.linalg.inv(np.einsum("nip,niq->pq", rows, rows))
        return np.sqrt(np.mean(np.einsum("nip,pq,niq->n", design, covariance, design)))

    assert share(need.recommended) <= 0.5
    assert share(need.recommended - 1) > 0.5


def test_the_tables_share_of_the_sky_and_smallest_term_are_those_of_the_grids_own_covariance(pilot, need):
    _, model, sky, _ = pilot
    points = need.recommended
    (row,) = (each for each in need.table if each["points"] == points)
    grid = sample(sky, points, effort="quick")
    rows = model.design(ideal_axes(mount_frame("fork", np.radians(35.0)), grid.directions))
    sigma = model.sigma.value
    covariance = sigma**2 * np.linalg.inv(np.einsum("nip,niq->pq", rows, rows))
    design = sky_design(model, sky)[1]
    error = np.sqrt(np.einsum("nip,pq,niq->n", design, covariance, design))
    assert np.mean(error <= row["sky_p95"].value) == pytest.approx(0.95, abs=0.01)
    # Found by Student's t at a family-wise 5 % over all terms (Bonferroni), with power 0.8.
    dof, terms = 2 * points - len(need.terms), len(need.terms)
    factor = scipy.stats.t.ppf(1.0 - 0.025 / terms, dof) + scipy.stats.t.ppf(0.8, dof)
    flexures = [need.terms.index(name) for name in ("tube_flexure", "fork_flexure")]
    worst = np.sqrt(np.diag(covariance)[flexures].max())
    assert row["detectable"].value == pytest.approx(factor * worst, rel=0.02)


def test_a_rough_pilot_asks_for_more_points_by_what_chi_square_demands(pilot):
    site, model, sky, registry = pilot
    need = points_needed(site, model, 1.0 * u.arcsec, terms=["standard"], sky=sky, registry=registry)
    assert need.recommended > need.smallest
    # Points go with the square of the noise.
    excess = float(need.sigma_upper / need.sigma) ** 2
    assert need.recommended / need.smallest == pytest.approx(excess, rel=0.15)


def test_the_table_falls_with_the_points_and_holds_the_recommended_one(pilot):
    site, model, sky, registry = pilot
    need = points_needed(site, model, sky=sky, registry=registry)
    table = need.table
    assert need.recommended in table["points"]
    for name in ("sky_rms", "sky_rms_upper"):
        assert np.all(np.diff(table[name].value) < 0.0)
    assert np.all(np.diff(table["minutes"].value) > 0.0)
    assert str(need).startswith(f"Take {need.recommended} points: model error ")


def test_a_target_out_of_reach_is_said_with_what_was_found(pilot):
    site, model, sky, registry = pilot
    with pytest.raises(NoSolution, match="more than 40 points") as caught:
        points_needed(site, model, 0.05 * u.arcsec, max_points=40, sky=sky, registry=registry)
    assert 40 in caught.value.partial["points"]


@pytest.mark.parametrize("target", [0.0 * u.arcsec, -1.0 * u.arcsec, 1.0 * u.s, np.nan * u.arcsec])
def test_a_target_that_is_no_angle_above_zero_is_refused(pilot, target):
    site, model, sky, registry = pilot
    with pytest.raises(InputError, match="target"):
        points_needed(site, model, target, sky=sky, registry=registry)


def test_failures_are_counted_as_if_each_set_of_points_were_fitted_for_itself(pilot):
    site, model, sky, registry = pilot
    final = over_the_sky(site, model, sky, registry)
    grid = sample(sky, 20, effort="quick")
    rows = final.rows(grid.directions, grid.sides)
    found = variance_draws(rows, 0.2, seed=4)
    came = np.random.default_rng(4).random((len(found), 20)) >= 0.2
    design = sky_design(model, sky)[1]
    plain = model.design(ideal_axes(mount_frame("fork", np.radians(35.0)), grid.directions))
    for draw in range(0, len(found), 40):
        kept = plain[came[draw]]
        covariance = np.linalg.inv(np.einsum("nip,niq->pq", kept, kept))
        expected = np.mean(np.einsum("nip,pq,niq->n", design, covariance, design))
        assert found[draw] == pytest.approx(expected, rel=1e-6)


def test_points_that_do_not_determine_every_term_have_no_finite_error(pilot):
    site, model, sky, registry = pilot
    final = over_the_sky(site, model, sky, registry)
    rows = final.rows(sky.directions[:3], np.ones(3, int))
    assert mean_variance(np.einsum("nip,niq->pq", rows, rows)) == np.inf


def test_the_upper_error_is_met_with_the_confidence_that_it_has():
    variances = np.random.default_rng(1).uniform(0.2, 0.4, 500)
    assert chance_of_meeting(variances, error_upper(variances, 22), 22) == pytest.approx(0.9, abs=1e-6)
    assert chance_of_meeting(variances, error_upper(variances, None), None) >= 0.9
    assert error_upper(np.array([0.25]), 22) == pytest.approx(0.5 * noise_upper(22), rel=1e-6)


def test_more_failures_ask_for_more_points_than_their_share(pilot, need):
    site, model, sky, registry = pilot
    more = points_needed(site, model, terms=["standard"], failed_share=0.2, sky=sky, registry=registry)
    assert more.recommended > need.recommended / 0.8


def test_the_minutes_are_those_that_a_plan_takes_dome_and_all(pilot, tmp_path):
    _, model, _, registry = pilot
    (tmp_path / "site.toml").write_text(SITE)
    site = load_site(tmp_path / "site.toml")
    sky = usable_sky(site, registry=registry, nside=32)
    grids = Grids(over_the_sky(site, model, sky, registry), 0)
    for points in (20, 45):
        found = plan(site, points, sky=sky, registry=registry)
        assert found.schedule.dome_moves > 0
        assert grids.minutes("even", points) == pytest.approx(found.total_s / 60.0, rel=0.02)


def test_the_informed_design_needs_fewer_points_and_no_more_than_its_own_grid_does(pilot, need):
    _, _, sky, _ = pilot
    assert need.informed.recommended < 0.8 * need.recommended
    assert np.all(need.informed.table["sky_rms"] < need.table["sky_rms"])
    grid = sample(sky, need.informed.recommended, "informed", terms=["standard"], effort="quick")
    assert np.sqrt(grid.informed.variance) <= 0.5 * 1.01


@pytest.fixture(scope="module")
def final_run(pilot):
    site, _, sky, registry = pilot
    run, _ = simulated_run(site, errors("fork"), 60, noise_arcsec=1.5, rng=np.random.default_rng(8))
    return run, fit(run, site, registry=registry), sky


def test_the_learning_curve_misses_what_is_left_out_by_what_it_says(pilot, final_run):
    site, _, _, registry = pilot
    run, model, sky = final_run
    curve = learning_curve(model, run, site, sky=sky, registry=registry)
    assert curve.missed_over_expected == pytest.approx(1.0, abs=0.05)
    assert np.all(np.diff(curve.table["sky_rms"].value) < 0.0)
    assert curve.table["sky_rms"][-1].value == pytest.approx(sky_error(model, sky).rms.value, rel=1e-6)


def test_parts_of_the_would_have_done_size_meet_the_target_when_really_refitted(pilot, final_run):
    site, _, _, registry = pilot
    run, model, sky = final_run
    curve = learning_curve(model, run, site, sky=sky, registry=registry)
    rng = np.random.default_rng(2)

    def met(size):
        shares = []
        for _ in range(20):
            part = np.isin(np.arange(60), rng.permutation(60)[:size])
            refit = fit(run.subset(part), site, reject=False, registry=registry)
            shares.append(float(sky_error(refit, sky).rms / refit.sigma) <= 0.5)
        return np.mean(shares)

    assert met(curve.would_have_done) >= 0.7
    assert met(curve.would_have_done - 6) <= 0.7
    assert str(curve.would_have_done) in str(curve)


def test_a_learning_curve_of_another_run_is_refused(pilot, final_run):
    site, model, sky, registry = pilot
    with pytest.raises(InputError, match="not the one the model was fitted to"):
        learning_curve(model, final_run[0], site, sky=sky, registry=registry)

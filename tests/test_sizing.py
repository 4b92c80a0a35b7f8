from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u

from skysample.errors import InputError, NoSolution
from skysample.fitting import fit
from skysample.mount_axes import ideal_axes, mount_frame
from skysample.plugins import build_registry
from skysample.sampling import sample
from skysample.scoring import sky_error
from skysample.scoring.sky_error import sky_design
from skysample.sizing import points_needed
from skysample.sky import usable_sky
from tests.conftest import make_site
from tests.simulated_nights import errors, simulated_run


@pytest.fixture(scope="module")
def pilot():
    registry = build_registry(installed=False)
    site = make_site("fork", 35.0)
    run, _ = simulated_run(site, errors("fork"), 15, noise_arcsec=1.5)
    return site, fit(run, site, registry=registry), usable_sky(site, registry=registry, nside=32), registry


def test_sky_error_is_the_scatter_of_the_predictions_of_many_fits(pilot):
    site, _, sky, registry = pilot
    rng = np.random.default_rng(3)
    truth = errors("fork")
    places = rng.choice(len(sky.directions), 60, replace=False)
    axes = ideal_axes(mount_frame("fork", np.radians(35.0)), sky.directions[places])
    clean, _ = simulated_run(site, truth, 20)
    exact = fit(clean, site, registry=registry).predict(axes)
    squares, stated = [], []
    for _ in range(60):
        run, _ = simulated_run(site, truth, 20, noise_arcsec=1.5, rng=rng)
        model = fit(run, site, reject=False, registry=registry)
        squares.append(np.sum((model.predict(axes) - exact) ** 2, axis=1))
        stated.append(np.mean(sky_error(model, sky).error_rad ** 2))
    assert np.sqrt(np.mean(squares) / np.mean(stated)) == pytest.approx(1.0, abs=0.12)


def test_the_recommended_number_meets_the_target_and_one_less_does_not(pilot):
    site, model, sky, registry = pilot
    need = points_needed(site, model, terms=["standard"], sky=sky, registry=registry)
    design = sky_design(model, sky)[1]

    def share(points):
        grid = sample(sky, points, effort="quick")
        rows = model.design(ideal_axes(mount_frame("fork", np.radians(35.0)), grid.directions))
        covariance = np.linalg.inv(np.einsum("nip,niq->pq", rows, rows)) / 0.95
        return np.sqrt(np.mean(np.einsum("nip,pq,niq->n", design, covariance, design)))

    assert share(need.recommended) <= 0.5
    assert share(need.recommended - 1) > 0.5


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
    for name in ("sky_rms", "sky_p95", "detectable"):
        assert np.all(np.diff(table[name].value) < 0.0)
    assert np.all(np.diff(table["minutes"].value) > 0.0)
    assert str(need).startswith(f"{need.recommended} points:")


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

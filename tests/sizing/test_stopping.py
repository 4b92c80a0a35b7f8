from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u
from scipy.special import chdtri

from skysample.errors import InputError
from skysample.fitting import fit
from skysample.geometry import alt_az
from skysample.ordering import schedule
from skysample.ordering.grid_problem import ordering_problem
from skysample.planning.plan_table import Plan
from skysample.plugins import build_registry
from skysample.runs import Run
from skysample.sampling import sample
from skysample.scoring import sky_error
from skysample.sizing.confidence import noise_limits
from skysample.sizing.stopping import progress
from skysample.sky import usable_sky
from skysample.testing import SimulatedMount
from tests.conftest import make_site
from tests.simulated_nights import errors, scatter, unit_vectors

TERMS = ["standard"]


@pytest.fixture(scope="module")
def night():
    """A plan of 60 points and the run of all of them, in the order of the plan."""
    registry = build_registry(installed=False)
    site = make_site("fork", 35.0)
    sky = usable_sky(site, registry=registry, nside=32)
    grid = sample(sky, 60, effort="quick")
    order = np.random.default_rng(6).permutation(60)
    plan = Plan(site, grid, order, "random", schedule(ordering_problem(site, grid), order), None)
    mount = SimulatedMount("fork", 35.0, terms_arcsec=errors("fork", 300.0, 200.0))
    places = grid.directions[order]
    axes = np.stack(mount.reading(*alt_az(places), np.ones(60, int)), axis=1)
    seen = scatter(unit_vectors(*mount.point(axes[:, 0], axes[:, 1])), 1.5, np.random.default_rng(7))
    run = Run.from_arrays(site, axes, seen, point=plan.numbers)
    return plan, run, registry


def first(run, count):
    return run.subset(np.arange(len(run)) < count)


def asked(night, count, target=1.0, **more):
    plan, run, registry = night
    wanted = None if target is None else target * u.arcsec
    return progress(first(run, count), plan, wanted, terms=TERMS, registry=registry, **more)


def test_what_it_says_of_the_sky_is_what_the_fit_says(night):
    plan, run, registry = night
    model = fit(first(run, 30), plan.site, TERMS, registry=registry)
    found = asked(night, 30)
    assert found.sky_rms.value == pytest.approx(sky_error(model, plan.sky).rms.value, rel=1e-6)
    assert found.sigma == model.sigma
    assert found.sky_rms_upper95 > found.sky_rms


def test_the_first_of_the_next_points_lowers_the_error_most(night):
    plan, run, registry = night
    found = asked(night, 20)

    def after(number):
        # The noise of a fit to two more numbers is another: the design alone is compared.
        with_it = run.subset((np.arange(60) < 20) | (run.point == number))
        model = fit(with_it, plan.site, TERMS, reject=False, registry=registry)
        return float(sky_error(model, plan.sky).rms / model.sigma)

    errors_after = {int(number): after(number) for number in run.point[20:]}
    best = int(found.next_points["point"][0])
    assert errors_after[best] == pytest.approx(min(errors_after.values()), rel=1e-3)
    assert float(found.next_points["sky_rms"][0] / found.sigma) == pytest.approx(errors_after[best], rel=2e-3)
    assert np.all(np.diff(found.next_points["sky_rms"].value) < 0.0)


def test_only_points_that_are_neither_taken_nor_skipped_are_offered(night):
    run = night[1]
    offered = set(asked(night, 20, 0.1).next_points["point"].tolist())
    assert offered == set(run.point[20:].tolist())
    without = set(asked(night, 20, 0.1, skipped=[int(run.point[30])]).next_points["point"].tolist())
    assert without == offered - {int(run.point[30])}


def test_a_run_goes_from_too_few_over_some_more_to_enough(night):
    few, some, all_of_them = asked(night, 3), asked(night, 16, 0.8), asked(night, 60, 1.5)
    assert np.isinf(few.sky_rms.value)
    assert few.more == 57
    assert "too few for 8 terms" in str(few)
    assert 0 < some.more < 44
    assert not some.enough
    assert some.next_points["sky_rms_upper95"][-1] <= 0.8 * u.arcsec
    assert all_of_them.enough
    assert all_of_them.more == 0
    assert str(all_of_them).startswith("Enough: stop.")


def test_a_target_that_the_rest_of_the_plan_cannot_meet_is_said(night):
    found = asked(night, 50, 0.2)
    assert not found.reachable
    assert found.more == 10
    assert "will not be enough" in str(found)
    assert "plan a longer run" in str(found)


def test_half_the_noise_is_met_by_the_design_alone(night):
    plan, run, registry = night
    counts = [count for count in range(20, 61, 4) if asked(night, count, None).enough]
    model = fit(first(run, counts[0]), plan.site, TERMS, registry=registry)
    assert float(sky_error(model, plan.sky).rms / model.sigma) <= 0.5
    assert not asked(night, counts[0] - 4, None).enough


def test_a_run_without_a_plan_or_without_numbers_is_refused(night):
    plan, run, _ = night
    with pytest.raises(InputError, match="needs its plan"):
        progress(run)
    bare = Run.from_arrays(plan.site, run.axes, run.directions)
    with pytest.raises(InputError, match="column point"):
        progress(bare, plan)


@pytest.mark.parametrize("fall", ["as the root", "fast, then slowly", "hardly at all"])
def test_looking_again_and_again_stops_too_early_in_no_more_than_5_percent_of_nights(fall):
    look = np.arange(80)
    error = {
        "as the root": 1.0 / np.sqrt(look + 10.0),
        "fast, then slowly": 1.0 / np.sqrt(look + 0.3),
        "hardly at all": 1.0 - 1e-4 * look,
    }[fall]
    dof = 6 + 2 * look
    limits, usual = noise_limits(6, error), chdtri(dof, 0.95)
    rng = np.random.default_rng(12)
    grown = 2.0 * rng.standard_exponential((20_000, len(look)))
    grown[:, 0] = rng.chisquare(6, len(grown))
    squares = np.cumsum(grown, axis=1)

    def worst(limit):
        # The noise is just too large for the target at `last`: every look up to there would be wrong to stop.
        shares = [
            np.mean(
                (squares[:, : last + 1] <= limit[: last + 1] * (error[last] / error[: last + 1]) ** 2).any(
                    axis=1
                )
            )
            for last in range(0, len(look), 9)
        ]
        return max(shares)

    # Four standard errors of a share of 20,000.
    assert worst(limits) <= 0.05 + 0.0062
    assert worst(usual) > worst(limits)
    if fall != "hardly at all":
        assert np.all(limits > chdtri(dof, 0.985))

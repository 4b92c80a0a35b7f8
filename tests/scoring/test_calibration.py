"""Many simulated nights through any executor, and a small run of the calibration study."""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

import skysample as ss
from skysample.errors import InputError
from skysample.fitting.pointing import Moment
from skysample.geometry import ARCSEC
from skysample.runs import Run
from skysample.scoring import score, sky_error
from skysample.scoring.term_evidence import used_points
from skysample.testing import trials
from tests.conftest import make_site
from tests.simulated_nights import errors, simulated_run

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture(scope="module")
def study():
    sys.path.insert(0, str(BENCHMARKS))
    try:
        import calibration
    finally:
        sys.path.remove(str(BENCHMARKS))
    return calibration


@pytest.fixture(scope="module")
def nights(study):
    """Of a fork with 15 points, here, one after the other; what every executor must give."""
    cell = study.Cell("south", "fork", 15, 3.0)
    return cell, trials(partial(study.night, cell), 12, seed=cell.seed)


@pytest.mark.parametrize("number", [0, 52, 3784, 6335])
def test_a_ring_of_altitude_is_not_taken_for_false_solutions_on_the_word_of_the_other_ring(study, number):
    # Ten points of an alt-az lie on two rings, and without the upper one hardly anything tells cone from skew: the
    # fit to the others goes astray, or does not settle.
    cell = study.Cell("equator", "altaz", 10, 3.0)
    _, run = study.simulated(cell, np.random.default_rng([*cell.seed, number]))
    assert ss.fit(run, study.observatory(cell.place, cell.kind)[0]).rejected == ()


def test_exchanges_of_terms_come_to_an_end(study):
    # Two terms that hardly stand apart took each other's place for ever in this night.
    cell = study.Cell("equator", "altaz", 40, 0.5)
    started, _, added, _ = study.selected_night(cell, np.random.default_rng([*cell.seed, 1, 18]))
    assert (started, added) == (7, 3)


def drawn(rng):
    return float(rng.normal())


def same(found, expected):
    return all(
        np.array_equal(one.inside, other.inside)
        and np.array_equal(one.polar_inside, other.polar_inside)
        and one.squares == other.squares
        for one, other in zip(found, expected, strict=True)
    )


@pytest.mark.parametrize("batch", [1, 3, 100])
def test_neither_batches_nor_more_trials_change_a_trial(batch):
    expected = [drawn(np.random.default_rng([4, 2, number])) for number in range(10)]
    assert trials(drawn, 10, seed=(4, 2), batch=batch) == expected
    assert trials(drawn, 4, seed=(4, 2), batch=batch) == expected[:4]


def test_progress_is_told_after_every_batch():
    told = []
    trials(drawn, 7, batch=3, progress=lambda done, of: told.append((done, of)))
    assert told == [(3, 7), (6, 7), (7, 7)]


@pytest.mark.parametrize(("key", "wrong"), [("count", {"count": -1}), ("batch", {"count": 1, "batch": 0})])
def test_a_number_out_of_range_is_named(key, wrong):
    with pytest.raises(InputError, match=key):
        trials(drawn, **wrong)


@pytest.mark.parametrize("workers", [1, 2])
def test_threads_and_processes_give_the_same_nights_however_many_there_are(study, nights, workers):
    cell, expected = nights
    again = partial(trials, partial(study.night, cell), 12, seed=cell.seed, batch=2)
    with ThreadPoolExecutor(workers) as threads:
        assert same(again(executor=threads), expected)
    with ProcessPoolExecutor(workers, mp_context=get_context("fork")) as processes:
        assert same(again(executor=processes), expected)


def test_a_dask_cluster_gives_the_same_nights_and_tells_how_far_it_is(study, nights):
    from dask.distributed import Client, LocalCluster

    cell, expected = nights
    told = []
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        found = trials(
            partial(study.night, cell),
            12,
            seed=cell.seed,
            executor=client.get_executor(),
            batch=4,
            progress=lambda done, of: told.append((done, of)),
        )
    assert same(found, expected)
    assert told == [(4, 12), (8, 12), (12, 12)]


def test_the_study_puts_every_claim_on_its_table_and_fails_on_a_wrong_one(study, nights, monkeypatch):
    cell, found = nights
    monkeypatch.setattr(study, "trials", lambda *_args, **_more: found)
    figures = study.Figures("a few nights")
    study.measure(figures, cell, len(found))
    claims = [row[0] for row in figures.rows if row[3] != "-"]
    assert [claim.split(": ")[1].split(",")[0] for claim in claims] == [
        "intervals of 8 terms hold",
        "intervals of 8 terms hold",
        "interval of the axis",
        "interval of the axis",
        "predicted error over the sky / achieved",
        "expected miss of a fresh pointing / of fresh points",
        "leave-one-out / its theory for these points",
    ]
    for each in found:
        each.squares["expected"] *= 9.0
    study.measure(figures, cell, len(found))
    assert [row[3] for row in figures.rows if "expected miss of a fresh pointing / of" in row[0]] == [
        "pass",
        "FAIL",
    ]


# What a night says of itself, and by which it is judged


@pytest.mark.parametrize("weighed", [False, True])
def test_what_leave_one_out_is_expected_to_be_is_what_it_is_for_fresh_noise_at_the_same_points(weighed):
    site, rng = make_site("fork", 35.0), np.random.default_rng(3)
    run, _ = simulated_run(site, errors("fork"), 12, noise_arcsec=1.5, rng=rng)
    sigma = rng.uniform(1.0, 3.0, 12) if weighed else None
    run = Run.from_arrays(site, run.axes, run.directions, sigma_arcsec=sigma)
    model = ss.fit(run, site, reject=False)
    data = used_points(model, run)
    rows = (model.design(data.axes) * data.weights[:, None, None]).reshape(24, -1)
    hat = rows @ np.linalg.pinv(rows)
    per_weight = model.sigma_rad / np.sqrt(1.0 / np.mean(data.weights**2)) if weighed else model.sigma_rad
    squares = []
    for noise in rng.standard_normal((20_000, 24)) * per_weight:
        left = (noise - hat @ noise).reshape(12, 2)
        squares.append(left)
    left = np.array(squares)
    blocks = np.eye(2) - np.array([hat[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(12)])
    out = np.einsum("nij,dnj->dni", np.linalg.inv(blocks), left) / data.weights[:, None]
    expected = np.sqrt(np.mean(np.sum(out**2, axis=2)))
    assert score(model, run).loo_expected.to_value("rad") == pytest.approx(expected, rel=0.01)


def test_a_fresh_pointing_has_the_noise_of_both_components_and_the_models_own_error():
    site = make_site("fork", 35.0)
    run, _ = simulated_run(site, errors("fork"), 30, noise_arcsec=1.5)
    model = ss.fit(run, site)
    error = sky_error(model, ss.usable_sky(site, nside=4))
    assert error.fresh.value**2 == pytest.approx(2.0 * (model.sigma_rad / ARCSEC) ** 2 + error.rms.value**2)


def test_many_coefficients_at_once_give_what_they_give_one_by_one():
    site = make_site("german", -35.0)
    run, _ = simulated_run(site, errors("german", extended=True), 20, noise_arcsec=1.5)
    function = ss.fit(run, site, ["extended"]).function
    values = np.random.default_rng(0).normal(0.0, 1e-3, (20, len(function.names)))
    predicted, design = function.predict_with_design(values, run.axes, Moment())
    for one in range(20):
        alone = function.predict_with_design(values[one], run.axes[one : one + 1], Moment())
        np.testing.assert_allclose(predicted[one], alone[0][0], atol=1e-15)
        np.testing.assert_allclose(design[one], alone[1][0], atol=1e-9)

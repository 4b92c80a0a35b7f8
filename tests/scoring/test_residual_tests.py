"""Structure in residuals: exact references for each test, and mounts that move while the run goes on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from astropy import units as u
from astropy.time import Time

import skysample as ss
from skysample.errors import InputError
from skysample.fitting import fit
from skysample.runs import Run
from skysample.scoring.residual_tests import structure
from skysample.scoring.residual_tests.distribution import neighbour_weights, neighbours, tails
from skysample.scoring.residual_tests.movement import drift, pier_side, step, temperature
from skysample.scoring.residual_tests.residual_space import DRAWS, residual_space
from skysample.testing import SimulatedMount
from tests.conftest import make_site
from tests.simulated_nights import errors, scatter, spread_places, unit_vectors

NOISE_ARCSEC = 1.5
TESTS = ("drift", "step", "temperature", "pier", "neighbours", "tails")


def moving_run(
    kind="fork", n=40, change=None, *, latitude=35.0, truth=None, seed=5, noise=NOISE_ARCSEC, **columns
):
    """A run of a mount that is another one at every point: `change` gives arcsec by term, shape (n,) each."""
    rng = np.random.default_rng(seed)
    site = make_site(kind, latitude)
    truth = {**errors(kind, 600.0, -900.0), **(truth or {})}
    alt, az = spread_places(n)
    side = np.where((np.arange(n) % 2 == 0) | (kind != "german"), 1, -1)
    axes, seen = np.empty((n, 2)), np.empty((n, 2))
    for i in range(n):
        now = {**truth, **{name: truth.get(name, 0.0) + by[i] for name, by in (change or {}).items()}}
        mount = SimulatedMount(kind, latitude, terms_arcsec=now)
        axes[i] = mount.reading(alt[i], az[i], side[i])
        seen[i] = mount.point(*axes[i])
    places = scatter(unit_vectors(*seen.T), np.broadcast_to(noise, n)[:, None], rng)
    columns = {"time": Time("2026-03-02T20:00:00") + np.arange(n) * 3.0 * u.min, **columns}
    return Run.from_arrays(site, axes, places, side=side, **columns)


def examined(run, terms=None):
    return structure(fit(run, run.site, terms), run)


def left_of(run, **changed):
    model = fit(run, run.site)
    return replace(residual_space(model, run, 1), **changed)


def finding(found, name):
    return next(each for each in found.findings if each.name == name)


# Against other libraries, other formulas, and brute force


@pytest.fixture(scope="module")
def sound():
    """A german mount's run of which everything is known, weighted."""
    rng = np.random.default_rng(3)
    sigma = rng.uniform(1.0, 3.0, 24)
    return moving_run(
        "german", 24, noise=sigma, sigma_arcsec=sigma, temperature_c=rng.normal(10.0, 2.0, 24), latitude=-33.0
    )


def test_adding_columns_is_statsmodels_f_test_of_the_larger_model(sound):
    left = left_of(sound)
    course = np.linspace(-0.5, 0.5, 24)
    columns = left.motion * course[:, None, None]
    small = left.fitted
    large = np.concatenate([small, (columns * left.weights[:, None, None]).reshape(48, 4)], axis=1)
    with_them = sm.OLS(left.errors, large).fit()
    f, p, more = with_them.compare_f_test(sm.OLS(left.errors, small).fit())
    added = left.with_columns(columns)
    assert (added.f, added.p, more) == (pytest.approx(f, rel=1e-9), pytest.approx(p, rel=1e-9), 4)
    np.testing.assert_allclose(added.values, with_them.params[-4:], rtol=1e-8)
    np.testing.assert_allclose(added.stderr, with_them.bse[-4:], rtol=1e-8)
    assert drift(left).statistic == pytest.approx(f, rel=1e-9)


def test_the_step_is_the_largest_f_of_every_cut(sound):
    left = left_of(sound)
    largest = 0.0
    for cut in range(3, 22):
        after = (np.arange(24) >= cut) - (24 - cut) / 24
        columns = (left.motion * after[:, None, None] * left.weights[:, None, None]).reshape(48, 4)
        large = sm.OLS(left.errors, np.concatenate([left.fitted, columns], axis=1)).fit()
        largest = max(largest, large.compare_f_test(sm.OLS(left.errors, left.fitted).fit())[0])
    assert step(left).statistic == pytest.approx(largest, rel=1e-9)


def test_a_step_does_not_mind_in_which_order_the_rows_stand(sound):
    shuffled = np.random.default_rng(0).permutation(24)
    left = left_of(sound)
    mixed = Run.from_arrays(
        sound.site,
        sound.axes[shuffled],
        sound.directions[shuffled],
        side=sound.side[shuffled],
        time=sound.time[shuffled],
        sigma_arcsec=sound.sigma_arcsec[shuffled],
    )
    assert step(left_of(mixed)).statistic == pytest.approx(step(left).statistic, rel=1e-6)


def test_simulated_morans_i_has_the_mean_and_variance_of_cliff_and_ord(sound):
    # Moran's I of regression residuals: Cliff and Ord 1981, Spatial Processes, section 8.3 (from memory).
    left = left_of(sound)
    weights = neighbour_weights(left).toarray()
    rest = np.eye(48) - left.fitted @ left.fitted.T
    dof = left.dof
    form = rest @ weights
    mean = np.trace(form) / dof
    square = np.trace(form @ rest @ weights.T) + np.trace(form @ form) + np.trace(form) ** 2
    variance = square / (dof * (dof + 2)) - mean**2
    noise = np.concatenate(list(left._noise()), axis=1)
    simulated = np.sum(noise * (weights @ noise), axis=0) / np.sum(noise**2, axis=0)
    assert len(simulated) == DRAWS
    assert mean == pytest.approx(-np.trace(left.fitted.T @ weights @ left.fitted) / dof)
    assert simulated.mean() == pytest.approx(mean, abs=4.0 * np.sqrt(variance / DRAWS))
    assert simulated.var() == pytest.approx(variance, rel=0.2)


def test_morans_i_is_its_definition_as_vectors_on_the_sky():
    left = left_of(moving_run(n=20))
    vectors = np.einsum("ni,nij->nj", left.errors.reshape(-1, 2), left.basis)
    apart = np.linalg.norm(left.places[:, None] - left.places, axis=-1)
    near = np.zeros((20, 20), bool)
    for i in range(20):
        near[i, np.argsort(apart[i])[1:5]] = True
    near |= near.T
    i = 20 / near.sum() * np.sum(near * (vectors @ vectors.T)) / np.sum(vectors**2)
    assert neighbours(left).statistic == pytest.approx(i, rel=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_tails_agree_with_scipys_kurtosis_test_where_points_are_many(seed):
    # scipy's normal approximation (Anscombe and Glynn 1983) has no hat matrix in it: 600 points by 8 terms need none.
    left = left_of(moving_run(n=100))
    rng = np.random.default_rng(seed)
    many = replace(
        left,
        rows=tuple(range(600)),
        errors=rng.standard_t(30.0, 1200),
        fitted=np.linalg.qr(rng.normal(size=(1200, 8)))[0],
    )
    found = tails(many)
    assert found.statistic == pytest.approx(scipy.stats.kurtosis(many.errors, fisher=False), abs=0.1)
    assert found.p == pytest.approx(
        scipy.stats.kurtosistest(many.errors, alternative="greater").pvalue, abs=0.08
    )


@pytest.mark.parametrize("kind", ["german", "altaz"])
def test_each_test_is_wrong_in_one_of_twenty_at_15_points(kind):
    # Residuals of noise alone, at the fewest points of a quick run; the benchmark has whole nights.
    rng = np.random.default_rng(8)
    left = left_of(moving_run(kind, 15, temperature_c=rng.normal(10.0, 2.0, 15)))
    asked = [drift, step, temperature, neighbours, tails, *([pier_side] if kind == "german" else [])]
    low = dict.fromkeys(asked, 0)
    for seed in range(200):
        noise = rng.standard_normal(30)
        left = replace(left, errors=noise - left.fitted @ (left.fitted.T @ noise), seed=seed)
        for test in asked:
            low[test] += test(left).p <= 0.05
    # 200 chances of 5 %: more than 22 happen in one of 1,000.
    assert all(count <= 22 for count in low.values()), low
    assert sum(low.values()) > 200 * 0.05 * len(asked) / 3


def test_runs_too_long_to_keep_their_noise_draw_it_in_parts():
    left = left_of(moving_run(n=15))
    rng = np.random.default_rng(0)
    long = replace(
        left,
        errors=rng.normal(size=5000),
        fitted=np.linalg.qr(rng.normal(size=(5000, 8)))[0],
    )
    parts = list(long._noise())
    assert len(parts) > 1
    assert sum(part.shape[1] for part in parts) == DRAWS
    assert max(np.abs(long.fitted.T @ part).max() for part in parts) < 1e-10


# Nights on which something moves


ALONG = np.linspace(0.0, 1.0, 40)


def test_a_sound_night_is_silent():
    found = examined(moving_run("german", temperature_c=12.0 - 3.0 * ALONG))
    assert not found.found
    assert str(found) == f"No structure found in the residuals (tested: {', '.join(TESTS)})."
    assert {each.name for each in found.findings if each.p is not None} == set(TESTS)


@pytest.mark.parametrize(
    ("kind", "term", "words", "latitude"),
    [
        ("fork", "polar_altitude", "the polar axis had sunk 0.5", 35.0),
        ("fork", "polar_altitude", "the polar axis had sunk 0.", -27.0),
        ("german", "polar_altitude", "the polar axis had sunk 0.", 48.0),
        ("altaz", "tilt_north", "to the south", 20.0),
    ],
)
def test_a_wedge_that_slips_is_a_drift_of_the_axis(kind, term, words, latitude):
    found = examined(moving_run(kind, change={term: -30.0 * ALONG}, latitude=latitude))
    assert finding(found, "drift").found
    (sentence,) = (each for each in found.sentences if each.startswith("the points drift"))
    assert words in sentence
    assert "a creeping bolt or a settling pier" in sentence
    assert "`skysample polar`" in sentence


def test_a_mirror_that_moves_is_a_drift_in_the_tube():
    found = examined(moving_run(change={"secondary_zero": 20.0 * ALONG}))
    drifted = finding(found, "drift")
    assert drifted.found
    assert 'the image had shifted in the tube by 19.1" +- 1.2"' in drifted.sentence
    assert "in 2.0 h" in drifted.sentence


def test_a_jump_names_the_rows_and_the_time():
    found = examined(moving_run(change={"cone": 20.0 * (np.arange(40) >= 25)}))
    assert finding(found, "step").found
    (sentence,) = (each for each in found.sentences if each.startswith("the points jump"))
    assert "between row 25 (21:12 UTC) and row 26 (21:15)" in sentence
    # A drift sees it too, and is not said beside it.
    assert not any(each.startswith("the points drift") for each in found.sentences)


def test_a_mirror_that_flops_is_told_by_the_side_of_the_pier():
    side = np.where(np.arange(40) % 2 == 0, 1.0, -1.0)
    found = examined(moving_run("german", change={"secondary_zero": 5.0 * side}, latitude=48.0))
    assert finding(found, "pier").found
    assert "shifted 9." in finding(found, "pier").sentence or "shifted 10." in finding(found, "pier").sentence
    assert finding(examined(moving_run("fork")), "pier").not_done == "the mount does not flip"


def test_what_moves_with_the_temperature_is_told_from_a_drift_if_the_air_lets_it():
    up_and_down = 10.0 + 3.0 * np.sin(9.0 * ALONG)
    found = examined(moving_run(change={"cone": 5.0 * (up_and_down - 10.0)}, temperature_c=up_and_down))
    assert finding(found, "temperature").found
    (sentence,) = found.sentences
    assert sentence.startswith("the points move with temperature")
    assert "changed together" not in sentence
    cooling = 12.0 - 4.0 * ALONG
    found = examined(moving_run(change={"cone": 5.0 * cooling}, temperature_c=cooling))
    assert (
        "changed together (correlation -1.00), so it may be a drift" in finding(found, "temperature").sentence
    )


def test_what_no_term_describes_shows_as_neighbours_that_err_alike():
    run = moving_run(n=60, truth={"primary_sin": 15.0, "primary_cos": 10.0})
    assert finding(examined(run), "neighbours").found
    assert not examined(run, ["extended"]).found


def test_gusts_show_in_the_tails_and_the_rows_are_named():
    noise = np.where(np.isin(np.arange(100), (10, 30, 50, 70, 90)), 4.0, 1.0)
    found = structure_without_rejection(moving_run(n=100, noise=noise, seed=2))
    assert finding(found, "tails").found
    rows = finding(found, "tails").sentence.partition("rows ")[2].partition(")")[0].split(", ")
    assert len({int(row) for row in rows} & {11, 31, 51, 71, 91}) >= 2


def structure_without_rejection(run):
    return structure(fit(run, run.site, reject=False), run)


# What cannot be asked is said


def test_a_run_without_times_or_temperatures_says_so():
    found = examined(moving_run(time=None))
    assert finding(found, "drift").not_done == finding(found, "step").not_done == "the run has no times"
    assert finding(found, "temperature").not_done == "not every point has a temperature"
    assert finding(found, "drift").p is None


def test_points_at_one_time_in_air_of_one_temperature_ask_nothing_of_either():
    same = Time("2026-03-02T20:00:00") + np.zeros(15) * u.min
    found = examined(moving_run(n=15, time=same, temperature_c=np.full(15, 7.0)))
    assert finding(found, "drift").not_done == "all points have the same time"
    assert finding(found, "step").not_done == "too few points"
    assert finding(found, "temperature").not_done == "all points have the same temperature"


def test_a_german_mount_on_one_side_of_the_pier_cannot_compare_the_two():
    site = make_site("german", 48.0)
    mount = SimulatedMount("german", 48.0, terms_arcsec=errors("german", 60.0, 60.0))
    axes = np.stack(mount.reading(*spread_places(20), 1), axis=1)
    seen = scatter(unit_vectors(*mount.point(*axes.T)), 1.5, np.random.default_rng(0))
    run = Run.from_arrays(site, axes, seen)
    terms = ["polar_altitude", "polar_azimuth", "primary_zero", "secondary_zero", "cone"]
    assert "one side of the pier" in finding(examined(run, terms), "pier").not_done


def test_few_points_are_not_asked_too_much():
    found = examined(moving_run(n=6))
    assert {each.name: each.not_done for each in found.findings} == {
        "drift": "too few points",
        "step": "too few points",
        "temperature": "not every point has a temperature",
        "pier": "the mount does not flip",
        "neighbours": "needs 8 points",
        "tails": "too few points",
    }
    assert str(found) == "The residuals could not be tested."


def test_rounding_is_no_structure():
    found = examined(moving_run(noise=0.0))
    assert {each.not_done for each in found.findings} == {"the residuals are rounding, not noise"}


def test_another_run_is_refused():
    run, other = moving_run(n=15), moving_run(n=15, seed=6)
    with pytest.raises(InputError, match="not the one the model was fitted to"):
        structure(fit(run, run.site), other)


def test_the_same_seed_gives_the_same_answer_and_the_size_of_the_noise_does_not_matter():
    run = moving_run(n=20)
    model = fit(run, run.site)
    assert ss.structure(model, run, seed=4) == ss.structure(model, run, seed=4)
    weighted = moving_run(n=20, sigma_arcsec=np.full(20, 7.0))
    for one, two in zip(examined(run).findings, examined(weighted).findings, strict=True):
        assert one.p == (None if two.p is None else pytest.approx(two.p, rel=1e-6))


def test_points_that_were_rejected_are_left_out():
    run = moving_run(n=20)
    seen = run.directions.copy()
    seen[7] = unit_vectors(np.array(0.9), np.array(1.0))
    bad = Run.from_arrays(run.site, run.axes, seen, time=run.time)
    model = fit(bad, run.site)
    assert [each.row for each in model.rejected] == [8]
    assert len(residual_space(model, bad, 0).rows) == 19
    assert not structure(model, bad).found


def test_a_notebook_shows_words_and_table():
    found = examined(moving_run(n=15, seed=9))
    assert found._repr_html_().startswith("<p>No structure found in the residuals")
    assert "neighbours" in found._repr_html_()
    assert found.table.colnames == ["name", "statistic", "p", "found", "not_done"]


def test_a_missing_term_is_said_before_the_movement_that_it_looks_like():
    run = moving_run(truth={"primary_sin": 25.0})
    west_to_east = np.argsort(np.arctan2(run.directions[:, 0], run.directions[:, 1]))
    taken = Run.from_arrays(
        run.site, run.axes[west_to_east], run.directions[west_to_east], side=1, time=run.time
    )
    found = examined(taken)
    assert {each.name for each in found.found} > {"neighbours"}
    assert found.sentences[0].startswith("nearby points have similar residuals")
    assert found.sentences[1].startswith("recheck after fixing the first finding: the points ")
    assert examined(taken, ["extended"]).sentences == ()

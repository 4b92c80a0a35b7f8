"""The linear core against NIST's certified regression, statsmodels, and brute force."""

from __future__ import annotations

import tracemalloc
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.api import OLS
from statsmodels.datasets import longley
from statsmodels.stats.outliers_influence import OLSInfluence

from skysample.fitting.linear import pointwise_influence, solve
from skysample.fitting.multiple_tests import bonferroni_t_squared, p_values
from skysample.fitting.scaled_design import ScaledDesign

# NIST Statistical Reference Datasets, Linear Regression, dataset "Longley" (higher level of difficulty):
# certified estimates, their standard deviations, and the residual standard deviation.
# https://www.itl.nist.gov/div898/strd/lls/data/Longley.shtml
NIST_COEFFICIENTS = [
    -3482258.63459582,
    15.0618722713733,
    -0.358191792925910e-01,
    -2.02022980381683,
    -1.03322686717359,
    -0.511041056535807e-01,
    1829.15146461355,
]
NIST_STANDARD_ERRORS = [
    890420.383607373,
    84.9149257747669,
    0.334910077722432e-01,
    0.488399681651699,
    0.214274163161675,
    0.226073200069370,
    455.478499142212,
]
NIST_RESIDUAL_SD = 304.854073561965


def longley_data():
    data = longley.load()
    regressors = np.asarray(data.exog, float)
    return np.column_stack([np.ones(len(regressors)), regressors]), np.asarray(data.endog, float)


def deleted_fits(design, target, weights=None, penalty=None):
    """Every fit without one point's k rows, by plain lstsq: coefficients, left-out residuals, sigma."""
    n, k, p = design.shape
    weights = np.ones(n) if weights is None else weights
    penalty = np.zeros((0, p)) if penalty is None else penalty
    shifts, left_out, sigmas = [], [], []
    for i in range(n):
        keep = np.arange(n) != i
        root = np.sqrt(np.repeat(weights[keep], k))
        rows = root[:, None] * design[keep].reshape(-1, p)
        stacked = np.vstack([rows, penalty])
        rhs = np.concatenate([root * target[keep].ravel(), np.zeros(len(penalty))])
        b = np.linalg.lstsq(stacked, rhs)[0]
        fitted_dof = np.trace(rows @ np.linalg.solve(stacked.T @ stacked, rows.T))
        misfit = root * target[keep].ravel() - rows @ b
        dof = k * np.count_nonzero(weights[keep]) - fitted_dof
        sigmas.append(np.sqrt(misfit @ misfit / dof) if dof > 1e-6 else np.nan)
        left_out.append(target[i] - design[i] @ b)
        shifts.append(b)
    return np.array(shifts), np.array(left_out), np.array(sigmas)


def random_points(seed, n, k, p):
    rng = np.random.default_rng(seed)
    design = rng.normal(size=(n, k, p))
    target = design @ rng.normal(size=p) + rng.normal(size=(n, k))
    return design, target


def fit(design, target):
    flat = solve(design.reshape(-1, design.shape[-1]), target.ravel())
    return flat, flat.residuals.reshape(target.shape)


# --- solve --------------------------------------------------------------------------------------------------


def test_longley_agrees_with_the_certified_values_of_nist_to_ten_digits():
    solution = solve(*longley_data())
    assert_allclose(solution.coefficients, NIST_COEFFICIENTS, rtol=5e-11)
    assert_allclose(solution.standard_errors, NIST_STANDARD_ERRORS, rtol=5e-11)
    assert_allclose(solution.sigma, NIST_RESIDUAL_SD, rtol=5e-11)
    assert (solution.scaled.rank, solution.dof) == (7, 9)


def test_longley_agrees_with_exact_rational_arithmetic():
    design, target = longley_data()
    rows = [[Fraction(v) for v in row] for row in np.column_stack([design, target]).tolist()]
    p = design.shape[1]
    system = [[sum(r[i] * r[j] for r in rows) for j in range(p + 1)] for i in range(p)]
    for i in range(p):
        system[i] = [v / system[i][i] for v in system[i]]
        for j in set(range(p)) - {i}:
            factor = system[j][i]
            system[j] = [a - factor * b for a, b in zip(system[j], system[i], strict=True)]
    assert_allclose(solve(design, target).coefficients, [float(row[p]) for row in system], rtol=5e-10)


def test_longley_names_the_year_and_the_constant_as_its_worst_pair():
    solution = solve(*longley_data())
    names = ["constant", "deflator", "product", "unemployed", "armed", "population", "year"]
    assert solution.scaled.worst_pair(names) == ("constant", "year")
    scaled = longley_data()[0] / np.linalg.norm(longley_data()[0], axis=0)
    assert_allclose(solution.scaled.condition, np.linalg.cond(scaled), rtol=1e-9)


def test_normal_equations_would_lose_what_qr_keeps():
    rng = np.random.default_rng(3)
    x = rng.normal(size=60)
    design = np.column_stack([np.ones(60), x, x + 1e-8 * rng.normal(size=60)])
    solution = solve(design, design @ [1.0, 2.0, 3.0])
    assert solution.scaled.rank == 3
    assert_allclose(solution.coefficients, [1.0, 2.0, 3.0], rtol=1e-6)


def test_weights_act_as_repeated_rows():
    rng = np.random.default_rng(1)
    design, target, repeats = rng.normal(size=(9, 3)), rng.normal(size=(9, 2)), rng.integers(1, 4, 9)
    weighted = solve(design, target, repeats)
    repeated = solve(np.repeat(design, repeats, axis=0), np.repeat(target, repeats, axis=0))
    assert_allclose(weighted.coefficients, repeated.coefficients, rtol=1e-12)
    assert_allclose(weighted.scaled.unscaled_covariance, repeated.scaled.unscaled_covariance, rtol=1e-11)
    assert_allclose(weighted.sigma**2 * weighted.dof, repeated.sigma**2 * repeated.dof, rtol=1e-12)
    assert_allclose(weighted.residuals, target - design @ weighted.coefficients, atol=1e-13)
    assert weighted.standard_errors.shape == (3, 2)


def test_rows_of_weight_zero_count_for_nothing():
    rng = np.random.default_rng(2)
    design, target = rng.normal(size=(9, 3)), rng.normal(size=9)
    weights = np.r_[np.ones(7), 0.0, 0.0]
    with_zeros, without = solve(design, target, weights), solve(design[:7], target[:7])
    assert_allclose(with_zeros.coefficients, without.coefficients, rtol=1e-12)
    assert with_zeros.dof == without.dof == 4
    assert_allclose(with_zeros.sigma, without.sigma, rtol=1e-12)


def test_the_scale_of_a_column_changes_nothing_but_its_coefficient():
    rng = np.random.default_rng(4)
    design, target, scale = rng.normal(size=(12, 3)), rng.normal(size=12), np.array([1e-9, 1.0, 1e9])
    plain, scaled = solve(design, target), solve(design * scale, target)
    assert_allclose(scaled.coefficients * scale, plain.coefficients, rtol=1e-12)
    assert_allclose(scaled.scaled.condition, plain.scaled.condition, rtol=1e-12)


def test_two_equal_columns_are_named_and_the_others_keep_their_errors():
    rng = np.random.default_rng(5)
    a, b, c = rng.normal(size=(3, 20))
    target = rng.normal(size=20)
    solution = solve(np.column_stack([a, b, -2.0 * a, c]), target)
    assert solution.scaled.rank == 3
    assert solution.scaled.condition > 1e14
    assert solution.scaled.worst_pair("abdc") == ("a", "d")
    assert solution.scaled.determined.tolist() == [False, True, False, True]
    reduced = solve(np.column_stack([a, b, c]), target)
    _, error_b, error_c = reduced.standard_errors
    assert_allclose(solution.standard_errors, [np.nan, error_b, np.nan, error_c])
    assert_allclose(solution.residuals, reduced.residuals, atol=1e-12)


@pytest.mark.parametrize("seed", range(8))
def test_of_two_degenerate_pairs_one_true_pair_is_named(seed):
    rng = np.random.default_rng(seed)
    a, b, c = rng.normal(size=(3, 20))
    solution = solve(np.column_stack([a, b, c, a, b]), rng.normal(size=20))
    assert solution.scaled.rank == 3
    assert solution.scaled.worst_pair("abcde") in {("a", "d"), ("b", "e")}


def test_an_empty_column_is_named_alone():
    rng = np.random.default_rng(6)
    a, c = rng.normal(size=(2, 20))
    solution = solve(np.column_stack([a, np.zeros(20), c]), rng.normal(size=20))
    assert solution.scaled.worst_pair("abc") == ("b",)
    assert solution.coefficients[1] == 0.0


def test_fewer_rows_than_columns_is_said_by_rank_and_condition():
    solution = solve(np.random.default_rng(7).normal(size=(3, 5)), np.ones(3))
    assert (solution.scaled.rank, solution.dof, solution.scaled.condition) == (3, 0, np.inf)
    assert np.isnan(solution.sigma)
    assert_allclose(solution.residuals, 0.0, atol=1e-13)


# --- leaving a point out ------------------------------------------------------------------------------------


def assert_equals_statsmodels(design, target):
    reference = OLSInfluence(OLS(target, design).fit())
    solution = solve(design, target)
    influence = pointwise_influence(design[:, None, :], solution.residuals[:, None])
    assert_allclose(influence.leverage, reference.hat_matrix_diag, rtol=1e-8)
    assert_allclose(influence.studentised, np.abs(reference.resid_studentized_external), rtol=1e-8)
    assert_allclose(influence.cooks_distance, reference.cooks_distance[0], rtol=1e-8)
    assert_allclose(influence.loo_residuals[:, 0], reference.resid_press, rtol=1e-8)
    assert_allclose(influence.deleted_sigma, np.sqrt(reference.sigma2_not_obsi), rtol=1e-8)
    scale = influence.deleted_sigma[:, None] * np.sqrt(np.diag(solution.scaled.unscaled_covariance))
    dfbetas = influence.deleted_shift / scale
    assert_allclose(dfbetas, reference.dfbetas, rtol=1e-6, atol=1e-8)


def test_one_component_equals_statsmodels_on_longley():
    assert_equals_statsmodels(*longley_data())


@pytest.mark.parametrize(("n", "p"), [(12, 1), (15, 4), (60, 9)])
def test_one_component_equals_statsmodels_on_random_data(n, p):
    design, target = random_points(n, n, 1, p)
    assert_equals_statsmodels(design[:, 0], target[:, 0])


def stacked(design, weights=None, penalty=None):
    """The weighted rows of all points with the penalty below them."""
    n, k, p = design.shape
    root = np.sqrt(np.ones(n) if weights is None else weights)
    rows = (root[:, None, None] * design).reshape(n * k, p)
    return np.vstack([rows, np.zeros((0, p)) if penalty is None else penalty])


def well_posed(design, weights=None, penalty=None):
    """Far enough from degenerate, with and without any one point, for brute force to be a reference."""
    keep = ~np.eye(len(design), dtype=bool)
    designs = [stacked(design, weights, penalty)]
    designs += [stacked(design[k], None if weights is None else weights[k], penalty) for k in keep]
    return all(np.linalg.cond(rows) < 1e3 for rows in designs)


def assert_equals_deletion(design, target, weights=None, penalty=None):
    n, k, _ = design.shape
    w = np.ones(n) if weights is None else weights
    rows = stacked(design, weights, penalty)
    rhs = np.r_[(np.sqrt(w)[:, None] * target).ravel(), np.zeros(len(rows) - n * k)]
    b = np.linalg.lstsq(rows, rhs)[0]
    residuals = target - design @ b
    influence = pointwise_influence(design, residuals, weights, penalty=penalty)

    without, left_out, sigmas = deleted_fits(design, target, weights, penalty)
    assert_allclose(influence.loo_residuals, left_out, rtol=1e-9, atol=1e-9)
    assert_allclose(influence.deleted_shift, b - without, rtol=1e-9, atol=1e-9)
    assert_allclose(influence.deleted_sigma, sigmas, rtol=1e-6, atol=1e-6)
    hat = rows @ np.linalg.solve(rows.T @ rows, rows.T)
    blocks = hat[: n * k, : n * k].reshape(n, k, n, k)[np.arange(n), :, np.arange(n)]
    assert_allclose(influence.blocks, blocks, atol=1e-9)

    fitted = np.trace(hat[: n * k, : n * k])
    dof = k * np.count_nonzero(w) - fitted
    if np.nanmin(np.r_[1.0, sigmas]) > 1e-2:
        inside = np.einsum("ni,nij,nj->n", left_out, np.eye(k) - blocks, left_out)
        t_squared = np.where(w > 0.0, w * inside / sigmas**2, np.nan)
        assert_allclose(influence.t_squared, t_squared, rtol=1e-6, atol=1e-9)
    if dof > 1e-6:
        square = np.sum(w[:, None] * residuals**2) / dof
        gram = rows[: n * k].T @ rows[: n * k]
        cooks = [(b - other) @ gram @ (b - other) / (fitted * square) for other in without]
        assert_allclose(influence.cooks_distance, cooks, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("k", [2, 3])
def test_points_of_several_components_equal_fits_without_the_points_rows(k):
    assert_equals_deletion(*random_points(k, 14, k, 6))


def test_the_row_wise_formula_is_wrong_for_points_of_two_components():
    design, target = random_points(11, 10, 2, 6)
    _, residuals = fit(design, target)
    _, left_out, _ = deleted_fits(design, target)
    row_wise = pointwise_influence(design.reshape(20, 1, 6), residuals.reshape(20, 1)).loo_residuals
    assert np.max(np.abs(row_wise.reshape(10, 2) - left_out)) > 0.1


@settings(deadline=None, max_examples=150)
@given(
    n=st.integers(3, 12),
    k=st.integers(1, 3),
    p=st.integers(1, 6),
    seed=st.integers(0, 2**32 - 1),
    weighted=st.booleans(),
    penalised=st.booleans(),
)
def test_any_shape_weight_and_penalty_equals_deletion(*, n, k, p, seed, weighted, penalised):
    assume(p <= (n - 1 - weighted) * k)
    design, target = random_points(seed, n, k, p)
    rng = np.random.default_rng(seed)
    weights = np.r_[rng.uniform(0.2, 5.0, n - 1), 0.0] if weighted else None
    penalty = rng.uniform(0.1, 2.0) * np.eye(p)[1:] if penalised else None
    assume(well_posed(design, weights, penalty))
    assert_equals_deletion(design, target, weights, penalty)


def test_a_point_that_alone_determines_a_coefficient_gives_nan_and_inf():
    rng = np.random.default_rng(8)
    design = rng.normal(size=(10, 2, 4))
    design[:, :, 3] = 0.0
    design[4, 1, 3] = 1.0
    target = rng.normal(size=(10, 2))
    _, residuals = fit(design, target)
    influence = pointwise_influence(design, residuals)
    alone = np.arange(10) == 4
    assert np.isnan(influence.loo_residuals[alone]).all()
    assert np.isnan(influence.t_squared[alone]).all()
    assert np.isnan(influence.deleted_sigma[alone]).all()
    assert np.isnan(influence.deleted_shift[alone]).all()
    assert np.isinf(influence.cooks_distance[alone]).all()
    others = (influence.loo_residuals, influence.t_squared, influence.deleted_shift, influence.cooks_distance)
    assert all(np.isfinite(figure[~alone]).all() for figure in others)


@pytest.mark.parametrize("seed", range(6))
def test_a_point_that_alone_tells_two_columns_apart_is_known_through_the_rounding(seed):
    """The columns differ by 1e-6 at one point only, so that its leverage comes out as 1 within some 1e-9."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=20)
    difference = np.where(np.arange(20) == 4, 1.0, 0.0) + rng.normal()
    design = np.column_stack([np.ones(20), x, x + 1e-6 * difference])
    solution = solve(design, rng.normal(size=20))
    assert solution.scaled.rank == 3
    influence = pointwise_influence(design[:, None, :], solution.residuals[:, None])
    assert np.flatnonzero(np.isnan(influence.loo_residuals[:, 0])).tolist() == [4]


def test_a_saturated_fit_has_no_left_out_figures():
    design, target = random_points(9, 3, 2, 6)
    _, residuals = fit(design, target)
    influence = pointwise_influence(design, residuals)
    assert_allclose(influence.leverage, 2.0, rtol=1e-12)
    assert np.isnan(influence.loo_residuals).all()
    assert np.isnan(influence.studentised).all()


def test_without_spare_freedom_the_residual_stands_but_no_t_squared():
    design, target = random_points(10, 4, 2, 6)
    _, residuals = fit(design, target)
    influence = pointwise_influence(design, residuals)
    assert_allclose(influence.loo_residuals, deleted_fits(design, target)[1], rtol=1e-9)
    assert_allclose(influence.deleted_dof, 0.0)
    assert np.isnan(influence.t_squared).all()
    assert np.isfinite(influence.cooks_distance).all()


def test_columns_that_depend_on_each_other_leave_the_left_out_residuals_alone():
    design, target = random_points(12, 10, 2, 3)
    doubled = np.concatenate([design, design[:, :, :1]], axis=2)
    _, residuals = fit(design, target)
    plain, redundant = pointwise_influence(design, residuals), pointwise_influence(doubled, residuals)
    assert_allclose(redundant.loo_residuals, plain.loo_residuals, rtol=1e-10)
    assert_allclose(redundant.t_squared, plain.t_squared, rtol=1e-10)
    assert np.isnan(redundant.deleted_shift[:, [0, 3]]).all()
    assert_allclose(redundant.deleted_shift[:, 1:3], plain.deleted_shift[:, 1:3], rtol=1e-9)


def test_residuals_of_nothing_raise_no_warning():
    design, _ = random_points(13, 8, 2, 3)
    influence = pointwise_influence(design, np.zeros((8, 2)))
    assert np.isnan(influence.t_squared).all()
    assert_allclose(influence.deleted_sigma, 0.0)


def test_many_points_need_no_matrix_of_points_by_points():
    n = 20_000
    design, target = random_points(14, n, 2, 8)
    _, residuals = fit(design, target)
    tracemalloc.start()
    influence = pointwise_influence(design, residuals)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 30 * design.nbytes < n * n
    assert_allclose(influence.leverage.sum(), 8.0, rtol=1e-10)


# --- what T^2 is read against -------------------------------------------------------------------------------


def test_t_squared_over_two_follows_f():
    n, p = 9, 6
    rng = np.random.default_rng(20240229)
    design = rng.normal(size=(n, 2, p))
    basis = np.linalg.qr(design.reshape(2 * n, p))[0]
    noise = 3.0 * rng.normal(size=(3000, 2 * n))
    residuals = (noise - noise @ basis @ basis.T).reshape(-1, n, 2)
    influences = [pointwise_influence(design, residual) for residual in residuals]
    most = int(np.argmax(influences[0].leverage))
    half = np.array([influence.t_squared[most] / 2.0 for influence in influences])
    assert stats.kstest(half, stats.f(2, 2 * n - p - 2).cdf).pvalue > 0.05
    # The sample is large enough to tell: neither a known noise nor row-wise, internal studentising fits.
    assert stats.kstest(half, stats.chi2(2, scale=0.5).cdf).pvalue < 1e-6
    row_wise = [residual**2 / (1.0 - np.sum(basis**2, axis=1).reshape(n, 2)) for residual in residuals]
    internal = np.array([row[most].sum() / 2.0 for row in row_wise])
    internal *= (2 * n - p) / np.array([np.sum(residual**2) for residual in residuals])
    assert stats.kstest(internal, stats.f(2, 2 * n - p - 2).cdf).pvalue < 1e-6


def test_p_values_are_the_upper_tail_of_f():
    t_squared = np.array([0.0, 0.5, 4.0, 80.0, np.nan, np.inf])
    expected = stats.f.sf(t_squared / 2.0, 2, 17)
    assert_allclose(p_values(t_squared, 2, 17), expected, rtol=1e-12)


@pytest.mark.parametrize(("n", "k", "dof"), [(15, 2, 20), (100, 2, 190), (30, 1, 25), (10, 3, 4)])
def test_bonferroni_limit_is_the_upper_tail_shared_over_the_points(n, k, dof):
    limit = bonferroni_t_squared(n, k, dof, alpha=0.05)
    assert_allclose(limit / k, stats.f.isf(0.05 / n, k, dof), rtol=1e-9)
    assert_allclose(n * p_values(np.array([limit]), k, dof), 0.05, rtol=1e-9)


def test_bonferroni_limit_of_a_fit_without_freedom_is_nan():
    assert np.isnan(bonferroni_t_squared(5, 2, 0.0, 0.05))


def test_bonferroni_limit_is_passed_by_few_sound_runs():
    rng = np.random.default_rng(77)
    design = rng.normal(size=(12, 2, 5))
    basis = np.linalg.qr(design.reshape(24, 5))[0]
    limit = bonferroni_t_squared(12, 2, 17, alpha=0.1)
    alarms = 0
    for _ in range(1000):
        noise = rng.normal(size=24)
        residuals = (noise - basis @ (basis.T @ noise)).reshape(12, 2)
        alarms += bool(pointwise_influence(design, residuals).t_squared.max() > limit)
    # At most 10 %, and Bonferroni loses little: the bounds are 3 standard deviations of a count of 1000.
    assert 60 < alarms < 128


def tall_rows(columns=6, rows=4000, *, lone_row=None):
    """Far from zero, of very different sizes, two of them nearly alike; with the last column on one row alone."""
    rng = np.random.default_rng(0)
    design = (rng.normal(size=(rows, columns)) + 5.0) * 10.0 ** np.arange(columns)
    design[:, 1] = design[:, 0] + 1e-3 * rng.normal(size=rows)
    if lone_row is not None:
        design[:, -1] = 0.0
        design[lone_row, -1] = 1.0
    return design, rng.normal(size=(rows, 2)) + 3.0


def test_panels_of_rows_reduce_to_the_qr_of_the_whole():
    design, target = tall_rows()
    scaled = ScaledDesign.of(design, target)
    scale = np.linalg.norm(design, axis=0)
    q, r = np.linalg.qr(design / scale)
    assert scaled.rank == 6
    assert_allclose(scaled.unscaled_covariance, np.linalg.inv(r.T @ r) / np.outer(scale, scale), rtol=1e-8)
    assert_allclose(design @ scaled.coefficients, q @ (q.T @ target), atol=1e-9)


def test_a_column_on_one_row_alone_harms_none_of_the_others():
    lone_row = 1
    design, target = tall_rows(lone_row=lone_row)
    solution = solve(design, target)
    others = np.arange(len(design)) != lone_row
    q = np.linalg.qr(design[others, :-1] / np.linalg.norm(design[:, :-1], axis=0))[0]
    assert_allclose(solution.residuals[others], target[others] - q @ (q.T @ target[others]), atol=1e-9)
    influence = pointwise_influence(design[:, None, :], solution.residuals[:, None])
    assert influence.leverage[lone_row] == pytest.approx(1.0)


@pytest.mark.parametrize("alpha", [0.0, 50.0])
@pytest.mark.parametrize("weighted", [False, True])
def test_fits_that_share_a_design_are_left_out_as_each_by_itself(alpha, weighted):
    design, target = tall_rows()
    design /= 10.0 ** np.arange(6)
    weights = np.random.default_rng(1).uniform(0.5, 2.0, len(design)) if weighted else None
    full = np.column_stack([np.ones(len(design)), design])
    penalty = np.sqrt(alpha) * np.eye(7)[1:]
    solution = solve(full, target, weights, penalty=penalty)
    root = np.ones(len(full)) if weights is None else np.sqrt(weights)
    normal = (full.T * root**2) @ full + penalty.T @ penalty
    assert_allclose(solution.coefficients, np.linalg.solve(normal, (full.T * root**2) @ target), rtol=1e-5)
    both = pointwise_influence(full[:, None, :], solution.residuals[:, None], weights, penalty=penalty)
    each = [
        pointwise_influence(full[:, None, :], column[:, None], weights, penalty=penalty)
        for column in solution.residuals.T
    ]
    assert_allclose(both.leverage, each[0].leverage, rtol=1e-7)
    for column in range(2):
        assert_allclose(
            both.loo_residuals[:, 0, column], each[column].loo_residuals[:, 0], rtol=1e-7, atol=1e-9
        )
    pooled = np.mean([one.deleted_sigma**2 for one in each], axis=0)
    t_squared = sum(one.t_squared * one.deleted_sigma**2 for one in each) / pooled
    assert_allclose(both.studentised**2, t_squared / 2.0, rtol=1e-7)

"""`score_any` against scikit-learn's LeaveOneOut, statsmodels, and what it must refuse."""

from __future__ import annotations

import copy
import pickle
import re
import tracemalloc
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats
from scipy.sparse import csr_array
from sklearn.base import BaseEstimator
from sklearn.compose import ColumnTransformer, TransformedTargetRegressor
from sklearn.cross_decomposition import PLSRegression
from sklearn.decomposition import PCA
from sklearn.ensemble import RandomForestRegressor
from sklearn.linear_model import ElasticNet, HuberRegressor, Lasso, LinearRegression, Ridge, RidgeCV
from sklearn.model_selection import GridSearchCV, LeaveOneOut, cross_val_predict
from sklearn.neighbors import KNeighborsRegressor
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import (
    FunctionTransformer,
    MaxAbsScaler,
    MinMaxScaler,
    PolynomialFeatures,
    RobustScaler,
    StandardScaler,
)
from sklearn.svm import LinearSVR
from sklearn.tree import DecisionTreeRegressor
from statsmodels.api import OLS, WLS, add_constant
from statsmodels.datasets import longley
from statsmodels.stats.outliers_influence import OLSInfluence

from skysample.errors import InputError, SkysampleWarning
from skysample.fitting.linear import pointwise_influence
from skysample.scoring import score as public_score
from skysample.scoring.any_model import score_any
from skysample.scoring.known_linear import known_linear
from skysample.scoring.refitting import checked


def data(n=20, p=3, k=None, seed=0):
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, p)) + 5.0
    signal = X @ rng.normal(size=(p, k or 1)) + 100.0 + rng.normal(size=(n, k or 1))
    return X, signal if k else signal[:, 0]


def left_out(model, X, y):
    predicted = cross_val_predict(model, X, y, cv=LeaveOneOut())
    return np.asarray(y).reshape(len(y), -1) - predicted.reshape(len(y), -1)


# --- linear models in closed form ---------------------------------------------------------------------------


LINEAR = [
    LinearRegression(),
    LinearRegression(fit_intercept=False),
    Ridge(alpha=0.7),
    Ridge(alpha=250.0),
    Ridge(alpha=3.0, fit_intercept=False),
    Ridge(alpha=0.0),
]


@pytest.mark.parametrize("k", [None, 1, 3])
@pytest.mark.parametrize("model", LINEAR, ids=str)
def test_linear_models_equal_leave_one_out_in_closed_form(model, k):
    X, y = data(k=k)
    fitted = copy.deepcopy(model).fit(X, y)
    score = score_any(fitted, X, y)
    assert score.method == "closed form"
    assert_allclose(score.loo_residuals, left_out(model, X, y), rtol=1e-9, atol=1e-10)
    assert_allclose(score.residuals, y.reshape(20, -1) - fitted.predict(X).reshape(20, -1), rtol=1e-12)
    assert_allclose(score.rms, np.sqrt(np.mean(np.sum(score.residuals**2, axis=1))))
    assert_allclose(score.loo_rms, np.sqrt(np.mean(np.sum(score.loo_residuals**2, axis=1))))
    assert score.loo_rms > score.rms


def test_the_closed_form_fits_nothing_again(monkeypatch):
    X, y = data(n=50)
    model = LinearRegression().fit(X, y)
    monkeypatch.setattr(LinearRegression, "fit", lambda *_: pytest.fail("fitted again"))
    assert score_any(model, X, y).method == "closed form"


PIPELINES = [
    make_pipeline(StandardScaler(), LinearRegression()),
    make_pipeline(MinMaxScaler(), PolynomialFeatures(2), LinearRegression()),
    make_pipeline(PolynomialFeatures(2, include_bias=False), RobustScaler(), LinearRegression()),
    make_pipeline(StandardScaler(with_mean=False), MaxAbsScaler(), LinearRegression(fit_intercept=False)),
    make_pipeline(PolynomialFeatures(2), Ridge(alpha=0.1)),
    make_pipeline("passthrough", PolynomialFeatures((2, 2)), LinearRegression()),
]


@pytest.mark.parametrize("k", [None, 2])
@pytest.mark.parametrize("model", PIPELINES, ids=str)
def test_pipelines_that_change_nothing_when_refitted_are_answered_in_closed_form(model, k):
    X, y = data(n=16, p=2, k=k, seed=3)
    score = score_any(copy.deepcopy(model).fit(X, y), X, y)
    assert score.method == "closed form"
    assert_allclose(score.loo_residuals, left_out(model, X, y), rtol=1e-6, atol=1e-8)
    assert np.isfinite(score.studentised).all()


def test_the_terms_of_a_pipeline_are_those_that_its_last_step_sees():
    X, y = data(n=30, p=2)
    frame = pd.DataFrame(X, columns=["alt", "az"])
    model = make_pipeline(PolynomialFeatures(2, include_bias=False), LinearRegression()).fit(frame, y)
    score = score_any(model, frame, y)
    assert list(score.terms["term"]) == ["intercept", "alt", "az", "alt^2", "alt az", "az^2"]
    design = np.column_stack([X, X[:, 0] ** 2, X[:, 0] * X[:, 1], X[:, 1] ** 2])
    fit = OLS(y, add_constant(design)).fit()
    assert_allclose(score.terms["t"], fit.tvalues, rtol=1e-6)
    assert_allclose(score.terms["p"], fit.pvalues, rtol=1e-5)


def test_weights_reach_the_last_step_of_a_pipeline():
    X, y = data(n=18)
    w = np.random.default_rng(1).uniform(0.2, 4.0, 18)
    model = make_pipeline(StandardScaler(), LinearRegression()).fit(X, y, linearregression__sample_weight=w)
    score = score_any(model, X, y, sample_weight=w)
    plain = score_any(LinearRegression().fit(X, y, sample_weight=w), X, y, sample_weight=w)
    assert score.method == "closed form"
    assert_allclose(score.loo_residuals, plain.loo_residuals, rtol=1e-9)
    assert_allclose(score.terms["p"][1:], plain.terms["p"][1:], rtol=1e-7)


@pytest.mark.parametrize("alpha", [0.0, 2.0])
def test_several_blocks_of_rows_are_one_fit(alpha):
    """More rows than a block holds, against the same figures from the design as a whole."""
    X, y = data(n=5000, p=6, k=2)
    w = np.random.default_rng(1).uniform(0.0, 2.0, 5000)
    model = Ridge(alpha=alpha) if alpha else LinearRegression()
    score = score_any(model.fit(X, y, sample_weight=w), X, y, sample_weight=w)
    assert score.method == "closed form"
    design = np.column_stack([np.ones(5000), X])[:, None, :]
    penalty = np.sqrt(alpha) * np.eye(7)[1:] if alpha else None
    whole = [pointwise_influence(design, r[:, None], w, penalty=penalty) for r in score.residuals.T]
    assert_allclose(score.leverage, whole[0].leverage, rtol=1e-9)
    expected = np.column_stack([one.loo_residuals for one in whole])
    assert_allclose(score.loo_residuals, expected, rtol=1e-9, atol=1e-10)
    pooled = np.mean([one.deleted_sigma**2 for one in whole], axis=0)
    t_squared = np.sum([one.t_squared * one.deleted_sigma**2 for one in whole], axis=0) / pooled
    assert_allclose(score.studentised, np.sqrt(t_squared / 2.0), rtol=1e-8)


@pytest.mark.parametrize("model", [LinearRegression(), Ridge(1.0)], ids=str)
def test_columns_far_from_zero_lose_no_digits(model):
    X, y = data(n=14)
    X = np.round(1024.0 * X) / 1024.0 + 1e7
    score = score_any(copy.deepcopy(model).fit(X, y), X, y)
    assert score.method == "closed form"
    near = score_any(copy.deepcopy(model).fit(X - 1e7, y), X - 1e7, y)
    assert_allclose(score.studentised, near.studentised, rtol=1e-10)
    assert_allclose(score.terms["t"][1:], near.terms["t"][1:], rtol=1e-10)


@pytest.mark.parametrize("height", [1e-2, 1e-3, 1e-4, 1e-6])
def test_a_row_that_nearly_alone_determines_a_coefficient_loses_no_digits(height):
    X, y = data(n=14, p=2)
    rng = np.random.default_rng(2)
    X = np.column_stack([X, np.where(np.arange(14) == 4, 1.0, height * rng.normal(size=14))])
    score = score_any(LinearRegression().fit(X, y), X, y)
    assert score.method == "closed form"
    assert_allclose(score.loo_residuals, left_out(LinearRegression(), X, y), rtol=1e-9, atol=1e-10)


def test_memory_stays_within_four_times_the_design():
    X, y = data(n=20_000, p=20)
    model = LinearRegression().fit(X, y)
    score_any(model, X, y)
    tracemalloc.start()
    try:
        score_any(model, X, y)
        assert tracemalloc.get_traced_memory()[1] < 4 * X.nbytes
    finally:
        tracemalloc.stop()


@settings(deadline=None, max_examples=60)
@given(
    n=st.integers(4, 15),
    p=st.integers(1, 5),
    k=st.integers(1, 3),
    alpha=st.sampled_from([0.0, 1e-3, 1.0, 100.0]),
    intercept=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_shape_equals_leave_one_out(*, n, p, k, alpha, intercept, seed):
    assume(n > p + 1 + intercept)
    X, y = data(n, p, k, seed)
    design = np.column_stack([np.ones(n), X - X.mean(axis=0)]) if intercept else X
    assume(all(np.linalg.cond(design[keep]) < 1e3 for keep in ~np.eye(n, dtype=bool)))
    model = (
        Ridge(alpha=alpha, fit_intercept=intercept) if alpha else LinearRegression(fit_intercept=intercept)
    )
    score = score_any(model.fit(X, y), X, y)
    assert score.method == "closed form"
    assert_allclose(score.loo_residuals, left_out(model, X, y), rtol=1e-7, atol=1e-8)


def assert_equals_statsmodels(X, y, rtol):
    score = score_any(LinearRegression().fit(X, y), X, y)
    fit = OLS(y, add_constant(X)).fit()
    reference = OLSInfluence(fit)
    assert score.method == "closed form"
    assert_allclose(score.leverage, reference.hat_matrix_diag, rtol=rtol)
    assert_allclose(score.studentised, np.abs(reference.resid_studentized_external), rtol=rtol)
    assert_allclose(score.cooks_distance, reference.cooks_distance[0], rtol=rtol)
    assert_allclose(score.loo_residuals[:, 0], reference.resid_press, rtol=rtol)
    assert_allclose(score.terms["coefficient"], fit.params, rtol=rtol)
    assert_allclose(score.terms["standard_error"], fit.bse, rtol=rtol)
    assert_allclose(score.terms["t"], fit.tvalues, rtol=rtol)
    assert_allclose(score.terms["p"], fit.pvalues, rtol=rtol, atol=1e-300)


def test_random_data_equals_statsmodels():
    assert_equals_statsmodels(*data(n=30, p=4), rtol=1e-8)


def test_longley_equals_statsmodels():
    table = longley.load()
    assert_equals_statsmodels(np.asarray(table.exog, float), np.asarray(table.endog, float), rtol=1e-6)


def test_the_terms_of_a_data_frame_carry_its_names():
    table = longley.load()
    score = score_any(LinearRegression().fit(table.exog, table.endog), table.exog, table.endog)
    assert score.method == "closed form"
    assert list(score.terms["term"]) == ["intercept", "GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]
    assert list(score.terms["column"]) == [-1, 0, 1, 2, 3, 4, 5]
    # NIST StRD, dataset Longley, as in test_linear_core.py: B6 and its standard deviation.
    assert_allclose(score.terms["coefficient"][-1], 1829.15146461355, rtol=1e-8)
    assert_allclose(score.terms["standard_error"][-1], 455.478499142212, rtol=5e-10)


def test_several_columns_of_y_are_left_out_together_as_one_point():
    X, y = data(n=15, p=2, k=3)
    score = score_any(LinearRegression().fit(X, y), X, y)
    blocks = np.einsum("np,kl->nklp", np.column_stack([np.ones(15), X]), np.eye(3)).reshape(15, 3, 9)
    reference = pointwise_influence(blocks, score.residuals)
    assert_allclose(score.studentised, reference.studentised, rtol=1e-9)
    assert_allclose(score.cooks_distance, reference.cooks_distance, rtol=1e-9)
    assert_allclose(3.0 * score.leverage, reference.leverage, rtol=1e-9)
    assert_allclose(score.loo_residuals, reference.loo_residuals, rtol=1e-9)
    for column in range(3):
        fit = OLS(y[:, column], add_constant(X)).fit()
        assert_allclose(score.terms["coefficient"][:, column], fit.params, rtol=1e-9)
        assert_allclose(score.terms["standard_error"][:, column], fit.bse, rtol=1e-9)
        assert_allclose(score.terms["p"][:, column], fit.pvalues, rtol=1e-7)


def test_studentised_of_two_columns_follows_the_f_that_is_documented():
    rng = np.random.default_rng(404)
    n, p = 6, 3
    X = rng.normal(size=(n, p - 1))
    figures = []
    for noise in rng.normal(size=(500, n, 2)):
        score = score_any(LinearRegression().fit(X, noise), X, noise)
        figures.append(score.studentised[2] ** 2)
    assert stats.kstest(figures, stats.f(2, 2 * (n - p - 1)).cdf).pvalue > 0.05
    assert stats.kstest(figures, stats.chi2(2, scale=0.5).cdf).pvalue < 1e-3


def test_sample_weights_reach_the_closed_form():
    X, y = data(n=18)
    w = np.random.default_rng(1).uniform(0.2, 4.0, 18)
    score = score_any(LinearRegression().fit(X, y, sample_weight=w), X, y, sample_weight=w)
    assert score.method == "closed form"
    keeps = ~np.eye(18, dtype=bool)
    refits = [LinearRegression().fit(X[k], y[k], sample_weight=w[k]) for k in keeps]
    expected = [y[i] - refit.predict(X[i : i + 1])[0] for i, refit in enumerate(refits)]
    assert_allclose(score.loo_residuals[:, 0], expected, rtol=1e-9)
    fit = WLS(y, add_constant(X), weights=w).fit()
    assert_allclose(score.terms["standard_error"], fit.bse, rtol=1e-9)
    whitened = OLS(np.sqrt(w) * y, np.sqrt(w)[:, None] * add_constant(X)).fit()
    assert_allclose(score.leverage, OLSInfluence(whitened).hat_matrix_diag, rtol=1e-9)


def test_sample_weights_reach_the_refits():
    X, y = data(n=12, p=2)
    w = np.r_[np.ones(10), 0.0, 5.0]
    tree = DecisionTreeRegressor(max_depth=2, random_state=0)
    score = score_any(copy.deepcopy(tree).fit(X, y, sample_weight=w), X, y, sample_weight=w)
    assert score.method == "refits"
    keeps = ~np.eye(12, dtype=bool)
    expected = [
        y[i] - copy.deepcopy(tree).fit(X[k], y[k], sample_weight=w[k]).predict(X[i : i + 1])[0]
        for i, k in enumerate(keeps)
    ]
    assert_allclose(score.loo_residuals[:, 0], expected, rtol=1e-12)


def test_a_row_of_weight_zero_is_scored_as_one_never_seen():
    X, y = data(n=12)
    w = np.r_[0.0, np.ones(11)]
    score = score_any(LinearRegression().fit(X, y, sample_weight=w), X, y, sample_weight=w)
    assert score.method == "closed form"
    assert_allclose(score.loo_residuals[0], score.residuals[0], rtol=1e-9)
    assert np.isnan(score.studentised[0])
    alone = score_any(LinearRegression().fit(X[1:], y[1:]), X[1:], y[1:])
    assert_allclose(score.studentised[1:], alone.studentised, rtol=1e-8)
    assert_allclose(score.cooks_distance[1:], alone.cooks_distance, rtol=1e-8)


def test_a_row_that_alone_determines_a_coefficient_gets_the_refitted_model():
    X, y = data(n=10, p=2)
    X = np.column_stack([X, np.arange(10) == 4])
    score = score_any(LinearRegression().fit(X, y), X, y)
    assert score.method == "closed form"
    assert_allclose(score.loo_residuals, left_out(LinearRegression(), X, y), rtol=1e-8)
    assert_allclose(score.leverage[4], 1.0)
    assert np.isnan(score.studentised[4])
    assert np.isinf(score.cooks_distance[4])
    assert np.isfinite(np.delete(score.studentised, 4)).all()


@pytest.mark.parametrize("n", [3, 4, 5])
def test_with_as_few_rows_as_coefficients_the_residuals_still_equal_leave_one_out(n):
    X, y = data(n=n, p=3)
    score = score_any(LinearRegression().fit(X, y), X, y)
    assert_allclose(score.loo_residuals, left_out(LinearRegression(), X, y), rtol=1e-7, atol=1e-9)


def test_a_column_given_twice_has_no_standard_error_and_harms_nothing_else():
    X, y = data(n=15, p=3)
    twice = np.column_stack([X, X[:, 0]])
    score = score_any(LinearRegression().fit(twice, y), twice, y)
    once = score_any(LinearRegression().fit(X, y), X, y)
    assert score.method == "closed form"
    assert_allclose(score.loo_residuals, once.loo_residuals, rtol=1e-9)
    assert_allclose(score.studentised, once.studentised, rtol=1e-9)
    assert_array_equal(np.isnan(score.terms["standard_error"]), [False, True, False, False, True])
    assert_allclose(score.terms["p"][2:4], once.terms["p"][2:4], rtol=1e-8)


def test_standard_errors_of_ridge_are_those_of_the_shrunken_coefficients():
    X, y = data(n=14, p=3)
    alpha = 4.0
    score = score_any(Ridge(alpha=alpha).fit(X, y), X, y)
    design = np.column_stack([np.ones(14), X])
    smoother = np.linalg.solve(design.T @ design + alpha * np.diag([0.0, 1.0, 1.0, 1.0]), design.T)
    hat = design @ smoother
    square = np.sum(score.residuals**2) / (14 - np.trace(hat))
    assert_allclose(score.leverage, np.diag(hat), rtol=1e-9)
    expected = np.sqrt(square * np.diag(smoother @ smoother.T))
    assert_allclose(score.terms["standard_error"], expected, rtol=1e-8)


def test_predictions_far_from_zero_do_not_pass_for_agreement():
    """The spread of y, not its size, is what the closed form must reproduce: here 1e-3 on 2.5 million."""
    rng = np.random.default_rng(6)
    X = rng.normal(size=(15, 2))
    y = 2.5e6 + 1e-3 * (X @ [1.0, 2.0] + rng.normal(size=15))
    model = RidgeCV(alphas=[5.0]).fit(X, y)
    score = score_any(model, X, y)
    assert score.method == "refits"
    assert_allclose(score.loo_residuals, left_out(model, X, y), atol=1e-8)


# --- everything else by refits ------------------------------------------------------------------------------


def _from_the_first(X):
    return X - X[:1]


def _name(model):
    """Without the addresses that differ from process to process."""
    return re.sub(r" at 0x[0-9a-f]+", "", str(model))


OTHERS = [
    KNeighborsRegressor(n_neighbors=3),
    DecisionTreeRegressor(max_depth=3, random_state=0),
    Lasso(alpha=0.5),
    RidgeCV(alphas=[0.01, 1.0, 100.0]),
    ElasticNet(alpha=0.5, l1_ratio=0.3),
    TransformedTargetRegressor(LinearRegression(), transformer=StandardScaler()),
    # Scales and shifts that are learnt from the rows, and are not undone by the coefficients.
    make_pipeline(StandardScaler(), Ridge(alpha=1.0)),
    make_pipeline(StandardScaler(), LinearRegression(fit_intercept=False)),
    make_pipeline(MinMaxScaler(clip=True), LinearRegression()),
    make_pipeline(StandardScaler(), PolynomialFeatures((2, 2)), LinearRegression()),
    make_pipeline(FunctionTransformer(_from_the_first), LinearRegression()),
    make_pipeline(PCA(1), LinearRegression()),
    GridSearchCV(Ridge(), {"alpha": [0.01, 10.0]}, cv=3),
]


@pytest.mark.parametrize("k", [None, 2])
@pytest.mark.parametrize("model", OTHERS, ids=_name)
def test_other_models_equal_leave_one_out_by_refits(model, k):
    X, y = data(n=14, p=2, k=k, seed=3)
    score = score_any(copy.deepcopy(model).fit(X, y), X, y)
    assert score.method == "refits"
    assert_allclose(score.loo_residuals, left_out(model, X, y), rtol=1e-12, atol=1e-12)
    assert np.isnan(score.leverage).all()
    assert np.isfinite(score.studentised).all()
    assert (score.cooks_distance >= 0.0).all()


@pytest.mark.parametrize("model", [HuberRegressor(), LinearSVR(random_state=0, max_iter=100_000)], ids=str)
def test_a_robust_fit_with_coefficients_is_not_taken_for_least_squares(model):
    rng = np.random.default_rng(12)
    X = rng.normal(size=(10, 2))
    y = X @ [1.0, -1.0] + rng.normal(size=10)
    y[3] += 40.0
    score = score_any(copy.deepcopy(model).fit(X, y), X, y)
    assert score.method == "refits"
    assert_allclose(score.loo_residuals, left_out(model, X, y), rtol=1e-12)


@pytest.mark.parametrize("seed", [4, 27, 42])
def test_bounds_that_bind_only_in_a_refit_are_met(seed):
    """In this data the bound binds without some row, but not without the one that moves the fit most."""
    rng = np.random.default_rng(seed)
    X, y = rng.normal(size=(12, 1)), rng.normal(size=12)
    plain, bounded = LinearRegression().fit(X, y), LinearRegression(positive=True).fit(X, y)
    assert_allclose(bounded.coef_, plain.coef_)
    score = score_any(bounded, X, y)
    assert_allclose(score.loo_residuals, left_out(LinearRegression(positive=True), X, y), rtol=1e-12)
    closed = score_any(plain, X, y)
    most = np.argmax(closed.cooks_distance)
    assert_allclose(score.loo_residuals[most], closed.loo_residuals[most], rtol=1e-9)
    assert np.max(np.abs(score.loo_residuals - closed.loo_residuals)) > 1e-3


def test_a_model_that_agrees_with_least_squares_but_is_fitted_otherwise_is_refitted():
    class TrimmedWhenCrowded(LinearRegression):
        """Least squares on all rows, but on the first ten only if there are fewer than twenty."""

        def fit(self, X, y):
            return super().fit(X, y) if len(X) == 20 else super().fit(X[:10], y[:10])

    X, y = data()
    score = score_any(TrimmedWhenCrowded().fit(X, y), X, y)
    assert score.method == "refits"
    assert_allclose(score.loo_residuals, left_out(TrimmedWhenCrowded(), X, y), rtol=1e-12)


@pytest.mark.parametrize("solver", ["lsqr", "sag", "lbfgs"])
def test_a_solver_that_stops_at_a_tolerance_is_asked_for_every_row(solver):
    X, y = data(n=14)
    model = Ridge(alpha=1.0, solver=solver, tol=1e-3, random_state=0, positive=solver == "lbfgs")
    score = score_any(copy.deepcopy(model).fit(X, y), X, y)
    assert score.method == "refits"
    assert_allclose(score.loo_residuals, left_out(model, X, y), rtol=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_a_penalty_chosen_from_the_data_is_not_taken_for_ridge(seed):
    """It is stored where ridge has its own, and mostly the same without a row; where it is not, that shows."""

    class ChoosesItsPenalty(Ridge):
        def fit(self, X, y):
            self.alpha = RidgeCV(alphas=[0.1, 3.0]).fit(X, y).alpha_
            return super().fit(X, y)

    rng = np.random.default_rng(seed)
    X, y = rng.normal(size=(15, 3)), rng.normal(size=15)
    model = ChoosesItsPenalty().fit(X, y)
    score = score_any(model, X, y)
    assert score.method == "refits"
    assert_allclose(score.loo_residuals, left_out(ChoosesItsPenalty(), X, y), rtol=1e-12)


def test_a_model_of_another_make_is_known_for_linear_once_every_refit_says_so():
    class HomeMade:
        def fit(self, X, y):
            answer = np.linalg.lstsq(np.column_stack([np.ones(len(X)), X]), y)[0]
            self.intercept_, self.coef_ = answer[0], answer[1:]

        def predict(self, X):
            return X @ self.coef_ + self.intercept_

    X, y = data(n=20)
    model = HomeMade()
    model.fit(X, y)
    score, known = score_any(model, X, y), score_any(LinearRegression().fit(X, y), X, y)
    assert (score.method, known.method) == ("refits", "closed form")
    for name in ("loo_residuals", "leverage", "studentised", "cooks_distance"):
        assert_allclose(getattr(score, name), getattr(known, name), rtol=1e-9, atol=1e-10)
    assert_allclose(score.terms["p"], known.terms["p"], rtol=1e-7)


def test_a_changed_method_makes_another_model():
    """The class says least squares; what this one does to fewer rows is its own."""
    X, y = data(n=12)
    model = LinearRegression().fit(X, y)
    model.__dict__["fit"] = lambda X, y: LinearRegression.fit(model, X, y)
    assert known_linear(model, checked(model, X, y, None), y[:, None] - model.predict(X)[:, None]) is None


def test_single_precision_stays_single_in_the_refits():
    X, y = data(n=14)
    X, y = X.astype(np.float32), y.astype(np.float32)
    model = LinearRegression()
    score = score_any(copy.deepcopy(model).fit(X, y), X, y)
    assert_allclose(score.loo_residuals, left_out(model, X, y), rtol=1e-6)


@pytest.mark.parametrize("model", [LinearRegression(), Ridge(2.0, solver="sparse_cg"), Lasso(0.1)], ids=str)
def test_sparse_rows_are_left_out_as_sparse_rows(model):
    X, y = data(n=14)
    X = csr_array(np.where(X > 5.0, X, 0.0))
    score = score_any(copy.deepcopy(model).fit(X, y), X, y)
    assert score.method == "refits"
    assert_allclose(score.loo_residuals, left_out(model, X, y), rtol=1e-12)


def test_partial_least_squares_is_not_taken_for_least_squares():
    X, y = data(n=14, p=4)
    score = score_any(PLSRegression(2).fit(X, y), X, y)
    assert score.method == "refits"
    assert_allclose(score.loo_residuals, left_out(PLSRegression(2), X, y), rtol=1e-10)
    assert np.isnan(score.leverage).all()


def test_a_model_fitted_with_weights_that_are_not_given_is_refused():
    X, y = data(n=12)
    w = np.random.default_rng(1).uniform(0.2, 4.0, 12)
    for model in (LinearRegression(), DecisionTreeRegressor(max_depth=2, random_state=0)):
        fitted = model.fit(X, y, sample_weight=w)
        with pytest.raises(InputError, match="sample_weight it was fitted to"):
            score_any(fitted, X, y)
        assert np.isfinite(score_any(fitted, X, y, sample_weight=w).loo_rms)


def test_a_model_fitted_to_other_rows_or_altered_since_is_refused():
    X, y = data(n=12)
    halves = LinearRegression().fit(X[:6], y[:6])
    altered = Ridge(1.0).fit(X, y).set_params(alpha=5.0)
    for model in (halves, altered):
        with pytest.raises(InputError, match="refitting these rows does not reproduce the model"):
            score_any(model, X, y)


def test_a_fit_that_goes_on_from_the_last_one_is_refused():
    class RunningMean:
        total, count = 0.0, 0

        def fit(self, _X, y):
            self.total, self.count = self.total + np.sum(y), self.count + len(y)

        def predict(self, X):
            return np.full(len(X), self.total / self.count)

    X, y = data(n=9)
    model = RunningMean()
    model.fit(X[:3], y[:3])
    with pytest.raises(InputError, match="refitting these rows does not reproduce the model"):
        score_any(model, X, y)


@pytest.mark.parametrize("seed", [None, np.random.RandomState(3)], ids=["no seed", "a generator"])
def test_a_random_model_is_scored_with_a_warning_that_says_so(seed):
    X, y = data(n=12)
    model = RandomForestRegressor(3, random_state=seed).fit(X, y)
    with pytest.warns(SkysampleWarning, match="fixed seed"):
        score = score_any(model, X, y)
    assert score.method == "refits"


def test_a_model_whose_parameters_do_not_say_all_is_copied_whole():
    class Held(BaseEstimator):
        """Keeps its penalty where `get_params` does not see it."""

        hidden = 0.1

        def fit(self, X, y):
            self.inner = Lasso(self.hidden).fit(X, y)
            return self

        def predict(self, X):
            return self.inner.predict(X)

    X, y = data(n=12)
    model = Held()
    model.hidden = 0.7
    score = score_any(model.fit(X, y), X, y)
    assert_allclose(score.loo_residuals, left_out(Lasso(0.7), X, y), rtol=1e-12)


@pytest.mark.parametrize("model", [KNeighborsRegressor(2), Lasso(0.5)], ids=str)
def test_an_executor_gives_the_same_score(model):
    X, y = data(n=70, p=2, k=2)
    fitted = model.fit(X, y)
    here = score_any(fitted, X, y)
    with ThreadPoolExecutor(2) as pool:
        there = score_any(fitted, X, y, executor=pool)
    for name in ("loo_residuals", "cooks_distance", "studentised"):
        assert_array_equal(getattr(there, name), getattr(here, name))
    assert_array_equal(there.terms["loss"], here.terms["loss"])


def test_other_processes_can_do_the_refits():
    X, y = data(n=6, p=2)
    model = KNeighborsRegressor(2).fit(X, y)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        there = public_score(model, X, y, executor=pool)
    assert_array_equal(there.loo_residuals, score_any(model, X, y).loo_residuals)


def test_an_error_in_a_refit_elsewhere_still_names_its_row():
    X, y = data(n=6, p=2)
    with ThreadPoolExecutor(1) as pool, pytest.raises(InputError, match="row 1") as caught:
        score_any(KNeighborsRegressor(6).fit(X, y), X, y, executor=pool)
    assert caught.value.row == 1
    assert pickle.loads(pickle.dumps(caught.value)).row == 1  # noqa: S301 - our own bytes


def test_figures_by_refits_mean_what_the_closed_form_means():
    """The same fit both ways: Cook's distances differ by one factor, studentised residuals rank alike."""
    X, y = data(n=40, p=2, seed=8)
    closed = score_any(LinearRegression().fit(X, y), X, y)
    model = make_pipeline(FunctionTransformer(), LinearRegression()).fit(X, y)
    refits = score_any(model, X, y)
    assert (closed.method, refits.method) == ("closed form", "refits")
    assert_allclose(refits.loo_residuals, closed.loo_residuals, rtol=1e-9)
    square = np.sum(closed.residuals**2) / (40 - 3)
    assert_allclose(refits.cooks_distance * refits.loo_rms**2, closed.cooks_distance * square, rtol=1e-8)
    assert_allclose(refits.studentised, closed.studentised, rtol=0.2)


def test_the_terms_of_other_models_say_what_each_column_is_worth():
    rng = np.random.default_rng(9)
    X = rng.uniform(-1.0, 1.0, size=(40, 2))
    y = np.sign(X[:, 1])
    tree = DecisionTreeRegressor(max_depth=1, random_state=0)
    score = score_any(copy.deepcopy(tree).fit(X, y), X, y)
    assert list(score.terms["term"]) == ["x0", "x1"]
    expected = [np.sqrt(np.mean(left_out(tree, X[:, [j]], y) ** 2)) for j in (1, 0)]
    assert_allclose(score.terms["loo_rms_without"], expected, rtol=1e-12)
    assert_allclose(score.terms["loss"], score.terms["loo_rms_without"] - score.loo_rms)
    assert abs(score.terms["loss"][0]) < 0.1 < score.terms["loss"][1]


def test_without_its_only_column_a_model_is_the_mean_of_the_others():
    X, y = data(n=10, p=1)
    score = score_any(KNeighborsRegressor(2).fit(X, y), X, y)
    means = np.array([np.delete(y, i).mean() for i in range(10)])
    assert_allclose(score.terms["loo_rms_without"], [np.sqrt(np.mean((y - means) ** 2))])


def test_a_model_that_reads_a_frames_columns_by_name_is_refitted_on_frames():
    X, y = data(n=12, p=2)
    frame = pd.DataFrame(X, columns=["alt", "az"], index=np.arange(12) * 7)
    model = make_pipeline(ColumnTransformer([("scaled", StandardScaler(), ["az"])]), KNeighborsRegressor(2))
    target = pd.Series(y, index=frame.index)
    score = score_any(copy.deepcopy(model).fit(frame, target), frame, target)
    assert_allclose(score.loo_residuals, left_out(model, frame, target), rtol=1e-12)
    assert list(score.terms["term"]) == ["alt", "az"]
    assert_allclose(score.terms["loss"][0], 0.0, atol=1e-12)
    assert np.isnan(score.terms["loss"][1])


def test_a_warm_start_does_not_carry_the_left_out_row_into_the_refit():
    X, y = data(n=8, p=2)
    forest = make_pipeline(StandardScaler(), RandomForestRegressor(5, random_state=0, warm_start=True))
    score = score_any(forest.fit(X, y), X, y)
    cold = make_pipeline(StandardScaler(), RandomForestRegressor(5, random_state=0))
    assert_allclose(score.loo_residuals, left_out(cold, X, y), rtol=1e-12)


def test_a_home_made_model_needs_nothing_but_fit_and_predict():
    class Median:
        def fit(self, X, y):
            self.value = np.median(y)
            self.rows = len(X)

        def predict(self, X):
            return np.full(len(X), self.value)

    X, y = data(n=9)
    model = Median()
    model.fit(X.tolist(), y.tolist())
    score = score_any(model, X.tolist(), y.tolist())
    expected = [y[i] - np.median(np.delete(y, i)) for i in range(9)]
    assert_allclose(score.loo_residuals[:, 0], expected, rtol=1e-12)
    assert model.rows == 9


def test_the_model_and_the_data_are_left_as_they_were():
    X, y = data()
    model = KNeighborsRegressor(3).fit(X, y)
    before, X_before, y_before = model.predict(X), X.copy(), y.copy()
    score = score_any(model, X, y)
    assert_array_equal(model.predict(X), before)
    assert_array_equal(X, X_before)
    assert_array_equal(y, y_before)
    X[0] = y[0] = 0.0
    with pytest.raises(ValueError, match="read-only"):
        score.loo_residuals[0] = 0.0


# --- what is refused ----------------------------------------------------------------------------------------


class NoPredict:
    def fit(self, X, y):
        """Do nothing."""


class PredictsNan(NoPredict):
    def predict(self, X):
        return np.full(len(X), np.nan)


GOOD_X, GOOD_Y = data(n=6, p=2)
HOLED_X = np.where(np.arange(12).reshape(6, 2) == 5, np.nan, GOOD_X)
FITTED = LinearRegression().fit(GOOD_X, GOOD_Y)

REFUSED = {
    "no predict": (NoPredict(), GOOD_X, GOOD_Y, None, "model", "fit"),
    "a class": (LinearRegression, GOOD_X, GOOD_Y, None, "model", "fitted"),
    "not fitted": (LinearRegression(), GOOD_X, GOOD_Y, None, "model", "not fitted"),
    "other columns": (FITTED, GOOD_X[:, :1], GOOD_Y, None, "model", "cannot predict"),
    "predicts nan": (PredictsNan(), GOOD_X, GOOD_Y, None, "model", "finite"),
    "other y": (FITTED, GOOD_X, np.column_stack([GOOD_Y, GOOD_Y]), None, "model", "shape"),
    "flat X": (FITTED, GOOD_X[:, 0], GOOD_Y, None, "X", "columns"),
    "nan in X": (FITTED, HOLED_X, GOOD_Y, None, "X", "row 3"),
    "text in X": (FITTED, [["a", "b"]] * 6, GOOD_Y, None, "X", "numbers"),
    "ragged X": (FITTED, [[1.0], [1.0, 2.0]], GOOD_Y, None, "X", "numbers"),
    "complex X": (FITTED, GOOD_X + 1j, GOOD_Y, None, "X", "numbers"),
    "masked X": (FITTED, np.ma.masked_greater(GOOD_X, 5.0), GOOD_Y, None, "X", "masked"),
    "two rows": (FITTED, GOOD_X[:2], GOOD_Y[:2], None, "X", "3 rows"),
    "short y": (FITTED, GOOD_X, GOOD_Y[:5], None, "y", "6 rows"),
    "inf in y": (FITTED, GOOD_X, np.r_[GOOD_Y[:5], np.inf], None, "y", "row 6"),
    "no y": (FITTED, GOOD_X, None, None, "y", "not NoneType"),
    "short weights": (FITTED, GOOD_X, GOOD_Y, np.ones(5), "sample_weight", "6 numbers"),
    "negative weights": (FITTED, GOOD_X, GOOD_Y, -np.ones(6), "sample_weight", ">= 0"),
    "useless weights": (FITTED, GOOD_X, GOOD_Y, np.r_[1.0, 1.0, np.zeros(4)], "sample_weight", "at least 3"),
    "weights not taken": (
        KNeighborsRegressor(2).fit(GOOD_X, GOOD_Y),
        GOOD_X,
        GOOD_Y,
        np.ones(6),
        "sample_weight",
        "KNeighborsRegressor takes none",
    ),
    "all rows needed": (
        KNeighborsRegressor(6).fit(GOOD_X, GOOD_Y),
        GOOD_X,
        GOOD_Y,
        None,
        "model",
        "row 1: model cannot be fitted without this row",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_bad_input_is_one_sentence_that_names_the_parameter(case):
    model, X, y, weights, key, words = REFUSED[case]
    with pytest.raises(InputError) as caught:
        score_any(model, X, y, sample_weight=weights)
    assert caught.value.key == key
    assert key in str(caught.value)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)

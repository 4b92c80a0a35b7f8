"""`score(model, X, y)`: against scikit-learn's LeaveOneOut and statsmodels, and its time and memory beside theirs."""

from __future__ import annotations

import statistics
import time
import tracemalloc
from typing import TYPE_CHECKING, Any

import numpy as np
from figures import Figures, progress, reduced_run
from sklearn.linear_model import HuberRegressor, Lasso, LinearRegression, Ridge, RidgeCV
from sklearn.model_selection import LeaveOneOut, cross_val_predict
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import PolynomialFeatures, StandardScaler
from statsmodels.api import OLS, add_constant
from statsmodels.stats.outliers_influence import OLSInfluence

import skysample as ss

if TYPE_CHECKING:
    from collections.abc import Callable

COLUMNS = 20


def regression(rows: int, columns: int, targets: int | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Far from zero, as real regressors are; noise 1."""
    rng = np.random.default_rng([rows, columns])
    X = rng.normal(size=(rows, columns)) + 5.0
    y = X @ rng.normal(size=(columns, targets or 1)) + rng.normal(size=(rows, targets or 1))
    return X, y if targets else y[:, 0]


def seconds(work: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def worst(found: np.ndarray, expected: np.ndarray) -> float:
    """Largest difference over the RMS of what is expected."""
    return float(np.max(np.abs(found - expected)) / np.sqrt(np.mean(np.square(expected))))


def against_leave_one_out(figures: Figures) -> None:
    models = [
        LinearRegression(),
        LinearRegression(fit_intercept=False),
        Ridge(alpha=3.0),
        make_pipeline(StandardScaler(), LinearRegression()),
        make_pipeline(PolynomialFeatures(2), Ridge(alpha=0.1)),
        make_pipeline(StandardScaler(), Ridge(alpha=3.0)),
        RidgeCV(alphas=[0.1, 3.0]),
        Lasso(alpha=0.1),
        HuberRegressor(max_iter=1000),
    ]
    for model in models:
        X, y = regression(60, 4, targets=None if isinstance(model, HuberRegressor) else 2)
        predicted = cross_val_predict(model, X, y, cv=LeaveOneOut())
        score = ss.score(model.fit(X, y), X, y)
        name = " + ".join(str(step) for _, step in model.steps) if hasattr(model, "steps") else str(model)
        apart = worst(score.loo_residuals, (y - predicted).reshape(60, -1))
        figures.at_most(f"LeaveOneOut, {name}, {score.method}: relative", apart, 1e-9)


def against_statsmodels(figures: Figures, rows: int, times: int) -> None:
    X, y = regression(rows, COLUMNS)
    model = LinearRegression().fit(X, y)
    fit = OLS(y, add_constant(X)).fit()
    theirs, score = OLSInfluence(fit), ss.score(model, X, y)
    begun = time.perf_counter()
    external = np.abs(theirs.resid_studentized_external)
    their_seconds = time.perf_counter() - begun
    for what, found, expected in (
        ("studentised", score.studentised, external),
        ("leverage", score.leverage, theirs.hat_matrix_diag),
        ("Cook's distance", score.cooks_distance, theirs.cooks_distance[0]),
        ("left-out residual", score.loo_residuals[:, 0], theirs.resid_press),
        ("t of the terms", np.asarray(score.terms["t"]), fit.tvalues),
    ):
        figures.at_most(f"statsmodels, {rows} x {COLUMNS}: {what}, relative", worst(found, expected), 1e-9)
    ours = statistics.median(seconds(lambda: ss.score(model, X, y)) for _ in range(times))
    figures.measured(f"score, {rows} x {COLUMNS}, median of {times}", 1000.0 * ours, "ms")
    figures.measured(
        "statsmodels' externally studentised residuals of the same, once", 1000.0 * their_seconds, "ms"
    )
    figures.at_least("their time over that of the whole score", their_seconds / ours, 100.0)


def against_qr(figures: Figures, rows: int, times: int) -> None:
    for targets, make in ((None, LinearRegression), (2, LinearRegression), (None, Ridge)):
        X, y = regression(rows, COLUMNS, targets)
        model = make().fit(X, y)
        assert ss.score(model, X, y).method == "closed form"
        pairs = [
            (seconds(lambda: np.linalg.qr(X, mode="r")), seconds(lambda: ss.score(model, X, y)))  # noqa: B023
            for _ in range(times)
        ]
        qr, ours = (statistics.median(column) for column in zip(*pairs, strict=True))
        what = f"{rows} x {COLUMNS}, {targets or 1} y, {make.__name__}"
        figures.measured(f"{what}: numpy's R-only QR of X, median of {times}", 1000.0 * qr, "ms")
        figures.measured(f"{what}: score, median of {times}", 1000.0 * ours, "ms")
        figures.at_most(f"{what}: score over QR", ours / qr, 2.0)
        tracemalloc.start()
        ss.score(model, X, y)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        figures.at_most(f"{what}: peak memory over that of X, the answer included", peak / X.nbytes, 4.0)
        progress(f"{what} done")


def main() -> None:
    quick = reduced_run(__doc__)
    figures = Figures("Score of any model")
    against_leave_one_out(figures)
    progress("LeaveOneOut done")
    against_statsmodels(figures, 200 if quick else 1_000, 5 if quick else 21)
    progress("statsmodels done")
    against_qr(figures, 20_000 if quick else 100_000, 5 if quick else 11)
    figures.show()


if __name__ == "__main__":
    main()

"""Leave-one-out in closed form against refits, and the linear core against NIST and statsmodels."""

from __future__ import annotations

import numpy as np
from astropy import units as u
from figures import Figures, progress, reduced_run
from nights import CELLS, random_night
from statsmodels.api import OLS
from statsmodels.datasets import longley
from statsmodels.stats.outliers_influence import OLSInfluence

import skysample as ss
from skysample.fitting.linear import pointwise_influence, solve

# NIST Statistical Reference Datasets, Linear Regression, dataset "Longley" (higher level of difficulty):
# certified estimates, their standard deviations, and the residual standard deviation.
# https://www.itl.nist.gov/div898/strd/lls/data/Longley.shtml
COEFFICIENTS = [-3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683]
COEFFICIENTS += [-1.03322686717359, -0.511041056535807e-01, 1829.15146461355]
STANDARD_ERRORS = [890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699]
STANDARD_ERRORS += [0.214274163161675, 0.226073200069370, 455.478499142212]
RESIDUAL_SD = 304.854073561965


def pointing_model(kind: str, hemisphere: str, points: int, seed: int) -> list[float]:
    """How far left-out residuals are from refits, at the worst point.

    The closed form from those of the linearised problem, what `score` gives from those of the nonlinear one, and what
    the closed form alone would give for that.
    """
    rng = np.random.default_rng([seed, points, CELLS.index((kind, hemisphere))])
    night = random_night(kind, hemisphere, points, rng)
    run, site = night.run, night.site
    model = ss.fit(run, site, reject=False)
    design = model.design(run.axes)
    residuals = model.function.residuals(model.predict(run.axes), run.directions)
    closed = pointwise_influence(design, residuals).loo_residuals
    scored = ss.score(model, run).loo_residuals.to_value(u.rad)
    linear, nonlinear = np.zeros_like(closed), np.zeros_like(closed)
    for point in range(points):
        others = np.arange(points) != point
        rows = design[others].reshape(-1, design.shape[-1])
        scale = np.linalg.norm(rows, axis=0)
        step = np.linalg.lstsq(rows / scale, residuals[others].ravel(), rcond=None)[0] / scale
        linear[point] = residuals[point] - design[point] @ step
        again = ss.fit(run.subset(others), site, reject=False)
        predicted = again.predict(run.axes[[point]])
        nonlinear[point] = again.function.residuals(predicted, run.directions[[point]])[0]
    return [
        worst_apart(closed, linear),
        worst_apart(scored, nonlinear),
        worst_apart(closed, nonlinear),
    ]


def worst_apart(found: np.ndarray, expected: np.ndarray) -> float:
    return float(np.max(np.linalg.norm(found - expected, axis=1) / np.linalg.norm(expected, axis=1)))


def digits(found: np.ndarray, expected: np.ndarray) -> float:
    """Decimal digits that agree, in the worst figure."""
    relative = np.abs(np.asarray(found) - expected) / np.abs(expected)
    return float(-np.log10(max(relative.max(), 1e-16)))


def longley_data() -> tuple[np.ndarray, np.ndarray]:
    data = longley.load()
    regressors = np.asarray(data.exog, float)
    return np.column_stack([np.ones(len(regressors)), regressors]), np.asarray(data.endog, float)


def compare_with_nist(figures: Figures) -> None:
    solution = solve(*longley_data())
    figures.at_least("NIST Longley: coefficients", digits(solution.coefficients, COEFFICIENTS), 10, "digits")
    figures.at_least(
        "NIST Longley: standard errors", digits(solution.standard_errors, STANDARD_ERRORS), 10, "digits"
    )
    figures.at_least("NIST Longley: residual deviation", digits(solution.sigma, [RESIDUAL_SD]), 10, "digits")


def compare_with_statsmodels(figures: Figures) -> None:
    """Influence of every year of Longley; the bound is that of the closed form."""
    design, target = longley_data()
    theirs = OLSInfluence(OLS(target, design).fit())
    ours = pointwise_influence(design[:, None, :], solve(design, target).residuals[:, None])
    for what, found, expected in (
        ("leverage", ours.leverage, theirs.hat_matrix_diag),
        ("studentised", ours.studentised, np.abs(theirs.resid_studentized_external)),
        ("Cook's distance", ours.cooks_distance, theirs.cooks_distance[0]),
        ("left-out residual", ours.loo_residuals[:, 0], theirs.resid_press),
    ):
        relative = float(np.max(np.abs(found - expected) / np.abs(expected)))
        figures.at_most(f"statsmodels, Longley: {what}, relative", relative, 1e-6)


def main() -> None:
    quick = reduced_run(__doc__)
    figures = Figures(
        "Leave-one-out: closed form against refits; worst point, relative to its left-out residual"
    )
    for points in (10, 30) if quick else (10, 15, 30, 31, 60, 100):
        seeds = range(1 if quick else 300 // points)
        nights = [pointing_model(*cell, points, seed) for cell in CELLS for seed in seeds]
        linear, nonlinear, uncurved = np.max(nights, axis=0).tolist()
        what = f"{points} points, {len(nights)} nights"
        figures.at_most(f"{what}: closed form, linearised refits", linear, 1e-6)
        figures.at_most(f"{what}: score, nonlinear refits", nonlinear, 1e-4)
        figures.measured(f"{what}: closed form, nonlinear refits", uncurved)
        progress(f"{points} points done")
    compare_with_nist(figures)
    compare_with_statsmodels(figures)
    figures.show()


if __name__ == "__main__":
    main()

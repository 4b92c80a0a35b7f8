"""Which models are least squares or ridge, whatever the data: by what they are, not by how they behave on one set.

A model that agrees with least squares on all rows may differ without one of them: bounds that bind, penalties chosen
from the data, outliers cut off. So the closed form is for classes of scikit-learn whose every fit is known, with
parameters that are known; a subclass or a changed method is another model.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.fitting.linear import pointwise_influence, solve
from skysample.fitting.scaled_design import EPS
from skysample.scoring.refitting import FAILURES

if TYPE_CHECKING:
    from skysample.fitting.linear import Influence
    from skysample.geometry import Array
    from skysample.scoring.refitting import TrainingData

_TOLERANCE = 1e-8

_PARAMETERS = {
    "LinearRegression": {"copy_X", "fit_intercept", "n_jobs", "positive", "tol"},
    "Ridge": {"alpha", "copy_X", "fit_intercept", "max_iter", "positive", "random_state", "solver", "tol"},
}
_DIRECT_SOLVERS = {"auto", "cholesky", "svd"}
"""Of Ridge: the others stop at a tolerance. On dense data `auto` is one of these."""

_SHIFTED_BY = {"StandardScaler": "with_mean", "RobustScaler": "with_centering"}


@dataclass(frozen=True, eq=False)
class Linear:
    """A model as the least-squares problem that it solves, and the answer; n rows, p coefficients, k columns of y.

    Attributes
    ----------
    names : tuple of str
        Of the coefficients, the intercept first.
    coefficients : ndarray, shape (p, k)
        The model's own.
    standard_errors : ndarray, shape (p, k)
        nan where not determined. With a penalty those of the shrunken coefficients.
    dof : float
        Degrees of freedom of each column: rows of positive weight less the trace of the hat matrix.
    intercept : bool
    influence : Influence
        Of each row, with all its columns.
    fitted_residuals : ndarray, shape (n, k)
        y minus what the model's own coefficients predict.
    tolerance : ndarray, shape (k,)
        Of a residual.
    """

    names: tuple[str, ...]
    coefficients: Array
    standard_errors: Array
    dof: float
    intercept: bool
    influence: Influence
    fitted_residuals: Array
    tolerance: Array

    @property
    def loo_residuals(self) -> Array:
        """Left-out residuals in closed form, shape (n, k)."""
        return self.influence.loo_residuals[:, 0]

    def agrees(self, left_out: Array) -> bool:
        """Whether residuals of actual refits (n, k) are those of the closed form, rows that it can tell."""
        apart = np.abs(left_out - self.loo_residuals) * (1.0 - self.influence.leverage[:, None])
        return not np.any(apart > self.tolerance)


def known_linear(model: Any, data: TrainingData, residuals: Array) -> Linear | None:
    """Recognise a model whose every fit is least squares or ridge.

    Parameters
    ----------
    model : object
    data : TrainingData
    residuals : ndarray, shape (n, k)
        Of the model. Least squares must reproduce them to rounding: else the model was fitted to something else, or
        its rounding is worse than ours.

    Returns
    -------
    Linear or None
    """
    steps = [step for _, step in model.steps] if _is(model, "pipeline", "Pipeline") else [model]
    *transformers, last = [step for step in steps if not (step is None or isinstance(step, str))] or [None]
    alpha = _known_alpha(last)
    if alpha is None or data.table is None:
        return None
    intercept = bool(last.fit_intercept)
    if not _same_span(transformers, scaled=alpha == 0.0, shifted=alpha == 0.0 and intercept):
        return None
    regressors, names = data.X, np.array(data.names, object)
    for transformer in transformers:
        regressors = transformer.transform(regressors)
        if _is(transformer, "preprocessing", "PolynomialFeatures"):
            names = transformer.get_feature_names_out(names)
    if transformers:
        data = replace(data, table=np.asarray(regressors, float), names=tuple(map(str, names)))
    return _solved(last, data, residuals, alpha, intercept=intercept)


def seemingly_linear(model: Any, data: TrainingData, residuals: Array) -> Linear | None:
    """Find the least squares or ridge that a model of an unknown class agrees with on all rows.

    It goes by what the model carries (`coef_`, `intercept_`, `fit_intercept`, `alpha`). What it says of left-out rows
    has yet to be proved, by refitting without each.
    """
    alpha = getattr(model, "alpha", 0.0)
    if hasattr(model, "steps") or not _is_penalty(alpha):
        return None
    intercept = bool(getattr(model, "fit_intercept", True))
    try:
        linear = _solved(model, data, residuals, float(alpha), intercept=intercept)
    except FAILURES:
        return None
    agrees = linear is not None and np.all(np.abs(linear.fitted_residuals - residuals) <= linear.tolerance)
    return linear if agrees else None


def _solved(
    model: Any, data: TrainingData, residuals: Array, alpha: float, *, intercept: bool
) -> Linear | None:
    """Least squares, if it reproduces the model's residuals and has its coefficients."""
    table, target, weights = data.table, data.target, data.weights
    if table is None:
        return None
    (n, k), slopes, first = target.shape, table.shape[1], int(intercept)
    constants = np.size(getattr(model, "intercept_", ()))
    if np.size(getattr(model, "coef_", ())) != k * slopes or constants not in {1, k}:
        return None
    penalty = np.sqrt(alpha) * np.eye(first + slopes)[first:] if alpha > 0.0 else None
    # Counted from their means, columns far from zero are not nearly that of ones.
    origin = np.ones(n) @ table / n if intercept else np.zeros(slopes)
    design = _with_constant(table, origin) if intercept else table
    fit = solve(design, target, weights, penalty=penalty)
    if intercept and fit.scaled.rank < design.shape[1]:
        # Which coefficients are not determined hangs on what the intercept is counted from.
        origin = np.zeros(slopes)
        design = _with_constant(table, origin)
        fit = solve(design, target, weights, penalty=penalty)
    # With an intercept the size of y says nothing about how closely it is fitted, only about rounding.
    spread = target - np.mean(target, axis=0) if intercept else target
    rounding = 64.0 * EPS * np.max(np.abs(target), axis=0)
    tolerance = _TOLERANCE * np.max(np.abs(spread), axis=0) + rounding
    if np.any(np.abs(fit.residuals - residuals) > tolerance):
        return None
    influence = pointwise_influence(
        design[:, None], fit.residuals[:, None], weights, penalty=penalty, scaled=fit.scaled
    )
    coefficients = np.asarray(model.coef_, float).reshape(k, slopes).T
    own = target - table @ coefficients
    factor = fit.scaled.factor
    free = np.eye(fit.scaled.rank)
    if penalty is not None:
        held = penalty @ factor
        free -= held.T @ held
    if intercept:
        constant = np.broadcast_to(np.asarray(model.intercept_, float).ravel(), (1, k))
        coefficients = np.concatenate([constant, coefficients])
        own -= constant
        factor = np.concatenate([factor[:1] - origin @ factor[1:], factor[1:]])
    variance = np.maximum(np.sum(factor @ free * factor, axis=1), 0.0)
    variance[~fit.scaled.determined] = np.nan
    return Linear(
        names=("intercept", *data.names) if intercept else data.names,
        coefficients=coefficients,
        standard_errors=np.multiply.outer(np.sqrt(variance), fit.sigma),
        dof=fit.dof,
        intercept=intercept,
        influence=influence,
        fitted_residuals=own,
        tolerance=tolerance,
    )


def _with_constant(table: Array, origin: Array) -> Array:
    """The design [1, X - origin]."""
    design = np.ones((len(table), 1 + table.shape[1]))
    np.subtract(table, origin, out=design[:, 1:])
    return design


def _known_alpha(last: Any) -> float | None:
    """Penalty of scikit-learn's own least squares (0) or ridge; None for any other."""
    name = type(last).__name__
    if not (_is(last, "linear_model", name) and _PARAMETERS.get(name, set()) >= set(last.get_params())):
        return None
    # Bounds on the coefficients may bind in a refit though they do not in the fit.
    if last.positive:
        return None
    if name == "LinearRegression":
        return 0.0
    return float(last.alpha) if _is_penalty(last.alpha) and last.solver in _DIRECT_SOLVERS else None


def _is_penalty(alpha: Any) -> bool:
    return isinstance(alpha, int | float | np.number) and bool(0.0 <= alpha < np.inf)


def _same_span(transformers: list[Any], *, scaled: bool, shifted: bool) -> bool:
    """Whether, refitted without any row, the steps give columns that span what they span now.

    Polynomials learn nothing. Scales and shifts do; what they do to the columns is undone by coefficients that are
    free, and shifts by a free constant: polynomials of shifted columns up to a degree span those of the columns.
    """
    moved = False
    for step in transformers:
        name = type(step).__name__
        if not _is(step, "preprocessing", name):
            return False
        if name == "PolynomialFeatures":
            if moved and not isinstance(step.degree, int):
                return False
        elif name in {"StandardScaler", "RobustScaler", "MaxAbsScaler", "MinMaxScaler"}:
            shifts = name == "MinMaxScaler" or getattr(step, _SHIFTED_BY.get(name, ""), False)
            if getattr(step, "clip", False) or not scaled or (shifts and not shifted):
                return False
            moved = moved or bool(shifts)
        else:
            return False
    return True


def _is(value: Any, module: str, name: str) -> bool:
    """Whether it is of scikit-learn's own class, with the class's own methods."""
    own = getattr(sys.modules.get(f"sklearn.{module}"), name, None)
    changed = {"fit", "predict", "transform"} & set(getattr(value, "__dict__", ()))
    return own is not None and type(value) is own and not changed

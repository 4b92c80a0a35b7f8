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

from skysample.scoring.rows import LinearRows, RowFit, fit_rows
from skysample.scoring.training_data import FAILURES

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.scoring.training_data import TrainingData

__all__ = ["Linear", "known_linear", "seemingly_linear"]

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
    """A model as the least-squares problem that it solves, and the answer.

    Attributes
    ----------
    rows : LinearRows
    fit : RowFit
        Equal to the model's own to `tolerance`.
    names : tuple of str
        Of the regressors.
    coefficients : ndarray, shape (p, k)
        The model's own, the intercept first.
    tolerance : ndarray, shape (k,)
        Of a residual.
    """

    rows: LinearRows
    fit: RowFit
    names: tuple[str, ...]
    coefficients: Array
    tolerance: Array

    def agrees(self, left_out: Array) -> bool:
        """Whether residuals of actual refits (n, k) are those of the closed form, rows that it can tell."""
        apart = np.abs(left_out - self.fit.loo_residuals) * (1.0 - self.fit.leverage[:, None])
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
    table = np.asarray(regressors, float) if transformers else data.table
    rows = LinearRows(table, data.target, data.weights, alpha, intercept)
    return _solved(rows, last, tuple(map(str, names)), residuals)


def seemingly_linear(model: Any, data: TrainingData, residuals: Array) -> Linear | None:
    """Find the least squares or ridge that a model of an unknown class agrees with on all rows.

    It goes by what the model carries (`coef_`, `intercept_`, `fit_intercept`, `alpha`). What it says of left-out rows
    has yet to be proved, by refitting without each.
    """
    if data.table is None or hasattr(model, "steps"):
        return None
    alpha = getattr(model, "alpha", 0.0)
    if not isinstance(alpha, int | float | np.number) or not 0.0 <= alpha < np.inf:
        return None
    intercept = bool(getattr(model, "fit_intercept", True))
    rows = LinearRows(data.table, data.target, data.weights, float(alpha), intercept)
    try:
        linear = _solved(rows, model, data.names, residuals)
    except FAILURES:
        return None
    if linear is None:
        return None
    own = data.target - rows.times(slice(None), linear.coefficients)
    return linear if np.all(np.abs(own - residuals) <= linear.tolerance) else None


def _solved(rows: LinearRows, model: Any, names: tuple[str, ...], residuals: Array) -> Linear | None:
    """Least squares, if it reproduces the model's residuals and has its coefficients."""
    k, slopes = rows.target.shape[1], rows.regressors.shape[1]
    constants = np.size(getattr(model, "intercept_", ()))
    if np.size(getattr(model, "coef_", ())) != k * slopes or constants not in {1, k}:
        return None
    fit = fit_rows(rows)
    # With an intercept the size of y says nothing about how closely it is fitted, only about rounding.
    spread = rows.target - np.mean(rows.target, axis=0) if rows.intercept else rows.target
    rounding = 64.0 * float(np.finfo(float).eps) * np.max(np.abs(rows.target), axis=0)
    tolerance = _TOLERANCE * np.max(np.abs(spread), axis=0) + rounding
    if np.any(np.abs(fit.residuals - residuals) > tolerance):
        return None
    coefficients = np.asarray(model.coef_, float).reshape(k, slopes).T
    if rows.intercept:
        constant = np.broadcast_to(np.asarray(model.intercept_, float).ravel(), (1, k))
        coefficients = np.concatenate([constant, coefficients])
    return Linear(rows, replace(fit, coefficients=coefficients), names, coefficients, tolerance)


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
    plain = isinstance(last.alpha, int | float | np.number) and 0.0 <= last.alpha < np.inf
    return float(last.alpha) if plain and last.solver in _DIRECT_SOLVERS else None


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

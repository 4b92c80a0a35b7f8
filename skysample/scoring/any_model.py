"""Leave-one-out score of any fitted model with the scikit-learn manners: closed form, or refits."""

from __future__ import annotations

import copy
import inspect
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from skysample.errors import InputError
from skysample.scoring.linear import Solution, pointwise_influence, ratio, solve

if TYPE_CHECKING:
    from astropy.table import QTable
    from numpy.typing import ArrayLike, NDArray

    from skysample.geometry import Array

    Indices = NDArray[np.integer[Any]]

__all__ = ["AnyScore", "score_any"]

_TOLERANCE = 1e-8


@dataclass(frozen=True, eq=False)
class AnyScore:
    """How well a model predicts rows that it has not seen: n rows, each with k columns of y.

    The columns of y share a unit and a noise level: radial figures add their squares. A row that alone
    determines a coefficient of a linear model has what the refitted model predicts in `loo_residuals`, nan in
    `studentised` and inf in `cooks_distance`. A row with a sample weight of zero has nan in `studentised`.

    Attributes
    ----------
    residuals : ndarray, shape (n, k)
        y minus the model's prediction.
    loo_residuals : ndarray, shape (n, k)
        y minus the prediction of the same model fitted without the row.
    rms, loo_rms : float
        sqrt(mean over rows of (sum over columns of squares)), sample weights not applied.
    studentised : ndarray, shape (n,)
        Closed form: sqrt(T^2 / k), whose square follows F(k, k (n - p - 1)) for ordinary least squares with
        p coefficients a column, and nearly so for ridge. Refits: the row's left-out residual over the RMS of
        the other rows' (no law is known for it).
    leverage : ndarray, shape (n,)
        Diagonal of the hat matrix of X, 0 to 1; nan for refits, where there is none.
    cooks_distance : ndarray, shape (n,)
        Closed form: Cook's distance, the columns pooled. Refits: summed squared change of all predictions
        when the row is left out, over (columns of X + 1) loo_rms^2.
    method : {"closed form", "refits"}
        How `loo_residuals` were had.
    terms : QTable
        `term` (name) and `column` (number in X, -1: the intercept). Linear models: `coefficient`,
        `standard_error`, `t`, `p`, with one figure for each column of y where y has several (each with its
        own noise); of ridge the standard error is that of the shrunken coefficient, its bias left aside.
        Others: `loo_rms_without` (that column of X; with no column left the mean of y is the model; nan where
        the model cannot do without it) and `loss` = loo_rms_without - loo_rms, large where the column is
        needed.
    """

    residuals: Array
    loo_residuals: Array
    rms: float
    loo_rms: float
    studentised: Array
    leverage: Array
    cooks_distance: Array
    method: Literal["closed form", "refits"]
    terms: QTable

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, np.ndarray) and value.dtype.kind == "f":
                value.setflags(write=False)


def score_any(model: Any, X: Any, y: Any, *, sample_weight: ArrayLike | None = None) -> AnyScore:
    """Score a fitted model on the rows it was fitted to, each left out in turn.

    Ordinary least squares and ridge regression, with or without intercept, are recognised by what they carry
    (`coef_`, `intercept_`, `fit_intercept`, `alpha`) and answered in closed form, provided that it reproduces
    to rounding the model's own predictions and one actual refit (without the row of the largest Cook's
    distance). Everything else is copied and refitted n times, and n times more for each column of X.

    Parameters
    ----------
    model : object
        Fitted, with `fit(X, y)` and `predict(X)`. It is not changed. A model that is random without a fixed
        seed gets a score that is random too.
    X : array_like or data frame, shape (n, columns)
        Numbers. Names of a data frame's columns become names of terms.
    y : array_like or data frame, shape (n,) or (n, k)
        Numbers.
    sample_weight : array_like, shape (n,), optional
        What the model was fitted with, >= 0.

    Returns
    -------
    AnyScore

    Raises
    ------
    InputError
        If shapes do not fit, values are missing, rows are fewer than three, the model is not fitted, or it
        fails on n - 1 rows.
    """
    data = _checked(model, X, y, sample_weight)
    residuals = data.target - data.predict(model)
    regression = _regression(model, data, residuals)
    linear = None if regression is None else _closed_form(model, data, regression)
    if regression is not None and linear is not None:
        studentised, leverage, cooks = linear.studentised, linear.leverage, linear.cooks_distance
        left_out, terms = linear.loo_residuals, _linear_terms(model, data, regression, linear)
    else:
        left_out, cooks = _leave_each_out(model, data, residuals)
        leverage = np.full(len(left_out), np.nan)
        square = np.sum(left_out**2, axis=1)
        others = np.sum(square) - square
        studentised = np.sqrt(ratio(square * (len(square) - 1), others))
        terms = _column_terms(model, data, _rms(left_out))
    return AnyScore(
        residuals=residuals,
        loo_residuals=left_out,
        rms=_rms(residuals),
        loo_rms=_rms(left_out),
        studentised=studentised,
        leverage=leverage,
        cooks_distance=cooks,
        method="refits" if linear is None else "closed form",
        terms=terms,
    )


_FAILURES = (ArithmeticError, AttributeError, LookupError, RuntimeError, TypeError, ValueError)


@dataclass(frozen=True, eq=False)
class _Data:
    """What the model was fitted to: as it was given, and as arrays (n, p), (n, k) and (n,)."""

    X: Any
    y: Array
    table: Array
    target: Array
    weights: Array | None
    names: tuple[str, ...]

    def take(self, rows: Indices, columns: Indices) -> Any:
        """Part of X in the form it was given in: models may choose a data frame's columns by name."""
        return self.X.iloc[rows, columns] if hasattr(self.X, "iloc") else self.table[np.ix_(rows, columns)]

    def predict(self, model: Any, columns: Indices | None = None) -> Array:
        """Predictions for all rows, shape (n, k)."""
        X = self.X if hasattr(self.X, "iloc") else self.table
        if columns is not None:
            X = self.take(np.arange(len(self.table)), columns)
        try:
            prediction = np.asarray(model.predict(X), float)
        except _FAILURES as error:
            if type(error).__name__ == "NotFittedError":
                raise InputError("model is not fitted: call model.fit(X, y) first", key="model") from error
            message = f"model cannot predict from X ({_first_line(error)}): fit it to these columns first"
            raise InputError(message, key="model") from error
        n, k = self.target.shape
        if prediction.shape != (n, k) and not (k == 1 and prediction.shape == (n,)):
            message = (
                f"model predicts shape {prediction.shape}, y has {self.y.shape}: pass the y it was fitted to"
            )
            raise InputError(message, key="model")
        if not np.isfinite(prediction).all():
            raise InputError("model predicts values that are not finite: fit it again", key="model")
        return prediction.reshape(n, k)

    def refit(self, model: Any, row: int, columns: Indices | None = None) -> Array:
        """Predictions (n, k) for all rows by a copy of the model fitted without one row."""
        rows = np.delete(np.arange(len(self.table)), row)
        every = np.arange(self.table.shape[1]) if columns is None else columns
        weights = {} if self.weights is None else {"sample_weight": self.weights[rows]}
        try:
            fresh = _unfitted_copy(model)
            fresh.fit(self.take(rows, every), self.y[rows], **weights)
            return self.predict(fresh, columns)
        except _FAILURES as error:
            message = f"model cannot be fitted without this row ({_first_line(error)}): give it more rows"
            raise InputError(message, row=row + 1, key="model") from error


@dataclass(frozen=True, eq=False)
class _Regression:
    """A model that is linear in its coefficients, as the least-squares problem that it solves."""

    design: Array
    penalty: Array
    weights: Array
    solution: Solution
    residuals: Array
    tolerance: Array
    intercept: bool


@dataclass(frozen=True, eq=False)
class _Linear:
    """What the closed form gives: see `AnyScore`; `sigma` (k,) and `dof` are of one column of y."""

    loo_residuals: Array
    studentised: Array
    leverage: Array
    cooks_distance: Array
    sigma: Array
    dof: float


def _checked(model: Any, X: Any, y: Any, sample_weight: ArrayLike | None) -> _Data:
    """Input in one form, or an InputError that names the parameter."""
    manners = [callable(getattr(model, name, None)) for name in ("fit", "predict")]
    if isinstance(model, type) or not all(manners):
        raise InputError("model must be an object with fit(X, y) and predict(X), already fitted", key="model")
    table, given = _numbers(X, "X"), _numbers(y, "y")
    if table.ndim != 2 or table.shape[1] == 0:
        raise InputError(f"X must have the shape (rows, columns), not {table.shape}", key="X")
    n = len(table)
    if n < 3:
        raise InputError(f"X must have at least 3 rows to leave one out, not {n}", key="X")
    if given.ndim not in {1, 2} or len(given) != n or given.size == 0:
        message = f"y must have {n} rows as X has, and at least one column, not the shape {given.shape}"
        raise InputError(message, key="y")
    weights = None if sample_weight is None else _checked_weights(model, sample_weight, n)
    named = getattr(X, "columns", None)
    names = [f"x{j}" for j in range(table.shape[1])] if named is None else [str(name) for name in named]
    return _Data(X, given, table, given.reshape(n, -1), weights, tuple(names))


def _checked_weights(model: Any, sample_weight: ArrayLike, n: int) -> Array:
    weights = _numbers(sample_weight, "sample_weight")
    if weights.shape != (n,) or np.min(weights) < 0.0 or np.count_nonzero(weights) < 3:
        message = f"sample_weight must be {n} numbers >= 0, one a row of X, at least 3 of them > 0"
        raise InputError(message, key="sample_weight")
    takes = inspect.signature(model.fit).parameters.values()
    if not any(one.name == "sample_weight" or one.kind is one.VAR_KEYWORD for one in takes):
        message = f"sample_weight is given, but fit of {type(model).__name__} takes none: leave it out"
        raise InputError(message, key="sample_weight")
    return weights


def _numbers(value: Any, key: str) -> Array:
    """Finite floats, or an InputError."""
    if np.ma.is_masked(value):
        raise InputError(f"{key} has masked values: leave those rows out", key=key)
    try:
        given = np.asarray(value)
        array = np.array(given if given.dtype.kind in "biufO" else np.nan, float)
    except (TypeError, ValueError) as error:
        raise InputError(f"{key} must be an array of numbers ({_first_line(error)})", key=key) from error
    if given.dtype.kind not in "biufO":
        raise InputError(f"{key} must be an array of numbers, not of {given.dtype}", key=key)
    if array.ndim == 0:
        raise InputError(f"{key} must be an array of numbers, not {type(value).__name__}", key=key)
    bad = np.argwhere(~np.isfinite(array))
    if len(bad):
        message = f"{key} has a value that is not a finite number: leave the row out or fill it in"
        raise InputError(message, row=int(bad[0][0]) + 1, key=key)
    return array


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".")


def _unfitted_copy(model: Any) -> Any:
    """Copy a model so that its next fit does not start from what it has learnt from every row."""
    fresh = copy.deepcopy(model)
    if hasattr(fresh, "get_params") and hasattr(fresh, "set_params"):
        warm = [name for name in fresh.get_params() if name.rpartition("__")[2] == "warm_start"]
        fresh.set_params(**dict.fromkeys(warm, False))
    return fresh


def _ridge_alpha(model: Any, data: _Data) -> float | None:
    """Penalty of a model that looks like least squares (0) or ridge; None for any other."""
    k, p = data.target.shape[1], data.table.shape[1]
    slopes, constants = (np.size(getattr(model, name, ())) for name in ("coef_", "intercept_"))
    alpha = getattr(model, "alpha", 0.0)
    if slopes != k * p or constants not in {1, k} or not isinstance(alpha, int | float | np.number):
        return None
    # Bounds on the coefficients may bind in a refit though they do not in the fit.
    return None if getattr(model, "positive", False) or alpha < 0.0 else float(alpha)


def _regression(model: Any, data: _Data, model_residuals: Array) -> _Regression | None:
    """Least-squares problem that reproduces the model's residuals to rounding; None if none does."""
    alpha = _ridge_alpha(model, data)
    if alpha is None:
        return None
    n, k = data.target.shape
    intercept = bool(getattr(model, "fit_intercept", True))
    design = np.column_stack([np.ones(n), data.table]) if intercept else data.table
    penalty = np.sqrt(alpha) * np.eye(design.shape[1])[int(intercept) :] if alpha > 0.0 else design[:0]
    weights = np.ones(n) if data.weights is None else data.weights
    solution = solve(
        np.concatenate([design, penalty]),
        np.concatenate([data.target, np.zeros((len(penalty), k))]),
        np.concatenate([weights, np.ones(len(penalty))]),
    )
    residuals = solution.residuals[:n]
    # With an intercept the size of y says nothing about how closely it is fitted, only about rounding.
    spread = data.target - np.mean(data.target, axis=0) if intercept else data.target
    rounding = 64.0 * float(np.finfo(float).eps) * np.max(np.abs(data.target), axis=0)
    tolerance = _TOLERANCE * np.max(np.abs(spread), axis=0) + rounding
    if np.any(np.abs(residuals - model_residuals) > tolerance):
        return None
    return _Regression(design, penalty, weights, solution, residuals, tolerance, intercept)


def _closed_form(model: Any, data: _Data, regression: _Regression) -> _Linear | None:
    """Left-out figures without refitting; None if an actual refit contradicts them."""
    points, weights, residuals = regression.design[:, None, :], regression.weights, regression.residuals
    columns = [
        pointwise_influence(points, r[:, None], weights, penalty=regression.penalty) for r in residuals.T
    ]
    leverage = columns[0].leverage
    left_out = np.concatenate([column.loo_residuals for column in columns], axis=1)
    undetermined = np.isnan(left_out).any(axis=1)
    dof = float(np.count_nonzero(weights) - np.sum(leverage))
    square = weights @ residuals**2
    sigma = np.sqrt(square / dof) if dof > 1e-6 else np.full_like(square, np.nan)

    # The columns share their noise: variances are averaged, squared changes added.
    deleted = np.mean([column.deleted_sigma**2 for column in columns], axis=0)
    t_squared = ratio(weights * (1.0 - leverage) * np.sum(left_out**2, axis=1), deleted)
    changes = [np.where(s > 0.0, c.cooks_distance * s**2, 0.0) for c, s in zip(columns, sigma, strict=True)]
    cooks = np.where(undetermined, np.inf, ratio(np.sum(changes, axis=0), np.sum(sigma**2)))

    for row in np.flatnonzero(undetermined):
        left_out[row] = data.target[row] - data.refit(model, int(row))[row]
    most = int(np.argmax(np.where(np.isfinite(cooks), cooks, -1.0)))
    actual = data.target[most] - data.refit(model, most)[most]
    if np.any(np.abs(actual - left_out[most]) * (1.0 - leverage[most]) > regression.tolerance):
        return None
    studentised = np.sqrt(np.where(weights > 0.0, t_squared, np.nan) / len(columns))
    return _Linear(left_out, studentised, leverage, cooks, sigma, dof)


def _linear_terms(model: Any, data: _Data, regression: _Regression, linear: _Linear) -> QTable:
    """Coefficients with their errors, one row a term."""
    from astropy.table import QTable
    from scipy.special import stdtr

    k = data.target.shape[1]
    coefficients = np.reshape(model.coef_, (k, -1)).T
    names, first = list(data.names), 0
    if regression.intercept:
        constant = np.broadcast_to(np.asarray(model.intercept_, float).ravel(), (1, k))
        coefficients, names, first = np.concatenate([constant, coefficients]), ["intercept", *names], -1
    variance = np.diag(regression.solution.unscaled_covariance)
    if len(regression.penalty):
        smoother = regression.design @ regression.solution.unscaled_covariance
        variance = regression.weights @ smoother**2
    standard_errors = np.multiply.outer(np.sqrt(variance), linear.sigma)
    t = ratio(coefficients, standard_errors)
    figures = {
        "coefficient": coefficients,
        "standard_error": standard_errors,
        "t": t,
        "p": 2.0 * stdtr(linear.dof, -np.abs(t)),
    }
    shaped = {name: figure[:, 0] if k == 1 else figure for name, figure in figures.items()}
    return QTable({"term": names, "column": np.arange(first, len(data.names)), **shaped})


def _leave_each_out(model: Any, data: _Data, residuals: Array) -> tuple[Array, Array]:
    """Left-out residuals (n, k) and generalised Cook's distances (n,) by refitting."""
    fitted = data.target - residuals
    left_out, change = np.empty_like(residuals), np.empty(len(residuals))
    for row in range(len(residuals)):
        prediction = data.refit(model, row)
        left_out[row] = data.target[row] - prediction[row]
        change[row] = np.sum((prediction - fitted) ** 2)
    return left_out, ratio(change, (data.table.shape[1] + 1) * _rms(left_out) ** 2)


def _column_terms(model: Any, data: _Data, loo_rms: float) -> QTable:
    """Score without each column of X in turn."""
    from astropy.table import QTable

    columns = np.arange(len(data.names))
    without = np.array([_loo_rms_without(model, data, np.delete(columns, j)) for j in columns])
    return QTable(
        {
            "term": list(data.names),
            "column": columns,
            "loo_rms_without": without,
            "loss": without - loo_rms,
        }
    )


def _loo_rms_without(model: Any, data: _Data, columns: Indices) -> float:
    n = len(data.target)
    if len(columns) == 0:
        weights = np.ones(n) if data.weights is None else data.weights
        others = np.sum(weights) - weights
        mean = (weights @ data.target - weights[:, None] * data.target) / others[:, None]
        return _rms(data.target - mean)
    try:
        return _rms(np.array([data.target[i] - data.refit(model, i, columns)[i] for i in range(n)]))
    except InputError:
        return float("nan")


def _rms(residuals: Array) -> float:
    """Radial: over rows, of the columns' squares summed."""
    return float(np.sqrt(np.mean(np.sum(residuals**2, axis=1))))

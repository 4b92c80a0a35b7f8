"""What a model was fitted to, and leaving rows out by fitting a copy of it without them, here or on any executor."""

from __future__ import annotations

import copy
import inspect
import random
import sys
import warnings
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError, SkysampleWarning
from skysample.fitting.linear import radial_rms

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor

    from numpy.typing import ArrayLike, NDArray

    from skysample.geometry import Array

    Indices = NDArray[np.integer[Any]]

FAILURES = (ArithmeticError, AttributeError, LookupError, RuntimeError, TypeError, ValueError)
"""What a model that cannot deal with its data may raise."""

_refusal = partial(InputError, key="model")

_TASKS = 64
"""So many parts a loop over rows is cut into for an executor, which is sent model and data with each."""

_SAME = 1e-6
"""Of the spread of y: so far apart the predictions of one fit done twice may be, by threads that add in any order."""


@dataclass(frozen=True, eq=False)
class TrainingData:
    """Rows that a model was fitted to: n rows, p columns of X, k of y.

    Attributes
    ----------
    X, y : data frame, array or sparse matrix
        As they were given: models may choose columns by name, or work in the numbers' own precision.
    table : ndarray, shape (n, p), or None
        X in double precision; None where it is sparse.
    target : ndarray, shape (n, k)
        y in double precision.
    weights : ndarray, shape (n,), or None
    names : tuple of str
        Of the columns of X.
    """

    X: Any
    y: Any
    table: Array | None
    target: Array
    weights: Array | None
    names: tuple[str, ...]

    def take(self, rows: Indices, columns: Indices | None = None) -> Any:
        """Rows of X, and columns where not all, in the form it was given in."""
        if columns is None:
            return self.X.iloc[rows] if hasattr(self.X, "iloc") else self.X[rows]
        return self.X.iloc[rows, columns] if hasattr(self.X, "iloc") else self.X[rows][:, columns]

    def fit(self, fresh: Any, rows: Indices, columns: Indices | None = None) -> Any:
        """Fit a model to some rows, with their weights; gives it back."""
        y = self.y.iloc[rows] if hasattr(self.y, "iloc") else self.y[rows]
        weights = {} if self.weights is None else {f"{_last_step(fresh)[0]}sample_weight": self.weights[rows]}
        fresh.fit(self.take(rows, columns), y, **weights)
        return fresh

    def predict(self, model: Any, X: Any) -> Array:
        """Predictions for rows of X, shape (rows, k).

        Raises
        ------
        InputError
            If the model is not fitted, cannot predict from these columns, or predicts another shape or no numbers.
        """
        try:
            prediction = np.asarray(model.predict(X), float)
        except FAILURES as error:
            if type(error).__name__ == "NotFittedError":
                raise _refusal("model is not fitted: call model.fit(X, y) first") from error
            fault = f"model cannot predict from X ({first_line(error)}): fit it to these columns first"
            raise _refusal(fault) from error
        rows, k = X.shape[0], self.target.shape[1]
        if prediction.shape != (rows, k) and not (k == 1 and prediction.shape == (rows,)):
            shapes = f"model predicts shape {prediction.shape}, y has {np.shape(self.y)}"
            raise _refusal(f"{shapes}: pass the y it was fitted to")
        if not np.isfinite(prediction).all():
            raise _refusal("model predicts values that are not finite: fit it again")
        return np.asfortranarray(prediction.reshape(rows, k))


@dataclass(frozen=True, eq=False)
class Refitting:
    """A model and its data, to be fitted again without some of them."""

    model: Any
    data: TrainingData
    unfitted: Callable[[Any], Any]
    executor: Executor | None = field(default=None, repr=False)

    def __getstate__(self) -> dict[str, Any]:
        """An executor does not travel to its own workers."""
        return {**self.__dict__, "executor": None}

    def every_row(self, fitted: Array) -> tuple[Array, Array]:
        """Leave each row out.

        Parameters
        ----------
        fitted : ndarray, shape (n, k)
            Predictions of the model.

        Returns
        -------
        ndarray, shape (n, k)
            Left-out residuals.
        ndarray, shape (n,)
            Summed squared change of all predictions.
        """
        left_out, change = zip(
            *self._each(self._leave_out, [(rows, fitted) for rows in self._parts()]), strict=True
        )
        return np.concatenate(left_out), np.concatenate(change)

    def rms_without_columns(self) -> Array:
        """Left-out RMS without each column of X, shape (p,); nan where the model cannot do without it."""
        p = len(self.data.names)
        if p == 1:
            return np.array([radial_rms(self._left_out_of_the_mean())])
        jobs = [(rows, np.delete(np.arange(p), j)) for j in range(p) for rows in self._parts()]
        by_column = np.concatenate(self._each(self._leave_out_with, jobs)).reshape(p, *self.data.target.shape)
        return np.array([radial_rms(left_out) for left_out in by_column])

    def residual(self, row: int, columns: Indices | None = None) -> Array:
        """Left-out residual of one row, shape (k,)."""
        (at_row,) = self.predicted_without(row, [np.array([row])], columns)
        return np.asarray(self.data.target[row] - at_row[0])

    def predicted_without(
        self, row: int, asked: list[Indices], columns: Indices | None = None
    ) -> list[Array]:
        """Predictions for each set of rows by a copy fitted without one, each asked for by itself."""
        rows = np.delete(np.arange(len(self.data.target)), row)
        try:
            fresh = self.data.fit(self.unfitted(self.model), rows, columns)
            return [self.data.predict(fresh, self.data.take(one, columns)) for one in asked]
        except FAILURES as error:
            fault = f"model cannot be fitted without this row ({first_line(error)}): give it more rows"
            raise _refusal(fault, row=row + 1) from error

    def _parts(self) -> list[Indices]:
        n = len(self.data.target)
        return np.array_split(np.arange(n), 1 if self.executor is None else min(n, _TASKS))

    def _each(self, function: Callable[..., Any], jobs: list[tuple[Indices, Any]]) -> list[Any]:
        run = map if self.executor is None else self.executor.map
        return list(run(function, *zip(*jobs, strict=True)))

    def _leave_out(self, rows: Indices, fitted: Array) -> tuple[Array, Array]:
        left_out, change = np.empty((len(rows), fitted.shape[1])), np.empty(len(rows))
        every = np.arange(len(fitted))
        for at, row in enumerate(rows):
            at_row, all_rows = self.predicted_without(int(row), [np.array([row]), every])
            left_out[at] = self.data.target[row] - at_row[0]
            change[at] = np.sum((all_rows - fitted) ** 2)
        return left_out, change

    def _leave_out_with(self, rows: Indices, columns: Indices) -> Array:
        try:
            return np.array([self.residual(int(row), columns) for row in rows])
        except InputError:
            return np.full((len(rows), self.data.target.shape[1]), np.nan)

    def _left_out_of_the_mean(self) -> Array:
        target = self.data.target
        weights = np.ones(len(target)) if self.data.weights is None else self.data.weights
        others = np.sum(weights) - weights
        mean = (weights @ target - weights[:, None] * target) / others[:, None]
        return np.asarray(target - mean)


def refitting_of(
    model: Any, data: TrainingData, residuals: Array, executor: Executor | None = None
) -> Refitting:
    """Find how to copy a model so that, fitted to the same rows, the copy is the model.

    A refit can only stand for the model if fitting does to all rows what was done to them. Two ways to copy are tried:
    scikit-learn's `clone`, and a deep copy, for models that hold more than their parameters.

    Parameters
    ----------
    model : object
    data : TrainingData
    residuals : ndarray, shape (n, k)
        Of the model.
    executor : concurrent.futures.Executor, optional

    Returns
    -------
    Refitting

    Raises
    ------
    InputError
        If it cannot be copied, or no copy reproduces the model although it is not random: it was fitted to other rows,
        to weights that were not given, or is not in the state that `fit` left it in.

    Warns
    -----
    SkysampleWarning
        If the model is random.
    """
    tolerance = _SAME * np.ptp(data.target, axis=0) + 64.0 * np.finfo(float).eps * np.max(np.abs(data.target))
    tried = []
    for unfitted in (_clone, _deep_copy):
        first = _again(unfitted, model, data)
        if np.all(np.abs(first - residuals) <= tolerance):
            return Refitting(model, data, unfitted, executor)
        tried.append(first)
    second = _again(_clone, model, data)
    if _holds_a_generator(model) or np.any(np.abs(second - tried[0]) > tolerance):
        warnings.warn(
            "the model is random: refitting the same rows changes its predictions by"
            f" {radial_rms(tried[0] - residuals):.3g} RMS, and its score as much; give it a fixed seed",
            SkysampleWarning,
            stacklevel=4,
        )
    elif not _warm_starts(model):
        raise _refusal(
            "refitting these rows does not reproduce the model: pass the X, y and sample_weight it was fitted to, or"
            " fit it again"
        )
    return Refitting(model, data, _clone, executor)


def _again(unfitted: Callable[[Any], Any], model: Any, data: TrainingData) -> Array:
    """Residuals of a copy fitted to all rows."""
    every = np.arange(len(data.target))
    try:
        fresh = data.fit(unfitted(model), every)
    except FAILURES as error:
        fault = f"model cannot be copied and fitted again ({first_line(error)}): fit it to this X and y first"
        raise _refusal(fault) from error
    return np.asarray(data.target - data.predict(fresh, data.take(every)))


def _clone(model: Any) -> Any:
    """Copy by parameters; a deep copy of what is not scikit-learn's."""
    base: Any = sys.modules.get("sklearn.base")
    try:
        return base.clone(model)
    except FAILURES:
        return _deep_copy(model)


def _deep_copy(model: Any) -> Any:
    """Copy whole, so that its next fit does not start from a fit to every row."""
    fresh = copy.deepcopy(model)
    if warm := _warm_starts(fresh):
        fresh.set_params(**dict.fromkeys(warm, False))
    return fresh


def _warm_starts(model: Any) -> list[str]:
    parameters = model.get_params() if hasattr(model, "get_params") else {}
    return [name for name, value in parameters.items() if name.rpartition("__")[2] == "warm_start" and value]


def _holds_a_generator(model: Any) -> bool:
    """Whether a copy goes on from where the model's own random numbers ended."""
    held = [*getattr(model, "__dict__", {}).values()]
    held += (model.get_params() if hasattr(model, "get_params") else {}).values()
    return any(isinstance(one, np.random.RandomState | np.random.Generator | random.Random) for one in held)


def checked(model: Any, X: Any, y: Any, sample_weight: ArrayLike | None) -> TrainingData:
    """Input in one form.

    Raises
    ------
    InputError
        If it does not fit together; it names the parameter.
    """
    manners = [callable(getattr(model, name, None)) for name in ("fit", "predict")]
    if isinstance(model, type) or not all(manners):
        raise _refusal("model must be an object with fit(X, y) and predict(X), already fitted")
    sparse = hasattr(X, "tocsr")
    given = X.tocsr() if sparse else X
    numbers = _numbers(given.data if sparse else given, "X")
    shape: tuple[int, ...] = given.shape if sparse else numbers.shape
    if len(shape) != 2 or shape[1] == 0:
        raise InputError(f"X must have the shape (rows, columns), not {shape}", key="X")
    n = shape[0]
    if n < 3:
        raise InputError(f"X must have at least 3 rows to leave one out, not {n}", key="X")
    target = _numbers(y, "y")
    if target.ndim not in {1, 2} or len(target) != n or target.size == 0:
        fault = f"y must have the {n} rows of X and at least one column, not {target.shape}"
        raise InputError(fault, key="y")
    weights = None if sample_weight is None else _checked_weights(model, sample_weight, n)
    named = getattr(X, "columns", None)
    return TrainingData(
        X=given if sparse else _as_given(X, numbers),
        y=_as_given(y, target),
        table=None if sparse else numbers,
        target=np.asfortranarray(target.reshape(n, -1)),  # quick to reduce over rows
        weights=weights,
        names=tuple(f"x{j}" for j in range(shape[1])) if named is None else tuple(map(str, named)),
    )


def first_line(error: Exception) -> str:
    """Start of another library's message, to be quoted in ours."""
    return (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".")


def _as_given(value: Any, numbers: Array) -> Any:
    if hasattr(value, "iloc"):
        return value
    array = np.asarray(value)
    return numbers if array.dtype.kind == "O" else array


def _last_step(model: Any) -> tuple[str, Any]:
    """What takes the weights, and what their name begins with: a pipeline hands on what carries the name of a step."""
    steps = getattr(model, "steps", None) if hasattr(model, "named_steps") else None
    return (f"{steps[-1][0]}__", steps[-1][1]) if steps else ("", model)


def _checked_weights(model: Any, sample_weight: ArrayLike, n: int) -> Array:
    weights = _numbers(sample_weight, "sample_weight")
    if weights.shape != (n,) or np.min(weights) < 0.0 or np.count_nonzero(weights) < 3:
        fault = f"sample_weight must be {n} numbers >= 0, one a row of X, at least 3 of them > 0"
        raise InputError(fault, key="sample_weight")
    takes = inspect.signature(_last_step(model)[1].fit).parameters.values()
    if not any(one.name == "sample_weight" or one.kind is one.VAR_KEYWORD for one in takes):
        fault = f"fit of {type(model).__name__} takes none: leave sample_weight out"
        raise InputError(fault, key="sample_weight")
    return weights


def _numbers(value: Any, key: str) -> Array:
    """Finite floats, or an InputError."""
    if np.ma.is_masked(value):
        raise InputError(f"{key} has masked values: leave those rows out", key=key)
    try:
        given = np.asarray(value)
        numbers = given.ndim > 0 and given.dtype.kind in "biufO"
        array = np.asarray(given if numbers else np.nan, float)
    except (TypeError, ValueError) as error:
        raise InputError(f"{key} must be an array of numbers ({first_line(error)})", key=key) from error
    if not numbers:
        what = given.dtype if given.ndim else type(value).__name__
        raise InputError(f"{key} must be an array of numbers, not {what}", key=key)
    finite = np.isfinite(array)
    if not finite.all():
        message = f"{key} has a value that is not a finite number: leave the row out or fill it in"
        raise InputError(message, row=int(np.argwhere(~finite)[0][0]) + 1, key=key)
    return array

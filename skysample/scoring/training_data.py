"""What a model was fitted to, checked once and kept as it was given, and the model's answers to it."""

from __future__ import annotations

import inspect
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from skysample.geometry import Array

    Indices = NDArray[np.integer[Any]]

__all__ = ["FAILURES", "TrainingData", "checked", "first_line"]

FAILURES = (ArithmeticError, AttributeError, LookupError, RuntimeError, TypeError, ValueError)
"""What a model that cannot deal with its data may raise."""


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
        weights = {} if self.weights is None else {_weights_name(fresh): self.weights[rows]}
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
                raise InputError("model is not fitted: call model.fit(X, y) first", key="model") from error
            message = f"model cannot predict from X ({first_line(error)}): fit it to these columns first"
            raise InputError(message, key="model") from error
        rows, k = X.shape[0], self.target.shape[1]
        if prediction.shape != (rows, k) and not (k == 1 and prediction.shape == (rows,)):
            message = (
                f"model predicts shape {prediction.shape} for {rows} rows, y has {np.shape(self.y)}: pass the y"
                f" it was fitted to"
            )
            raise InputError(message, key="model")
        if not np.isfinite(prediction).all():
            raise InputError("model predicts values that are not finite: fit it again", key="model")
        return np.asfortranarray(prediction.reshape(rows, k))


def checked(model: Any, X: Any, y: Any, sample_weight: ArrayLike | None) -> TrainingData:
    """Input in one form.

    Raises
    ------
    InputError
        If it does not fit together; it names the parameter.
    """
    manners = [callable(getattr(model, name, None)) for name in ("fit", "predict")]
    if isinstance(model, type) or not all(manners):
        raise InputError("model must be an object with fit(X, y) and predict(X), already fitted", key="model")
    sparse = hasattr(X, "tocsr")
    given = X.tocsr() if sparse else X
    table = None if sparse else _numbers(X, "X")
    if sparse:
        _numbers(given.data, "X")
    shape: tuple[int, ...] = given.shape if table is None else table.shape
    if len(shape) != 2 or shape[1] == 0:
        raise InputError(f"X must have the shape (rows, columns), not {shape}", key="X")
    n = shape[0]
    if n < 3:
        raise InputError(f"X must have at least 3 rows to leave one out, not {n}", key="X")
    target = _numbers(y, "y")
    if target.ndim not in {1, 2} or len(target) != n or target.size == 0:
        message = f"y must have {n} rows as X has, and at least one column, not the shape {target.shape}"
        raise InputError(message, key="y")
    weights = None if sample_weight is None else _checked_weights(model, sample_weight, n)
    named = getattr(X, "columns", None)
    return TrainingData(
        X=given if sparse else _as_given(X, table),
        y=_as_given(y, target),
        table=table,
        target=np.asfortranarray(target.reshape(n, -1)),  # quick to reduce over rows
        weights=weights,
        names=tuple(f"x{j}" for j in range(shape[1])) if named is None else tuple(map(str, named)),
    )


def first_line(error: Exception) -> str:
    """Start of another library's message, to be quoted in ours."""
    return (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".")


def _as_given(value: Any, numbers: Array | None) -> Any:
    if hasattr(value, "iloc"):
        return value
    array = np.asarray(value)
    return numbers if array.dtype.kind == "O" else array


def _weights_name(model: Any) -> str:
    """What `fit` calls them: a pipeline hands on what carries the name of a step."""
    steps = getattr(model, "steps", None) if hasattr(model, "named_steps") else None
    return f"{steps[-1][0]}__sample_weight" if steps else "sample_weight"


def _checked_weights(model: Any, sample_weight: ArrayLike, n: int) -> Array:
    weights = _numbers(sample_weight, "sample_weight")
    if weights.shape != (n,) or np.min(weights) < 0.0 or np.count_nonzero(weights) < 3:
        message = f"sample_weight must be {n} numbers >= 0, one a row of X, at least 3 of them > 0"
        raise InputError(message, key="sample_weight")
    steps = getattr(model, "steps", None) if hasattr(model, "named_steps") else None
    takes = inspect.signature((steps[-1][1] if steps else model).fit).parameters.values()
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
        array = np.asarray(given if given.dtype.kind in "biufO" else np.nan, float)
    except (TypeError, ValueError) as error:
        raise InputError(f"{key} must be an array of numbers ({first_line(error)})", key=key) from error
    if given.dtype.kind not in "biufO":
        raise InputError(f"{key} must be an array of numbers, not of {given.dtype}", key=key)
    if array.ndim == 0:
        raise InputError(f"{key} must be an array of numbers, not {type(value).__name__}", key=key)
    with np.errstate(over="ignore", invalid="ignore"):
        sound = np.isfinite(np.sum(array))
    bad = np.empty((0, 1), int) if sound else np.argwhere(~np.isfinite(array))
    if len(bad):
        message = f"{key} has a value that is not a finite number: leave the row out or fill it in"
        raise InputError(message, row=int(bad[0][0]) + 1, key=key)
    return array

"""Leave rows out by fitting a copy of a model without them, here or on any executor."""

from __future__ import annotations

import copy
import random
import sys
import warnings
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError, SkysampleWarning
from skysample.scoring.training_data import FAILURES, first_line

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor

    from skysample.geometry import Array
    from skysample.scoring.training_data import Indices, TrainingData

__all__ = ["Refitting", "radial_rms", "refitting_of"]

_TASKS = 64
"""So many parts a loop over rows is cut into for an executor, which is sent model and data with each."""

_SAME = 1e-6
"""Of the spread of y: so far apart the predictions of one fit done twice may be, by threads that add in any order."""


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
        parts = self._parts()
        done = self._each(_leave_out, [(self, rows, fitted) for rows in parts])
        return np.concatenate([one[0] for one in done]), np.concatenate([one[1] for one in done])

    def rms_without_columns(self) -> Array:
        """Left-out RMS without each column of X, shape (p,); nan where the model cannot do without it."""
        p = len(self.data.names)
        if p == 1:
            return np.array([radial_rms(self._left_out_of_the_mean())])
        parts = self._parts()
        jobs = [(self, rows, np.delete(np.arange(p), j)) for j in range(p) for rows in parts]
        done = self._each(_leave_out_without, jobs)
        by_column = [done[j * len(parts) : (j + 1) * len(parts)] for j in range(p)]
        return np.array([radial_rms(np.concatenate(one)) for one in by_column])

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
            message = f"model cannot be fitted without this row ({first_line(error)}): give it more rows"
            raise InputError(message, row=row + 1, key="model") from error

    def _parts(self) -> list[Indices]:
        n = len(self.data.target)
        return np.array_split(np.arange(n), 1 if self.executor is None else min(n, _TASKS))

    def _each(self, function: Callable[[Any], Any], jobs: list[Any]) -> list[Any]:
        return list(map(function, jobs) if self.executor is None else self.executor.map(function, jobs))

    def _left_out_of_the_mean(self) -> Array:
        target = self.data.target
        weights = np.ones(len(target)) if self.data.weights is None else self.data.weights
        others = np.sum(weights) - weights
        mean = (weights @ target - weights[:, None] * target) / others[:, None]
        return np.asarray(target - mean)


def radial_rms(residuals: Array) -> float:
    """Over rows, of the columns' squares summed."""
    return float(np.sqrt(np.sum(residuals**2) / len(residuals)))


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
            f"the model is random: fitted again to the same rows it predicts them otherwise, by"
            f" {radial_rms(tried[0] - residuals):.3g} RMS, and its score is as random; give it a fixed seed",
            SkysampleWarning,
            stacklevel=4,
        )
    elif not _starts_warm(model):
        message = (
            "model is not what fit makes of these rows: pass the X, y and sample_weight it was fitted to, or fit it"
            " again"
        )
        raise InputError(message, key="model")
    return Refitting(model, data, _clone, executor)


def _again(unfitted: Callable[[Any], Any], model: Any, data: TrainingData) -> Array:
    """Residuals of a copy fitted to all rows."""
    every = np.arange(len(data.target))
    try:
        fresh = data.fit(unfitted(model), every)
    except FAILURES as error:
        message = (
            f"model cannot be copied and fitted again ({first_line(error)}): fit it to this X and y first"
        )
        raise InputError(message, key="model") from error
    return np.asarray(data.target - data.predict(fresh, data.take(every)))


def _clone(model: Any) -> Any:
    """Copy by parameters; a deep copy of what is not scikit-learn's."""
    base = sys.modules.get("sklearn.base")
    if base is None or not hasattr(model, "get_params"):
        return _deep_copy(model)
    try:
        fresh = base.clone(model)
    except FAILURES:
        return _deep_copy(model)
    return fresh


def _deep_copy(model: Any) -> Any:
    """Copy whole, so that its next fit does not start from what it has learnt from every row."""
    fresh = copy.deepcopy(model)
    warm = _warm_starts(fresh)
    if warm and hasattr(fresh, "set_params"):
        fresh.set_params(**dict.fromkeys(warm, False))
    return fresh


def _warm_starts(model: Any) -> list[str]:
    parameters = model.get_params() if hasattr(model, "get_params") else {}
    return [name for name, value in parameters.items() if name.rpartition("__")[2] == "warm_start" and value]


def _starts_warm(model: Any) -> bool:
    return bool(_warm_starts(model))


def _holds_a_generator(model: Any) -> bool:
    """Whether a copy goes on from where the model's own random numbers ended."""
    held = [*getattr(model, "__dict__", {}).values()]
    held += (model.get_params() if hasattr(model, "get_params") else {}).values()
    return any(isinstance(one, np.random.RandomState | np.random.Generator | random.Random) for one in held)


def _leave_out(job: tuple[Refitting, Indices, Array]) -> tuple[Array, Array]:
    refitting, rows, fitted = job
    left_out, change = np.empty((len(rows), fitted.shape[1])), np.empty(len(rows))
    every = np.arange(len(fitted))
    for at, row in enumerate(rows):
        at_row, all_rows = refitting.predicted_without(int(row), [np.array([row]), every])
        left_out[at] = refitting.data.target[row] - at_row[0]
        change[at] = np.sum((all_rows - fitted) ** 2)
    return left_out, change


def _leave_out_without(job: tuple[Refitting, Indices, Indices]) -> Array:
    refitting, rows, columns = job
    try:
        return np.array([refitting.residual(int(row), columns) for row in rows])
    except InputError:
        return np.full((len(rows), refitting.data.target.shape[1]), np.nan)

"""Leave-one-out score of any fitted model with the scikit-learn manners: closed form, or refits."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from skysample.fitting.linear import radial_rms, ratio
from skysample.scoring.known_linear import known_linear, seemingly_linear
from skysample.scoring.refitting import checked, refitting_of

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from astropy.table import QTable
    from numpy.typing import ArrayLike

    from skysample.geometry import Array
    from skysample.scoring.known_linear import Linear
    from skysample.scoring.refitting import Refitting, TrainingData

_DELICATE = 1e-4
"""A row with so little of 1 - h nearly alone determines a coefficient: dividing by it would magnify rounding."""


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
        Linear models: sqrt(T^2 / k), whose square follows F(k, k (n - p - 1)) for ordinary least squares with
        p coefficients a column, and nearly so for ridge. Others: the row's left-out residual over the RMS of
        the other rows' (no law is known for it).
    leverage : ndarray, shape (n,)
        Diagonal of the hat matrix of X, 0 to 1; nan for models that have none.
    cooks_distance : ndarray, shape (n,)
        Linear models: Cook's distance, the columns pooled. Others: summed squared change of all predictions
        when the row is left out, over (columns of X + 1) loo_rms^2.
    method : {"closed form", "refits"}
        How `loo_residuals` were had.
    terms : QTable
        `term` (name) and `column` (number in X, or in what a pipeline makes of it; -1: the intercept). Linear
        models: `coefficient`, `standard_error`, `t`, `p`, with one figure for each column of y where y has several
        (each with its own noise); of ridge the standard error is that of the shrunken coefficient, its bias left
        aside. Others: `loo_rms_without` (that column of X; with no column left the mean of y is the model; nan
        where the model cannot do without it) and `loss` = loo_rms_without - loo_rms, large where the column is
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


def score_any(
    model: Any,
    X: Any,
    y: Any,
    *,
    sample_weight: ArrayLike | None = None,
    executor: Executor | None = None,
) -> AnyScore:
    """Score a fitted model on the rows it was fitted to, each left out in turn.

    The closed form answers for scikit-learn's `LinearRegression` and `Ridge`, alone or behind steps of a `Pipeline`
    that change nothing when refitted (polynomials; before least squares with an intercept, scales and shifts too),
    provided that it reproduces the model's own predictions to rounding. Everything else is copied and refitted n
    times. If every refit is what least squares or ridge says, the model is linear, and has its leverage and the
    significance of its terms; otherwise it is refitted n times more for each column of X.

    Parameters
    ----------
    model : object
        Fitted, with `fit(X, y)` and `predict(X)`. It is not changed.
    X : array_like, data frame or sparse matrix, shape (n, columns)
        Numbers. Names of a data frame's columns become names of terms.
    y : array_like or data frame, shape (n,) or (n, k)
        Numbers.
    sample_weight : array_like, shape (n,), optional
        What the model was fitted with, >= 0; a pipeline's last step was.
    executor : concurrent.futures.Executor, optional
        Where refits are done; here if none. Model and data must be picklable if it works in other processes.

    Returns
    -------
    AnyScore

    Raises
    ------
    InputError
        If shapes do not fit, values are missing, rows are fewer than three, the model is not fitted, it fails on
        n - 1 rows, or fitting a copy to these rows does not give the model back.

    Warns
    -----
    SkysampleWarning
        If the model is random without a fixed seed: so is its score.
    """
    data = checked(model, X, y, sample_weight)
    residuals = data.target - data.predict(model, data.X)
    linear = known_linear(model, data, residuals)
    if linear is not None:
        left_out = _with_refits(linear, model, data, residuals, executor)
        return _linear_score(linear, residuals, left_out, "closed form")
    refitting = refitting_of(model, data, residuals, executor)
    left_out, change = refitting.every_row(data.target - residuals)
    linear = seemingly_linear(model, data, residuals)
    if linear is not None and linear.agrees(left_out):
        return _linear_score(linear, residuals, left_out, "refits")
    return _other_score(refitting, residuals, left_out, change)


def _with_refits(
    linear: Linear, model: Any, data: TrainingData, residuals: Array, executor: Executor | None
) -> Array:
    """Left-out residuals of the closed form; of refits for rows that (nearly) alone determine a coefficient."""
    left_out = linear.loo_residuals
    delicate = np.flatnonzero(~(1.0 - linear.influence.leverage > _DELICATE) | np.isnan(left_out).any(axis=1))
    if len(delicate):
        refitting = refitting_of(model, data, residuals, executor)
        left_out = left_out.copy()
        for row in delicate:
            left_out[row] = refitting.residual(int(row))
    return left_out


def _linear_score(
    linear: Linear, residuals: Array, left_out: Array, method: Literal["closed form", "refits"]
) -> AnyScore:
    from astropy.table import QTable
    from scipy.special import stdtr

    t = ratio(linear.coefficients, linear.standard_errors)
    figures = {
        "coefficient": linear.coefficients,
        "standard_error": linear.standard_errors,
        "t": t,
        "p": 2.0 * stdtr(linear.dof, -np.abs(t)),
    }
    shaped = {name: figure[:, 0] if figure.shape[1] == 1 else figure for name, figure in figures.items()}
    column = np.arange(len(linear.names)) - int(linear.intercept)
    return AnyScore(
        residuals=residuals,
        loo_residuals=left_out,
        rms=radial_rms(residuals),
        loo_rms=radial_rms(left_out),
        studentised=linear.influence.studentised,
        leverage=linear.influence.leverage,
        cooks_distance=linear.influence.cooks_distance,
        method=method,
        terms=QTable({"term": list(linear.names), "column": column, **shaped}),
    )


def _other_score(refitting: Refitting, residuals: Array, left_out: Array, change: Array) -> AnyScore:
    from astropy.table import QTable

    names, loo_rms, without = refitting.data.names, radial_rms(left_out), refitting.rms_without_columns()
    square = np.sum(left_out**2, axis=1)
    columns = {"term": list(names), "column": np.arange(len(names))}
    return AnyScore(
        residuals=residuals,
        loo_residuals=left_out,
        rms=radial_rms(residuals),
        loo_rms=loo_rms,
        studentised=np.sqrt(ratio(square * (len(square) - 1), np.sum(square) - square)),
        leverage=np.full(len(square), np.nan),
        cooks_distance=ratio(change, (len(names) + 1) * loo_rms**2),
        method="refits",
        terms=QTable({**columns, "loo_rms_without": without, "loss": without - loo_rms}),
    )

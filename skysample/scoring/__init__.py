"""Score a fitted model: leave-one-out residuals of whole points, studentised residuals, influence, and the terms.

One point has two components, and both are left out together (see `skysample.fitting.linear`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, overload

import numpy as np

from skysample.errors import InputError
from skysample.fitting import FittedModel
from skysample.fitting.gauss_newton import Converged, linear_step
from skysample.fitting.linear import Influence, pointwise_influence, radial_rms
from skysample.fitting.multiple_tests import REJECTION_LEVEL, bonferroni_t_squared, p_values
from skysample.geometry import arcsec
from skysample.scoring.sky_error import SkyError, sky_error
from skysample.scoring.term_evidence import TermEvidence, term_evidence, used_points

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from astropy.table import QTable
    from astropy.units import Quantity
    from numpy.typing import ArrayLike

    from skysample.fitting.gauss_newton import Observations
    from skysample.geometry import Array
    from skysample.runs import Run
    from skysample.scoring.any_model import AnyScore

__all__ = ["Score", "SkyError", "TermEvidence", "score", "sky_error", "term_evidence"]


_CURVED_UP_TO = 30
"""At or below this many points, add one Gauss-Newton step to the closed form: the curvature shows (parts in 10,000)."""


@dataclass(frozen=True, eq=False)
class Score:
    """How well a pointing model stands up to its own run; n points used.

    Attributes
    ----------
    rows : tuple of int
        Data rows of the points, counted from 1.
    residuals : Quantity, shape (n, 2)
        Observed minus predicted, arcsec: west and north, or clockwise and up.
    loo_residuals : Quantity, shape (n, 2)
        The same with the point left out of the fit: closed form, for few points with one Gauss-Newton step added.
    rms, loo_rms : Quantity
        Radial: square root of the mean of the two components' squares summed.
    studentised : ndarray, shape (n,)
        Square root of T^2 / 2, to be read against F(2, 2n - p - 2).
    p : ndarray, shape (n,)
        Chance of so large a value, for one point.
    limit : float
        What the largest `studentised` exceeds by chance in 1 % of runs; `fit` rejects beyond it.
    leverage : ndarray, shape (n,)
        Trace of the point's block of the hat matrix, 0 to 2.
    cooks_distance : ndarray, shape (n,)
    model : FittedModel
    loo_expected : Quantity
        What noise alone makes `loo_rms` for these points: larger than for new points, as each is left out of a fit
        that is poorer by it. Nan where a point left out leaves a term undetermined.
    """

    rows: tuple[int, ...]
    residuals: Quantity
    loo_residuals: Quantity
    rms: Quantity
    loo_rms: Quantity
    studentised: Array
    p: Array
    limit: float
    leverage: Array
    cooks_distance: Array
    model: FittedModel = field(repr=False)
    loo_expected: Quantity

    @property
    def terms(self) -> QTable:
        """The model's `terms`."""
        return self.model.terms

    @property
    def points(self) -> QTable:
        """One row a point, for reading."""
        from astropy.table import QTable

        return QTable(
            {
                "row": list(self.rows),
                "residual": np.linalg.norm(self.residuals, axis=1),
                "loo_residual": np.linalg.norm(self.loo_residuals, axis=1),
                "studentised": self.studentised,
                "leverage": self.leverage,
                "cooks_distance": self.cooks_distance,
            }
        )

    @property
    def table(self) -> QTable:
        """The same as `points`."""
        return self.points

    def summary(self) -> str:
        """Residuals, leave-one-out error, and the point that stands out most."""
        residual = f'{len(self.rows)} points: residual {self.rms.value:.2f}" RMS'
        if not np.isfinite(self.studentised).any():
            return f"{residual}; too few points to judge any of them"
        worst = int(np.nanargmax(self.studentised))
        expected = self.loo_expected.value
        by_noise = f' ({expected:.2f}" expected from noise alone)' if np.isfinite(expected) else ""
        return (
            f'{residual}, leave-one-out error {self.loo_rms.value:.2f}" RMS{by_noise}; largest residual: row'
            f" {self.rows[worst]}, studentised {self.studentised[worst]:.2f} (limit {self.limit:.2f})"
        )

    def __str__(self) -> str:
        return self.summary()


@overload
def score(model: FittedModel, X: Run) -> Score: ...
@overload
def score(
    model: object,
    X: ArrayLike,
    y: ArrayLike,
    *,
    sample_weight: ArrayLike | None = None,
    executor: Executor | None = None,
) -> AnyScore: ...
def score(
    model: Any,
    X: Any,
    y: Any = None,
    *,
    sample_weight: ArrayLike | None = None,
    executor: Executor | None = None,
) -> Score | AnyScore:
    """Score a fitted model by leaving out each point in turn.

    Parameters
    ----------
    model : FittedModel, or any fitted model with `fit(X, y)` and `predict(X)`
    X : Run, or array_like of shape (n, p)
        The run that the model was fitted to, or the regressors.
    y : array_like, shape (n,) or (n, k), optional
        Not for a pointing model. One row is one point: all its columns are left out together.
    sample_weight : array_like, shape (n,), optional
        Not for a pointing model, whose run has them. What the model was fitted with.
    executor : concurrent.futures.Executor, optional
        Where a model that has no closed form is refitted; here if none. A pointing model needs none.

    Returns
    -------
    Score or skysample.scoring.any_model.AnyScore

    Raises
    ------
    InputError
        If the run is not the one that the model was fitted to, or the arrays do not fit.
    """
    if isinstance(model, FittedModel):
        if y is not None or sample_weight is not None:
            key = "y" if y is not None else "sample_weight"
            raise InputError("a pointing model is scored on its run alone: score(model, run)", key=key)
        return _score_pointing(model, X)
    from skysample.scoring.any_model import score_any

    if y is None:
        raise InputError("any model but a pointing model is scored as score(model, X, y)", key="y")
    return score_any(model, X, y, sample_weight=sample_weight, executor=executor)


def _score_pointing(model: FittedModel, run: Run) -> Score:
    data = used_points(model, run)
    here = Converged.at(model.function, model.values_rad, data)
    residuals = here.residuals
    influence = pointwise_influence(here.design, residuals, data.weights**2)
    left_out = influence.loo_residuals
    if len(residuals) <= _CURVED_UP_TO:
        left_out = _along_the_curve(model, data, influence)
    dof = model.dof - 2
    return Score(
        rows=model.run.rows,
        residuals=arcsec(residuals),
        loo_residuals=arcsec(left_out),
        rms=arcsec(radial_rms(residuals)),
        loo_rms=arcsec(radial_rms(left_out)),
        studentised=influence.studentised,
        p=p_values(influence.t_squared, 2, dof),
        limit=float(np.sqrt(bonferroni_t_squared(len(residuals), 2, dof, REJECTION_LEVEL) / 2.0)),
        leverage=influence.leverage,
        cooks_distance=influence.cooks_distance,
        model=model,
        loo_expected=arcsec(_expected(model, influence, data.weights)),
    )


def _expected(model: FittedModel, influence: Influence, weights: Array) -> float:
    """Expected leave-one-out RMS: e_(i) has the covariance sigma^2 (I - H_ii)^-1 / w_i."""
    if not np.isfinite(influence.loo_residuals).all():
        return float("nan")
    widen = np.linalg.inv(np.eye(2) - influence.blocks)
    spread = np.trace(widen, axis1=1, axis2=2) / weights**2
    return float(model.sigma_rad * np.sqrt(np.mean(spread)))


def _along_the_curve(model: FittedModel, data: Observations, influence: Influence) -> Array:
    """Left-out residuals after one Gauss-Newton step more, from each closed-form answer, on the true geometry."""
    left_out = influence.loo_residuals.copy()
    points = np.flatnonzero(np.isfinite(left_out).all(axis=1))
    count, m = len(data.axes), len(points)
    # Every point's own coefficients, at all points, in one go.
    values = np.repeat(model.values_rad - influence.deleted_shift[points], count, axis=0)
    predicted, design = model.function.predict_with_design(
        values, np.tile(data.axes, (m, 1)), data.moment.repeated(m)
    )
    residuals = model.function.residuals(predicted, np.tile(data.observed, (m, 1))).reshape(m, count, 2)
    design = design.reshape(m, count, 2, -1)
    for point, its_design, its_residuals in zip(points, design, residuals, strict=True):
        others = np.arange(count) != point
        step = linear_step(its_design[others], its_residuals[others], data.weights[others])
        left_out[point] = its_residuals[point] - its_design[point] @ step
    return left_out

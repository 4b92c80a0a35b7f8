"""Gauss-Newton on the true geometry, with the step halved while it does not help."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import NoSolution

if TYPE_CHECKING:
    from skysample.fitting.pointing import Moment, PointingFunction
    from skysample.geometry import Array

__all__ = ["Converged", "converge", "linear_step"]

_STEP_SETTLED = 1e-14
_ITERATIONS = 60
_SLACK = 1e-9
"""Rounding may raise the cost by so small a share in the last steps."""


@dataclass(frozen=True)
class Converged:
    """Coefficients at the minimum, and the linear problem there.

    Attributes
    ----------
    values : ndarray, shape (p,)
        Radians.
    design : ndarray, shape (n, 2, p)
    residuals : ndarray, shape (n, 2)
        Observed minus predicted, radians.
    """

    values: Array
    design: Array
    residuals: Array


def linear_step(design: Array, residuals: Array, weights: Array) -> Array:
    """Least-squares step of the linearised problem, shape (p,): the shortest in scaled columns if singular.

    Parameters
    ----------
    design : ndarray, shape (n, 2, p)
    residuals : ndarray, shape (n, 2)
    weights : ndarray, shape (n,)
        Inverse standard deviations, in any unit.
    """
    rows = (design * weights[:, None, None]).reshape(-1, design.shape[-1])
    scale = np.linalg.norm(rows, axis=0)
    scale[scale == 0.0] = 1.0
    step = np.linalg.lstsq(rows / scale, (residuals * weights[:, None]).reshape(-1), rcond=None)[0]
    return np.asarray(step / scale)


def converge(
    function: PointingFunction, start: Array, axes: Array, observed: Array, weights: Array, moment: Moment
) -> Converged:
    """Follow Gauss-Newton steps to rounding.

    Parameters
    ----------
    function : PointingFunction
    start : ndarray, shape (p,)
    axes : ndarray, shape (n, 2)
        Mechanical readings, radians.
    observed : ndarray, shape (n, 3)
        Unit vectors.
    weights : ndarray, shape (n,)
    moment : Moment

    Returns
    -------
    Converged

    Raises
    ------
    NoSolution
        If it does not settle.
    """
    values = np.array(start, float)
    predicted, design = function.predict_with_design(values, axes, moment)
    residuals = function.residuals(predicted, observed)
    cost = _cost(residuals, weights)
    for _ in range(_ITERATIONS):
        step = linear_step(design, residuals, weights)
        length = 1.0
        while True:
            trial = values + length * step
            predicted, trial_design = function.predict_with_design(trial, axes, moment)
            trial_residuals = function.residuals(predicted, observed)
            trial_cost = _cost(trial_residuals, weights)
            if trial_cost <= cost * (1.0 + _SLACK) + 1e-30 or length < 1e-3:
                break
            length *= 0.5
        values, design, residuals, cost = trial, trial_design, trial_residuals, trial_cost
        if np.max(np.abs(step)) < _STEP_SETTLED * max(1.0, float(np.max(np.abs(values)))) or _rounding(
            step, design, residuals
        ):
            return Converged(values, design, residuals)
    raise NoSolution(
        "the fit does not settle: the readings and the solved places do not belong to one mount; check the mount kind,"
        " the signs of latitude and longitude, and the times"
    )


def _cost(residuals: Array, weights: Array) -> float:
    return float(np.sum((residuals * weights[:, None]) ** 2))


def _rounding(step: Array, design: Array, residuals: Array) -> bool:
    """Whether the step moves the predictions by less than a ten-millionth of the residuals, or by rounding."""
    moved = np.sqrt(np.mean((design @ step) ** 2))
    return bool(moved < 1e-7 * np.sqrt(np.mean(residuals**2)) + 4e-15)

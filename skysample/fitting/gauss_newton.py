"""Gauss-Newton on the true geometry, with the step halved while it does not help."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import NoSolution
from skysample.fitting.pointing import Moment
from skysample.fitting.scaled_design import ScaledDesign

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.fitting.pointing import PointingFunction
    from skysample.geometry import Array
    from skysample.runs import Run

_STEP_SETTLED = 1e-14
_ITERATIONS = 60
_SLACK = 1e-9
"""Rounding may raise the cost by so small a share in the last steps."""


@dataclass(frozen=True, slots=True)
class Observations:
    """What a fit works on: n points.

    Attributes
    ----------
    axes : ndarray, shape (n, 2)
        Mechanical readings, radians.
    observed : ndarray, shape (n, 3)
        Unit vectors.
    weights : ndarray, shape (n,)
        Inverse standard deviations, of mean square 1.
    moment : Moment
    """

    axes: Array
    observed: Array
    weights: Array
    moment: Moment

    @classmethod
    def of(cls, run: Run, chosen: NDArray[Any]) -> Observations:
        """Some of a run's points; their temperatures count only where all of them have one."""
        weights = np.ones(len(run.axes[chosen]))
        if run.sigma_arcsec is not None:
            weights = 1.0 / run.sigma_arcsec[chosen]
            weights = weights / np.sqrt(np.mean(weights**2))
        temperature = run.temperature_c[chosen]
        moment = Moment(
            None if run.time is None else run.time[chosen],
            temperature if np.isfinite(temperature).all() else None,
        )
        return cls(run.axes[chosen], run.directions[chosen], weights, moment)

    def part(self, kept: NDArray[np.bool_]) -> Observations:
        """Some of these points, with the weights that they have here."""
        time, temperature = self.moment.time, self.moment.temperature_c
        moment = Moment(
            None if time is None else time[kept], None if temperature is None else temperature[kept]
        )
        return Observations(self.axes[kept], self.observed[kept], self.weights[kept], moment)


@dataclass(frozen=True)
class Converged:
    """Coefficients, and the linear problem there.

    Attributes
    ----------
    values : ndarray, shape (p,)
        Radians.
    design : ndarray, shape (n, 2, p)
    residuals : ndarray, shape (n, 2)
        Observed minus predicted, radians.
    cost : float
        Weighted squares of the residuals, summed.
    """

    values: Array
    design: Array
    residuals: Array
    cost: float

    @classmethod
    def at(cls, function: PointingFunction, values: Array, data: Observations) -> Converged:
        """Linearise about given coefficients."""
        predicted, design = function.predict_with_design(values, data.axes, data.moment)
        residuals = function.residuals(predicted, data.observed)
        return cls(values, design, residuals, float(np.sum((residuals * data.weights[:, None]) ** 2)))


def linear_step(design: Array, residuals: Array, weights: Array) -> Array:
    """Least-squares step of the linearised problem, shape (p,): the shortest in scaled columns if singular.

    Parameters
    ----------
    design : ndarray, shape (n, 2, p)
    residuals : ndarray, shape (n, 2)
    weights : ndarray, shape (n,)
        Inverse standard deviations, in any unit.
    """
    return ScaledDesign.of(design, residuals, weights).coefficients[:, 0]


def converge(function: PointingFunction, start: Array, data: Observations) -> Converged:
    """Follow Gauss-Newton steps from `start`, shape (p,), to rounding.

    Raises
    ------
    NoSolution
        If it does not settle.
    """
    here = Converged.at(function, np.array(start, float), data)
    for _ in range(_ITERATIONS):
        step = linear_step(here.design, here.residuals, data.weights)
        length = 1.0
        while True:
            there = Converged.at(function, here.values + length * step, data)
            if there.cost <= here.cost * (1.0 + _SLACK) + 1e-30 or length < 1e-3:
                break
            length *= 0.5
        here = there
        settled = _STEP_SETTLED * max(1.0, float(np.max(np.abs(here.values))))
        if np.max(np.abs(step)) < settled or _rounding(step, here):
            return here
    raise NoSolution(
        "the fit does not settle: readings and plate solutions do not belong to one mount; check the mount kind, the"
        " signs of latitude and longitude, and the times"
    )


def _rounding(step: Array, here: Converged) -> bool:
    """Whether the step moves the predictions by less than a ten-millionth of the residuals, or by rounding."""
    moved = np.sqrt(np.mean((here.design @ step) ** 2))
    return bool(moved < 1e-7 * np.sqrt(np.mean(here.residuals**2)) + 4e-15)

"""Residuals of a fit, and the two ways in which every test of them gets an honest p.

Residuals of a fit are not independent: with H the hat matrix they are (I - H) times the noise, so 15 points and 8
terms leave 22 numbers' worth of chance among 30 residuals. Either columns are added to the fit and judged by F,
which is exact for the linearised model with normal noise (Seber and Lee 2003, Linear Regression Analysis, section
4.3; from memory); or the statistic is compared with its values for simulated noise, projected in the same way: the
rank of the observed among so many simulated is exact too, at any number of points (Barnard 1963, J. R. Stat. Soc. B
25, 294; Dwass 1957, Ann. Math. Stat. 28, 181; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.scaled_design import ScaledDesign
from skysample.geometry import cross, tangent_basis
from skysample.scoring.term_evidence import used_points

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.runs import Run

DRAWS = 999
"""Simulated sets of noise that a statistic without a closed form is ranked among: p is a multiple of 1/1000."""

_BATCH_NUMBERS = 4_000_000
_DEPENDENT = 1e-6
"""An added column of which so small a part is not in the fit already adds nothing."""


@dataclass(frozen=True, slots=True)
class TestResult:
    """What one test says before the verdicts of all of them are put together.

    Attributes
    ----------
    statistic, p : float
    sentence : str
        What it means and what to do, should it count.
    course : ndarray, shape (n,), or None
        How far along the movement that it looks for each point is.
    """

    statistic: float
    p: float
    sentence: str
    course: Array | None = None


@dataclass(frozen=True, slots=True)
class AddedColumns:
    """Columns added to a fit.

    Attributes
    ----------
    f, p : float
        Of all of them together; p is nan where no degrees of freedom are left.
    values, stderr : ndarray, shape (q,)
        Their coefficients and standard errors, radians per unit of column.
    """

    f: float
    p: float
    values: Array
    stderr: Array


@dataclass(frozen=True, eq=False)
class ResidualSpace:
    """Residuals of the n points used, with what may have left its trace in them.

    Attributes
    ----------
    kind : str
        Of mount.
    rows : tuple of int
        Data rows, from 1.
    places : ndarray, shape (n, 3)
        Where the tube points, unit vectors.
    basis : ndarray, shape (n, 2, 3)
        The two directions of the residuals there.
    weights : ndarray, shape (n,)
        Inverse standard deviations, of mean square 1.
    errors : ndarray, shape (2n,)
        Weighted residuals, radians.
    fitted : ndarray, shape (2n, p)
        Orthonormal basis of the weighted design.
    axis_motion : ndarray, shape (n, 2, 2)
        How the place moves with the two terms that aim the primary axis, per radian.
    tube_motion : ndarray, shape (n, 2, 2)
        How it moves when the image shifts in the tube, which a flip turns over.
    side : ndarray of int, shape (n,)
        Of the pier.
    hours : ndarray, shape (n,), or None
        Since the first point.
    clock : tuple of str
        UTC of each point, empty without times.
    temperature_c : ndarray, shape (n,), or None
        None unless every point has one.
    seed : int
        Of the simulated noise.
    """

    kind: str
    rows: tuple[int, ...]
    places: Array
    basis: Array
    weights: Array
    errors: Array
    fitted: Array
    axis_motion: Array
    tube_motion: Array
    side: NDArray[np.int64]
    hours: Array | None
    clock: tuple[str, ...]
    temperature_c: Array | None
    seed: int

    @property
    def dof(self) -> int:
        """Degrees of freedom of the residuals."""
        return len(self.errors) - int(self.fitted.shape[1])

    @property
    def motion(self) -> Array:
        """Both ways to move at once, shape (n, 2, 4)."""
        return np.concatenate([self.axis_motion, self.tube_motion], axis=-1)

    def projected(self, columns: Array) -> Array:
        """Weighted columns (n, 2, q) less what the fit describes of them, shape (2n, q)."""
        rows = (columns * self.weights[:, None, None]).reshape(len(self.errors), -1)
        rest = rows - self.fitted @ (self.fitted.T @ rows)
        rest = rest - self.fitted @ (self.fitted.T @ rest)
        small = np.linalg.norm(rest, axis=0) <= _DEPENDENT * np.linalg.norm(rows, axis=0)
        rest[:, small] = 0.0
        return np.asarray(rest)

    def with_columns(self, columns: Array) -> AddedColumns:
        """Fit again with columns (n, 2, q) added, each per radian of a coefficient of its own."""
        from scipy.special import fdtrc

        more = ScaledDesign.of(self.projected(columns), self.errors, smallest=_DEPENDENT)
        count, explained = more.rank, float(np.sum(more.projected**2))
        dof = self.dof - count
        if count == 0 or dof < 1:
            nothing = np.full(columns.shape[-1], np.nan)
            return AddedColumns(np.nan, np.nan, nothing, nothing)
        variance = max(float(self.errors @ self.errors) - explained, 0.0) / dof
        f = explained / count / variance if variance > 0.0 else np.inf
        return AddedColumns(
            f=f,
            p=float(fdtrc(count, dof, f)),
            values=more.coefficients[:, 0],
            stderr=np.sqrt(variance * np.sum(more.factor**2, axis=1)),
        )

    def without_course(self, course: Array) -> ResidualSpace:
        """What is left once axis and tube may also move along a course (n,)."""
        columns = self.projected(self.motion * course[:, None, None])
        more = ScaledDesign.of(columns, smallest=_DEPENDENT).basis(columns)
        fitted = np.concatenate([self.fitted, more], axis=1)
        return replace(self, fitted=fitted, errors=self.errors - fitted @ (fitted.T @ self.errors))

    def chance(self, statistic: Callable[[Array], Array]) -> tuple[float, float]:
        """Statistic of the residuals, and the chance of one at least as large from noise alone.

        Parameters
        ----------
        statistic : callable
            Takes weighted residuals of shape (2n, b), gives (b,); must not change with their scale.

        Returns
        -------
        float
        float
            The rank of the observed among `DRAWS` simulated ones, as a share.
        """
        observed = float(statistic(self.errors[:, None])[0])
        beyond = sum(int(np.count_nonzero(statistic(each) >= observed)) for each in self._noise())
        return observed, (1 + beyond) / (1 + DRAWS)

    def _noise(self) -> Iterator[Array]:
        """Residuals that noise alone leaves, in batches (2n, b)."""
        rng = np.random.default_rng(self.seed)
        size = max(1, _BATCH_NUMBERS // len(self.errors))
        for start in range(0, DRAWS, size):
            noise = rng.standard_normal((len(self.errors), min(size, DRAWS - start)))
            yield noise - self.fitted @ (self.fitted.T @ noise)


def residual_space(model: FittedModel, run: Run, seed: int) -> ResidualSpace:
    """Gather what the tests need of a fitted model and the run that it was fitted to."""
    data, function = used_points(model, run), model.function
    used, axes, weights = np.isin(run.rows, model.run.rows), data.axes, data.weights
    places, design = function.predict_with_design(model.values_rad, axes, data.moment)
    rows = (design * weights[:, None, None]).reshape(2 * len(axes), -1)
    fitted = ScaledDesign.of(rows).basis(rows)
    errors = (function.residuals(places, data.observed) * weights[:, None]).ravel()
    errors = errors - fitted @ (fitted.T @ errors)

    basis = tangent_basis(places, function.pole)
    tube, turning = function.chain.tube_and_axes(function.rotation_angles(model.values_rad), axes)
    motion = cross(turning[:, :2], tube[:, None, :])
    side = run.side[used]
    hours: Array | None = None
    clock: tuple[str, ...] = ()
    if run.time is not None:
        from skysample.astrometry.times import iso, terrestrial

        times = run.time[used]
        # A difference of two `Time` would load astropy's tables of leap seconds.
        day, fraction = terrestrial(times)
        hours = 24.0 * (day - day.min() + fraction)
        hours -= hours.min()
        clock = tuple(str(each)[11:16] for each in iso(times))
    return ResidualSpace(
        kind=model.kind,
        rows=model.run.rows,
        places=places,
        basis=basis,
        weights=weights,
        errors=errors,
        fitted=fitted,
        axis_motion=np.einsum("nij,nkj->nik", basis, motion),
        tube_motion=side[:, None, None] * np.eye(2),
        side=side,
        hours=hours,
        clock=clock,
        temperature_c=data.moment.temperature_c,
        seed=seed,
    )

"""False plate solutions: found from a start that they cannot move, then judged point by point.

Least median of squares over small subsets (Rousseeuw 1984, J. Am. Stat. Assoc. 79, 871) on the rotations alone,
concentration on the better part of the points (Rousseeuw & Van Driessen 2006, Data Min. Knowl. Discov. 12, 29)
with every
term, then the set grows point by point (Atkinson & Riani 2000, Robust Diagnostic Regression Analysis, ch. 2) until
the next one would be rejected by its studentised deletion residual at a family-wise limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.least_squares import linear_step
from skysample.fitting.start import starting_angles
from skysample.geometry import ARCSEC, cross, offset, tangent_basis
from skysample.plugins.contracts import ROTATIONS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.fitting.pointing import Moment, PointingFunction
    from skysample.geometry import Array

__all__ = ["Observations", "deletion_f", "family_limit", "set_beyond_chance", "trusted_points"]

FAMILY_WISE = 0.01
_SUBSETS = 120
_SUBSET_POINTS = 4
_JUDGES = 400
_NOISE_FLOOR = 1e-3 * ARCSEC
"""Below this a residual is rounding, not noise: nothing is rejected for it."""


@dataclass(frozen=True, slots=True)
class Observations:
    """What the fit works on: n points.

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


def family_limit(points: int, dof: int) -> float:
    """F(2, dof) that the largest of so many points exceeds by chance in 1 % of runs (Sidak's bound)."""
    each = 1.0 - (1.0 - FAMILY_WISE) ** (1.0 / points)
    # The upper tail of F(2, m) is (1 + 2 F / m) ** (-m / 2).
    return float(dof / 2.0 * (each ** (-2.0 / dof) - 1.0))


def set_beyond_chance(points: int, chosen: int, f: float, dof: int) -> bool:
    """Whether F(2 chosen, dof) of the worst set of so many of the points would come by chance in less than 1 % of runs.

    Bonferroni's bound over every set of that size.
    """
    from scipy.special import fdtrc

    p = float(fdtrc(2 * chosen, dof, f))
    if p == 0.0:
        return True
    sets = math.lgamma(points + 1) - math.lgamma(chosen + 1) - math.lgamma(points - chosen + 1)
    return sets + math.log(p) < math.log(FAMILY_WISE)


def deletion_f(design: Array, residuals: Array, weights: Array, kept: NDArray[np.bool_]) -> tuple[Array, int]:
    """How far every point stands from the fit to the kept points without it, as F(2, dof).

    Parameters
    ----------
    design : ndarray, shape (n, 2, p)
    residuals : ndarray, shape (n, 2)
        Of any coefficients near the minimum; the linear step to the kept points' minimum is taken here.
    weights : ndarray, shape (n,)
    kept : ndarray of bool, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        For a kept point its own deletion statistic, for another one that of its prediction.
    int
        The degrees of freedom of the noise for a kept point left out (two more for the others).
    """
    count = design.shape[-1]
    rest = residuals - design @ linear_step(design[kept], residuals[kept], weights[kept])
    rows = design * weights[:, None, None]
    error = rest * weights[:, None]
    scale = np.linalg.norm(rows[kept].reshape(-1, count), axis=0)
    scale[scale == 0.0] = 1.0
    rows = rows / scale
    _, singular, right = np.linalg.svd(rows[kept].reshape(-1, count), full_matrices=False)
    good = singular > singular[0] * 1e-12
    factor = (right[good] / singular[good, None]).T
    spread = rows @ factor
    block = spread @ spread.transpose(0, 2, 1)
    # A kept point is compared with the fit to the others (I - H), another with the fit to the kept (I + H).
    matrix = np.eye(2) + np.where(kept, -1.0, 1.0)[:, None, None] * block
    determined = np.linalg.det(matrix) > 1e-9
    matrix[~determined] = np.eye(2)
    distance = np.einsum("ni,nij,nj->n", error, np.linalg.inv(matrix), error)
    dof = 2 * int(kept.sum()) - int(good.sum())
    total = float(np.sum(error[kept] ** 2))
    floor = _NOISE_FLOOR**2
    without = np.maximum(total - distance, 0.0) / max(dof - 2, 1) + floor
    whole = total / max(dof, 1) + floor
    f = distance / 2.0 / np.where(kept, without, whole)
    f[kept & ~determined] = 0.0
    return f, dof - 2


def trusted_points(
    function: PointingFunction, data: Observations, seed: int = 0
) -> tuple[NDArray[np.bool_], Array]:
    """Which points a fit may trust, and coefficients near that fit.

    Parameters
    ----------
    function : PointingFunction
    data : Observations
    seed : int
        For the subsets drawn.

    Returns
    -------
    ndarray of bool, shape (n,)
    ndarray, shape (p,)
    """
    values = _least_median(function, data, seed)
    points, count = len(data.axes), len(function.names)
    everything = np.ones(points, bool)
    if 2 * points - count < 6:
        return everything, values
    core = max(int(np.ceil(0.6 * points)), (count + 5) // 2 + 1)
    kept = everything
    for _ in range(12):
        predicted, design = function.predict_with_design(values, data.axes, data.moment)
        residuals = function.residuals(predicted, data.observed)
        size = np.linalg.norm(residuals * data.weights[:, None], axis=1)
        nearest = np.zeros(points, bool)
        nearest[np.argsort(size, kind="stable")[:core]] = True
        if np.array_equal(nearest, kept):
            break
        kept = nearest
        values = values + linear_step(design[kept], residuals[kept], data.weights[kept])
    else:
        predicted, design = function.predict_with_design(values, data.axes, data.moment)
        residuals = function.residuals(predicted, data.observed)
    return _grow(design, residuals, data.weights, kept), values


def _grow(design: Array, residuals: Array, weights: Array, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
    kept = kept.copy()
    points = len(kept)
    while not kept.all():
        f, dof = deletion_f(design, residuals, weights, kept)
        outside = np.flatnonzero(~kept)
        nearest = outside[np.argmin(f[outside])]
        # The kept are the quieter part of the points, so their noise is an underestimate: undo the truncation.
        if f[nearest] > family_limit(points, dof + 2) * _truncation(int(kept.sum()), points):
            break
        step = max(1, len(outside) // 3)
        order = outside[np.argsort(f[outside])][:step]
        kept[order[f[order] <= family_limit(points, dof + 2) * _truncation(int(kept.sum()), points)]] = True
    for _ in range(points):
        f, dof = deletion_f(design, residuals, weights, kept)
        if dof < 1:
            break
        inside = np.flatnonzero(kept)
        worst = inside[np.argmax(f[inside])]
        if f[worst] <= family_limit(points, dof):
            break
        kept[worst] = False
    return kept


def _truncation(kept: int, points: int) -> float:
    """Noise variance of all points over that of the quietest share, for two Gaussian components."""
    share = min(kept / points, 1.0 - 0.5 / points)
    cut = -np.log1p(-share)
    return float(share / (share - (1.0 - share) * cut))


def _least_median(function: PointingFunction, data: Observations, seed: int) -> Array:
    """Coefficients whose rotations fit the better half of the points best; displacements are zero."""
    chain, slots = function.chain, function.rotation_slots
    free = tuple(i in slots for i in range(len(ROTATIONS[function.kind])))
    rng = np.random.default_rng(seed)
    points = len(data.axes)
    judges = np.arange(points) if points <= _JUDGES else np.sort(rng.choice(points, _JUDGES, replace=False))
    start = starting_angles(chain, data.axes[judges], data.observed[judges], free)
    values = np.zeros(len(function.names))
    size = min(_SUBSET_POINTS, points)
    draws = np.argsort(rng.random((_SUBSETS, len(judges))), axis=1)[:, :size]
    subsets = judges[draws]
    angles = np.tile(start, (len(subsets), 1))
    for _ in range(3):
        tube, turning = chain.tube_and_axes(angles, data.axes[subsets])
        basis = tangent_basis(tube, function.pole)
        residual = offset(tube, basis, data.observed[subsets]).reshape(len(subsets), -1)
        motion = cross(turning[..., slots, :], tube[..., None, :])
        design = np.einsum("bnij,bnkj->bnik", basis, motion).reshape(len(subsets), -1, len(slots))
        normal = np.einsum("bmi,bmj->bij", design, design) + 1e-12 * np.eye(len(slots))
        step = np.linalg.solve(normal, np.einsum("bmi,bm->bi", design, residual)[..., None])[..., 0]
        angles[:, slots] += np.clip(step, -0.5, 0.5)
    angles = np.concatenate([angles, start[None]])
    tube = chain.tube(angles, data.axes[judges])
    distance = np.linalg.norm(tube - data.observed[judges], axis=-1) * data.weights[judges]
    best = int(np.argmin(np.partition(distance, len(judges) // 2, axis=1)[:, len(judges) // 2]))
    values[: len(slots)] = angles[best, slots]
    return values

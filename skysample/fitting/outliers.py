"""False plate solutions: found from a start that they cannot move, then judged point by point.

The start is the best rotation between the axes' frame and the sky, for any encoder zero. A secondary zero cannot be had
from a rotation, so it is scanned; for each the best rotation is closed-form (Wahba's problem, solved by singular
values: Markley 1988, J. Astronaut. Sci. 36, 245).

Least median of squares over small subsets (Rousseeuw 1984, J. Am. Stat. Assoc. 79, 871) on the rotations alone,
concentration on the better part of the points (Rousseeuw & Van Driessen 2006, Data Min. Knowl. Discov. 12, 29) with
every term, then the set grows point by point (Atkinson & Riani 2000, Robust Diagnostic Regression Analysis, ch. 2)
until the next one would be rejected by its studentised deletion residual at a family-wise limit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.gauss_newton import Converged, linear_step
from skysample.fitting.multiple_tests import sidak_f
from skysample.fitting.scaled_design import ScaledDesign
from skysample.geometry import ARCSEC, cross, offset, tangent_basis, wrap_pi
from skysample.plugins.contracts import ROTATIONS
from skysample.site.mount_axes import ideal_direction

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.fitting.gauss_newton import Observations
    from skysample.fitting.pointing import PointingFunction
    from skysample.fitting.rotations import Chain
    from skysample.geometry import Array

_SCAN = np.radians(np.arange(-180.0, 180.0, 2.5))
_SUBSETS = 120
_SUBSET_POINTS = 4
_JUDGES = 400
_NOISE_FLOOR = 1e-3 * ARCSEC
"""Below this a residual is rounding, not noise: nothing is rejected for it."""


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
    known = ScaledDesign.of(design[kept], residuals[kept], weights[kept])
    error = (residuals - design @ known.coefficients[:, 0]) * weights[:, None]
    spread = (design * weights[:, None, None]) @ known.factor
    block = spread @ spread.transpose(0, 2, 1)
    # A kept point is compared with the fit to the others (I - H), another with the fit to the kept (I + H).
    matrix = np.eye(2) + np.where(kept, -1.0, 1.0)[:, None, None] * block
    determined = np.linalg.det(matrix) > 1e-9
    matrix[~determined] = np.eye(2)
    distance = np.einsum("ni,nij,nj->n", error, np.linalg.inv(matrix), error)
    dof = 2 * int(kept.sum()) - known.rank
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
    here = Converged.at(function, values, data)
    for _ in range(12):
        size = np.linalg.norm(here.residuals * data.weights[:, None], axis=1)
        nearest = np.zeros(points, bool)
        nearest[np.argsort(size, kind="stable")[:core]] = True
        if np.array_equal(nearest, kept):
            break
        kept = nearest
        step = linear_step(here.design[kept], here.residuals[kept], data.weights[kept])
        here = Converged.at(function, here.values + step, data)
    return _grow(here.design, here.residuals, data.weights, kept), here.values


def _grow(design: Array, residuals: Array, weights: Array, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
    kept = kept.copy()
    points = len(kept)
    while not kept.all():
        f, dof = deletion_f(design, residuals, weights, kept)
        outside = np.flatnonzero(~kept)
        nearest = outside[np.argmin(f[outside])]
        # The kept are the quieter part of the points, so their noise is an underestimate: undo the truncation.
        if f[nearest] > sidak_f(points, dof + 2) * _truncation(int(kept.sum()), points):
            break
        step = max(1, len(outside) // 3)
        order = outside[np.argsort(f[outside])][:step]
        kept[order[f[order] <= sidak_f(points, dof + 2) * _truncation(int(kept.sum()), points)]] = True
    for _ in range(points):
        f, dof = deletion_f(design, residuals, weights, kept)
        if dof < 1:
            break
        inside = np.flatnonzero(kept)
        worst = inside[np.argmax(f[inside])]
        if f[worst] <= sidak_f(points, dof):
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
    start = _starting_angles(chain, data.axes[judges], data.observed[judges], free)
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


def _starting_angles(chain: Chain, axes: Array, observed: Array, free: tuple[bool, ...]) -> Array:
    """The six rotation angles to start from, skew and cone being zero.

    Parameters
    ----------
    chain : Chain
    axes : ndarray, shape (n, 2)
        Mechanical readings, radians.
    observed : ndarray, shape (n, 3)
        Where the tube really pointed.
    free : tuple of bool
        Which of the six the fit may move; the others stay zero.

    Returns
    -------
    ndarray, shape (6,)
    """
    zeros = _SCAN if free[3] else np.zeros(1)
    readings = axes[None] + np.stack([np.zeros_like(zeros), zeros], axis=-1)[:, None, :]
    nominal = ideal_direction(chain.frame, readings)
    attitude, cost = _best_rotation(nominal, observed)
    candidates = np.argsort(cost)[:6]
    found = [_as_angles(chain, attitude[i], zeros[i]) * free for i in candidates]
    misfit = [
        float(np.median(np.linalg.norm(chain.tube(angles, axes) - observed, axis=-1))) for angles in found
    ]
    return found[int(np.argmin(misfit))]


def _best_rotation(nominal: Array, observed: Array) -> tuple[Array, Array]:
    profile = np.einsum("ni,snj->sij", observed, nominal)
    left, singular, right = np.linalg.svd(profile)
    handed = np.sign(np.linalg.det(left @ right))
    flip = np.ones((len(singular), 3))
    flip[:, 2] = handed
    attitude = (left * flip[:, None, :]) @ right
    return attitude, len(observed) - np.sum(singular * flip, axis=1)


def _as_angles(chain: Chain, attitude: Array, secondary_zero: float) -> Array:
    """Split one rotation of the sky into the base's two angles and a turn of the primary axis."""
    axis = attitude @ chain.frame[:, 2]
    if chain.altaz:
        lean = float(np.arctan2(np.hypot(axis[0], axis[1]), axis[2]))
        toward = np.arctan2(axis[0], axis[1])
        first, second = lean * np.cos(toward), lean * np.sin(toward)
    else:
        elevated = axis * chain.hemisphere
        nominal = chain.frame[:, 2] * chain.hemisphere
        azimuth = np.arctan2(elevated[0], chain.hemisphere * elevated[1])
        first = np.arcsin(np.clip(elevated[2], -1.0, 1.0)) - np.arcsin(nominal[2])
        second = azimuth
    base, _ = chain.base(np.array([first, second]))
    turn = chain.frame.T @ base.T @ attitude @ chain.frame
    primary_zero = -np.arctan2(turn[1, 0], turn[0, 0])
    return np.array([first, second, wrap_pi(primary_zero), wrap_pi(secondary_zero), 0.0, 0.0])

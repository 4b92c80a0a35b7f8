"""A jump between two points: the largest added-variable F over every place where the run can be cut in two.

That the cut is chosen where it explains most is allowed for by choosing it for simulated noise in the same way
(Andrews 1993, Econometrica 61, 821, has the large-sample form of this statistic; from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.scoring.residual_tests.residual_space import Examined
from skysample.scoring.residual_tests.wording import likelier_motion

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.scoring.residual_tests.residual_space import Leftovers

__all__ = ["step"]

_LEAST_PART = 3
_MOST_CUTS = 200
_DEPENDENT = 1e-9


def step(left: Leftovers) -> Examined:
    """Ask whether axis and tube jump once, somewhere in the run: four columns more, and the best cut."""
    name = "step"
    if left.hours is None:
        return Examined(name, None, None, "the run has no times")
    cuts = _cuts(left.hours)
    if not len(cuts) or left.dof < 5:
        return Examined(name, None, None, "too few points")
    order = np.argsort(left.hours, kind="stable")
    weighted = left.motion * left.weights[:, None, None]
    whitened, counts = _whitened(left, order, cuts)

    def shares(errors: Array) -> Array:
        """Share of the squares that each cut explains, shape (cuts, b)."""
        # What is left over is square to the fit, so the columns need not be projected.
        each = np.einsum("nij,nib->njb", weighted, errors.reshape(len(weighted), 2, -1))
        before = np.cumsum(each[order], axis=0)
        cut = before[-1] - before[cuts - 1] - (1.0 - cuts / len(order))[:, None, None] * before[-1]
        return np.asarray(np.sum((whitened @ cut) ** 2, axis=1) / np.sum(errors**2, axis=0))

    _, p = left.chance(lambda errors: np.asarray(np.max(shares(errors), axis=0)))
    share = shares(left.errors[:, None])[:, 0]
    best = int(np.argmax(share))
    count = int(counts[best])
    f = float(share[best]) / count * (left.dof - count) / (1.0 - float(share[best]))
    course = _course(order, int(cuts[best]))
    moved, cure = likelier_motion(left, course)
    before, after = order[cuts[best] - 1], order[cuts[best]]
    return Examined(
        name,
        f,
        p,
        f"the points jump between row {left.rows[before]} ({left.clock[before]} UTC) and row {left.rows[after]}"
        f" ({left.clock[after]}), as if {moved} at once, by a knock, a pulled cable or a lost count: {cure},"
        " or fit the part after the jump alone (use = false before it)",
        course,
    )


def _cuts(hours: Array) -> NDArray[np.int64]:
    """Numbers of points before each possible cut, in the order of time."""
    ordered = np.sort(hours)
    cuts = np.arange(_LEAST_PART, len(hours) - _LEAST_PART + 1)
    cuts = cuts[ordered[cuts] > ordered[cuts - 1]]
    if len(cuts) > _MOST_CUTS:
        cuts = cuts[np.linspace(0, len(cuts) - 1, _MOST_CUTS).round().astype(int)]
    return np.asarray(cuts)


def _course(order: NDArray[np.int64], cut: int) -> Array:
    """0 before the cut and 1 after it, less its mean, shape (n,)."""
    after = np.zeros(len(order))
    after[order[cut:]] = 1.0
    return np.asarray(after - after.mean())


def _whitened(
    left: Leftovers, order: NDArray[np.int64], cuts: NDArray[np.int64]
) -> tuple[Array, NDArray[np.int64]]:
    """For each cut what makes its four products with the residuals independent, (cuts, 4, 4), and its rank."""
    courses = np.stack([_course(order, int(cut)) for cut in cuts], axis=1)
    columns = (left.motion[:, :, None, :] * courses[:, None, :, None]).reshape(len(order), 2, -1)
    projected = left.projected(columns).reshape(len(left.errors), len(cuts), 4)
    scale = np.linalg.norm(projected, axis=0)
    scale[scale == 0.0] = 1.0
    projected = (projected / scale).transpose(1, 0, 2)
    size, axes = np.linalg.eigh(projected.swapaxes(1, 2) @ projected)
    good = size > _DEPENDENT
    root = np.where(good, 1.0 / np.sqrt(np.where(good, size, 1.0)), 0.0)
    return root[:, :, None] * axes.swapaxes(1, 2) / scale[:, None, :], good.sum(axis=1)

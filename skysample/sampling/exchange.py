"""Exchange points for better ones: the least mean prediction variance of a linear model (I-optimality).

Points are exchanged one at a time for the best of all candidates until nothing is gained (V. V. Fedorov 1972,
"Theory of Optimal Experiments", Academic Press). In coordinates in which the model's mean information over the sky is
the identity, the criterion is the trace of the inverse of the points' information matrix, and the gain by one more
point of two components follows from 2 by 2 matrices (Sherman-Morrison-Woodbury).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.listeners import tell

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.geometry import Array

    Sides = NDArray[np.int64]

_SWEEPS = 20
_STOP = 1e-4  # share of the variance that a sweep must gain for another one
_TIE = 1e-9  # gains that differ by less are equal, so that rounding decides nothing
_RIDGE = 1e-6  # even points' worth of information that is always there: a point can be taken out of too few
_SINGULAR = 1e-13  # least eigenvalue over the largest, below which the points do not determine all terms


@dataclass(frozen=True)
class Places:
    """Directions on a side of the pier, with their rows of the design.

    Attributes
    ----------
    directions : ndarray, shape (n, 3)
    sides : ndarray of int, shape (n,)
    rows : ndarray, shape (n, 2, p)
    """

    directions: Array
    sides: Sides
    rows: Array

    def __len__(self) -> int:
        return len(self.sides)

    def __getitem__(self, index: slice | NDArray[np.int64] | NDArray[np.bool_]) -> Places:
        return Places(self.directions[index], self.sides[index], self.rows[index])

    def near(self, direction: Array, side: int, cosine: float) -> NDArray[np.bool_]:
        """Which of these are closer to a direction (3,) than the angle of this cosine, on the same side."""
        return np.asarray((self.directions @ direction > cosine) & (self.sides == side))


def prediction_variance(rows: Array) -> float:
    """Mean over the sky of the model's radial variance for unit noise per axis.

    Parameters
    ----------
    rows : ndarray, shape (n, 2, p)
        Of the points, in coordinates in which the mean of the sky's J^T J is the identity.

    Returns
    -------
    float
        Infinite where the points do not determine all terms.
    """
    eigenvalues = np.linalg.eigvalsh(_information(rows))
    if eigenvalues[0] <= _SINGULAR * eigenvalues[-1]:
        return math.inf
    return float(np.sum(1.0 / eigenvalues))


def gains(information: Array, rows: Array) -> Array:
    """By how much one more point lowers the trace of the inverse information, for each of k points.

    With C the inverse and J the point's rows, tr(C) - tr((C^-1 + J^T J)^-1) = tr((1 + J C J^T)^-1 J C C J^T).

    Parameters
    ----------
    information : ndarray, shape (p, p)
        Positive definite.
    rows : ndarray, shape (2, p, k)
        Of the candidates, the last axis running over them.

    Returns
    -------
    ndarray, shape (k,)
    """
    eigenvalues, vectors = np.linalg.eigh(information)
    weights = np.stack([1.0 / eigenvalues, 1.0 / eigenvalues**2])
    one, other = vectors.T @ rows[0], vectors.T @ rows[1]
    (a, by_a), (b, by_b), (c, by_c) = weights @ one**2, weights @ (one * other), weights @ other**2
    a, c = 1.0 + a, 1.0 + c
    return np.asarray((c * by_a - 2.0 * b * by_b + a * by_c) / (a * c - b * b))


def exchanged(candidates: Places, start: Places, cosine: float, *, first: int = 0) -> Places:
    """Exchange each point in turn for the best candidate, until a sweep gains almost nothing.

    Parameters
    ----------
    candidates : Places
    start : Places
        The points, with rows in the same coordinates.
    cosine : float
        Of the least separation on the same side of the pier; above 1 for none.
    first : int
        Points before this one stay.

    Returns
    -------
    Places
        As many points; their prediction variance is not above that of the start.
    """
    columns = _columns(candidates)
    directions, side_of, rows = start.directions.copy(), start.sides.copy(), start.rows.copy()
    near = _crowded(candidates, start, cosine)
    before = math.inf
    for _ in range(_SWEEPS):
        # Summed anew in each sweep, so that rounding does not pile up.
        information = _ridged(rows)
        variance = float(np.trace(np.linalg.inv(information)))
        if variance > (1.0 - _STOP) * before:
            break
        before = variance
        for number in range(first, len(start)):
            tell(f"exchanging {len(start)} points", number, len(start))
            without = information - rows[number].T @ rows[number]
            here = gains(without, rows[number][:, :, None])[0]
            others = near - candidates.near(directions[number], side_of[number], cosine)
            best, gain = _best(gains(without, columns), others)
            if gain <= (1.0 + _TIE) * here:
                continue
            directions[number], side_of[number] = candidates.directions[best], candidates.sides[best]
            rows[number] = candidates.rows[best]
            information = without + rows[number].T @ rows[number]
            near = others + candidates.near(directions[number], side_of[number], cosine)
    return Places(directions, side_of, rows)


def separated(kept: Places, more: Places, cosine: float) -> Places:
    """The points kept, plus those of more points that are not too close to an earlier one."""
    joined = _joined(kept, more)
    taken = np.arange(len(joined)) < len(kept)
    for number in range(len(kept), len(joined)):
        near = joined.near(joined.directions[number], int(joined.sides[number]), cosine)
        taken[number] = not (near & taken).any()
    return joined[taken]


def filled(candidates: Places, points: Places, wanted: int, cosine: float) -> Places:
    """Add the best candidates one by one until there are as many points as wanted."""
    if len(points) == wanted:
        return points
    columns = _columns(candidates)
    near = _crowded(candidates, points, cosine)
    for _ in range(len(points), wanted):
        if (near > 0).all():
            raise InputError(
                f"{wanted} points have no room so far apart; ask for a smaller separation or fewer points",
                key="separation",
            )
        best, _gain = _best(gains(_ridged(points.rows), columns), near)
        points = _joined(points, candidates[best : best + 1])
        near += candidates.near(candidates.directions[best], int(candidates.sides[best]), cosine)
    return points


def _joined(one: Places, other: Places) -> Places:
    return Places(
        np.concatenate([one.directions, other.directions]),
        np.concatenate([one.sides, other.sides]),
        np.concatenate([one.rows, other.rows]),
    )


def _best(gain: Array, crowded: NDArray[np.int64]) -> tuple[int, float]:
    """The first candidate with the largest gain that is not too close to a point, and its gain."""
    allowed = np.where(crowded > 0, -math.inf, gain)
    largest = float(allowed.max())
    return int(np.argmax(allowed >= (1.0 - _TIE) * largest)), largest


def _crowded(candidates: Places, points: Places, cosine: float) -> NDArray[np.int64]:
    """Number of points too close to each candidate."""
    near = np.zeros(len(candidates), np.int64)
    for direction, side in zip(points.directions, points.sides, strict=True):
        near += candidates.near(direction, int(side), cosine)
    return near


def _columns(candidates: Places) -> Array:
    return np.ascontiguousarray(candidates.rows.transpose(1, 2, 0))


def _ridged(rows: Array) -> Array:
    return _information(rows) + _RIDGE * np.eye(rows.shape[-1])


def _information(rows: Array) -> Array:
    flat = rows.reshape(-1, rows.shape[-1])
    return np.asarray(flat.T @ flat)

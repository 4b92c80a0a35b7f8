"""Points where they teach the model most: the least mean prediction variance over the usable sky (I-optimality).

Points are exchanged one at a time for the best of all candidate cells until nothing is gained (V. V. Fedorov 1972,
"Theory of Optimal Experiments", Academic Press), from an even grid on. In coordinates in which the model's mean
information over the sky is the identity, the criterion is the trace of the inverse of the points' information
matrix, and the gain by one more point of two components follows from 2 by 2 matrices (Sherman-Morrison-Woodbury).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError, NotDetermined
from skysample.mount_axes import ideal_axes, mount_frame, sides
from skysample.plugins.registry import default_registry
from skysample.sampling.cells import edge_resolved_cells
from skysample.sampling.grid import InformedGain, ideal_separation_rad
from skysample.terms import ROTATIONS, choose_terms

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.sampling.sheets import Sheets
    from skysample.site import Site
    from skysample.sky import UsableSky

    Sides = NDArray[np.int64]
    EvenGrid = Callable[[int, int, str], tuple[Array, Sides]]

__all__ = [
    "LARGEST_SEPARATION",
    "LinearModel",
    "Places",
    "exchanged",
    "gains",
    "informed_points",
    "linear_model",
    "prediction_variance",
]

LARGEST_SEPARATION = 0.5
"""Of the hexagonal one: so far apart there is room for all points on any region, as discs cover less than its area."""

_CANDIDATES = 6000  # cells a side, about; edges are kept as fine as they come
_SWEEPS = 20
_STOP = 1e-4  # share of the variance that a sweep must gain for another one
_TIE = 1e-9  # gains that differ by less are equal, so that rounding decides nothing
_RIDGE = 1e-6  # even points' worth of information that is always there: a point can be taken out of too few
_SINGULAR = 1e-13  # least eigenvalue over the largest, below which the points do not determine all terms
_COMPARED = 4  # even grids, to find how many even points are as good
_LARGEST_COMPARED = 300  # beyond so many points the variance of even ones goes as 1/N


@dataclass(frozen=True)
class LinearModel:
    """What the design needs to know of a pointing model.

    Attributes
    ----------
    names : tuple of str
        Of the terms.
    design : callable
        Of directions (n, 3) and sides of the pier (n,): how the tube's place there moves with each
        coefficient, shape (n, 2, p).
    """

    names: tuple[str, ...]
    design: Callable[[Array, Sides], Array]


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
        """Which of these are nearer to a direction (3,) than the angle of this cosine, on the same side."""
        return np.asarray((self.directions @ direction > cosine) & (self.sides == side))


def linear_model(site: Site, terms: Sequence[str], registry: Registry | None = None) -> LinearModel:
    """Linearise a site's pointing model where all coefficients are zero.

    Parameters
    ----------
    site : Site
    terms : sequence of str
        Terms, or the names of sets ("standard", "extended").
    registry : Registry, optional
        The plugins to ask, in place of everything installed.

    Returns
    -------
    LinearModel

    Raises
    ------
    InputError
        If a term is unknown.
    """
    # The model stands to the right of sampling; only this function knows that it exists.
    from skysample.fitting.pointing import Moment, PointingFunction

    kind, latitude_rad = site.mount.kind, site.location.latitude_rad
    available = (registry or default_registry()).terms(site.mount, site.plugins)
    names = choose_terms(kind, terms, available)
    displacements = tuple(available[name] for name in names if name not in ROTATIONS[kind])
    function = PointingFunction(kind, latitude_rad, names, displacements)

    def design(directions: Array, side_of: Sides) -> Array:
        axes = ideal_axes(mount_frame(kind, latitude_rad), directions, side_of)
        return function.predict_with_design(np.zeros(len(names)), axes, Moment())[1]

    return LinearModel(names, design)


def informed_points(
    sky: UsableSky,
    found: Sheets,
    points: int,
    model: LinearModel,
    *,
    even: EvenGrid,
    separation: float,
    blend: float,
    seed: int,
    effort: str,
) -> tuple[Array, Sides, InformedGain]:
    """Choose exactly `points` places for the least mean prediction variance over the usable sky.

    Parameters
    ----------
    sky : UsableSky
    found : Sheets
        Its cells.
    points : int
    model : LinearModel
    even : callable
        Gives an even grid's directions and sides for a number of points, a seed and an effort.
    separation : float
        Least distance of points on the same side of the pier, of the hexagonal lattice's, 0 to 0.5.
    blend : float
        Share of the points, 0 to 1, that are an even grid of their own and stay where they are.
    seed : int
    effort : str
        Of that even grid.

    Returns
    -------
    ndarray, shape (points, 3)
    ndarray of int, shape (points,)
    InformedGain

    Raises
    ------
    InputError
        If the points are too few for the terms, or have no room so far apart.
    NotDetermined
        If no grid over this sky, or not so few points, can tell two of the terms apart.
    """
    least = math.ceil(len(model.names) / 2)
    if points < least:
        raise InputError(
            f"points is {points}; the {len(model.names)} terms need {least} or more", key="points"
        )
    candidates, whiten = _candidates(sky, found, model)

    def placed(grid: tuple[Array, Sides]) -> Places:
        return Places(*grid, model.design(*grid) @ whiten)

    @cache
    def even_places(number: int, again: int) -> Places:
        return placed(even(number, seed + again, "quick"))

    stay = round(blend * points)
    kept = placed(even(stay, seed, effort)) if stay else candidates[:0]
    chosen = kept
    if stay < points:
        area_sr = float(found.reachable.sum()) * found.cell_sr
        cosine = math.cos(separation * ideal_separation_rad(area_sr, points)) if separation > 0.0 else 2.0
        start = _thinned(kept, even_places(points - stay, 0), cosine)
        start = _filled(candidates, start, points, cosine)
        chosen = exchanged(candidates, start, cosine, first=stay)
    rows = model.design(chosen.directions, chosen.sides)
    _check_determined(rows, model.names, f"no {points} points found", "ask for more points")

    def even_variance(number: int, again: int) -> float:
        size = min(number, _LARGEST_COMPARED)
        return prediction_variance(even_places(size, again).rows) * size / number

    variance = prediction_variance(chosen.rows)
    as_good = _as_good_as(variance, points, even_variance)
    return (
        chosen.directions,
        chosen.sides,
        InformedGain(model.names, separation, blend, variance, as_good),
    )


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
    """Exchange points for candidates, each for the best one in turn, until a sweep gains next to nothing.

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


def _candidates(sky: UsableSky, found: Sheets, model: LinearModel) -> tuple[Places, Array]:
    """Usable cells on every side, and the matrix (p, p) that takes rows to coordinates of unit information."""
    directions, side_of, weights = [], [], []
    for column, side in enumerate(sides(sky.site.mount.kind)):
        if found.reachable[:, column].any():
            cells, weight = edge_resolved_cells(found.cells[found.reachable[:, column]], _CANDIDATES)
            directions.append(cells)
            weights.append(weight)
            side_of.append(np.full(len(cells), side))
    every, every_side, weight = np.concatenate(directions), np.concatenate(side_of), np.concatenate(weights)
    rows = model.design(every, every_side)
    over_sky = np.sqrt(weight / weight.sum())[:, None, None] * rows
    _check_determined(over_sky, model.names, "no points in this sky", "leave one of them out")
    scale = np.linalg.norm(over_sky, axis=(0, 1))
    triangle = np.linalg.qr((over_sky / scale).reshape(-1, len(scale)), mode="r")
    whiten = np.linalg.inv(triangle) / scale[:, None]
    usable = np.concatenate([sky.usable(d, int(s[0])) for d, s in zip(directions, side_of, strict=True)])
    return Places(every, every_side, rows @ whiten)[usable], whiten


def _check_determined(rows: Array, names: tuple[str, ...], who: str, what_to_do: str) -> None:
    from skysample.fitting.degeneracy import SINGULAR, weak_pairs

    condition, weak = weak_pairs(rows.reshape(-1, len(names)), names)
    if condition <= SINGULAR:
        return
    pair = weak[0].pair if weak else ()
    what = f"tell {pair[0]} from {pair[1]}" if pair else f"determine {names[0]}"
    raise NotDetermined(f"{who} {what}; {what_to_do}", pair=pair, condition=condition)


def _information(rows: Array) -> Array:
    flat = rows.reshape(-1, rows.shape[-1])
    return np.asarray(flat.T @ flat)


def _ridged(rows: Array) -> Array:
    return _information(rows) + _RIDGE * np.eye(rows.shape[-1])


def _columns(candidates: Places) -> Array:
    return np.ascontiguousarray(candidates.rows.transpose(1, 2, 0))


def _crowded(candidates: Places, points: Places, cosine: float) -> NDArray[np.int64]:
    """How many of the points are too near to each candidate."""
    near = np.zeros(len(candidates), np.int64)
    for direction, side in zip(points.directions, points.sides, strict=True):
        near += candidates.near(direction, int(side), cosine)
    return near


def _best(gain: Array, crowded: NDArray[np.int64]) -> tuple[int, float]:
    """The first candidate with the largest gain that is not too near to a point, and that gain."""
    allowed = np.where(crowded > 0, -math.inf, gain)
    largest = float(allowed.max())
    return int(np.argmax(allowed >= (1.0 - _TIE) * largest)), largest


def _thinned(kept: Places, more: Places, cosine: float) -> Places:
    """Those kept, and of more points those that are not too near to one before."""
    joined = _joined(kept, more)
    taken = np.arange(len(joined)) < len(kept)
    for number in range(len(kept), len(joined)):
        near = joined.near(joined.directions[number], int(joined.sides[number]), cosine)
        taken[number] = not (near & taken).any()
    return joined[taken]


def _filled(candidates: Places, points: Places, wanted: int, cosine: float) -> Places:
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


def _as_good_as(variance: float, points: int, even_variance: Callable[[int, int], float]) -> int:
    """How many even points have this variance: by the 1/N law from even grids of ever more nearly so many.

    Even grids of one size differ by a percent or two, so the estimates after the first are averaged.
    """
    estimates: list[float] = []
    size = float(points)
    for again in range(_COMPARED):
        number = max(1, round(size))
        estimates.append(number * min(max(even_variance(number, again) / variance, 0.5), 2.0))
        size = float(np.mean(estimates[1:] or estimates))
    return round(size)

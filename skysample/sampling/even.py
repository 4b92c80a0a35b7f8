"""Exactly N points, as even as possible, over a region of the sphere given as equal-area cells.

Centroidal Voronoi cells (Lloyd 1982, "Least squares quantization in PCM", IEEE Trans. Inf. Theory 28, 129)
from several starts; the best are brought to equal area by power weights (Aurenhammer, Hoffmann and Aronov 1998,
"Minkowski-type theorems and least-squares clustering", Algorithmica 20, 61) and then relaxed towards the
smallest covering radius: points descend on the sum of distance^(2 + power) over the region, for growing powers,
so that the farthest corners count more and more, while neighbours share area and keep apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.listeners import tell
from skysample.sampling.cells import (
    candidates,
    centroids,
    coarse_cells,
    edge_resolved_cells,
    keeping_apart,
    nearest,
    nearest_of,
    neighbour_pairs,
    summed,
    unit,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array

_LARGEST_TRIED_TWICE = 200
_FEW = 24
_GOOD_OF_MANY = 1.175  # among so many cells the widest one is wider
# So few points pull hard on each other, and it takes softer powers and more steps to settle them all.
_HALVES_OF_FEW, _EACH_OF_FEW = (4, 6, 10, 17, 24, 34), 6


@dataclass(frozen=True, slots=True)
class Effort:
    """Counts of starts, of iterations in each stage, and of the cells they work on.

    Attributes
    ----------
    starts, finals, rescues : int
        Random starts on coarse cells; how many of them may go on to fine ones, until one is good; and how many
        more starts there are if none is.
    lloyd, capacity, each : int
        Iterations with plain centroids, with equal capacity, and for each power.
    coarse_halves, fine_halves : tuple of int
        Half the powers of the distance, on the coarse and on the fine cells.
    last_halves : tuple of int
        And, for the best alone, on cells four times as many.
    last_each : int
        Iterations for each of these.
    coarse, fine : int
        Cells a point on which the starts are tried, and inside the region in the end, at least.
    exact_edges : bool
        Whether the sky's edge is resolved as finely as `sky_cells` can.
    gives_up : str
        What is lost against the default, in words; empty when nothing is.
    """

    starts: int
    finals: int
    lloyd: int
    capacity: int
    each: int
    coarse_halves: tuple[int, ...]
    fine_halves: tuple[int, ...]
    last_halves: tuple[int, ...]
    coarse: int
    fine: int
    good: float = 1.145
    rescues: int = 0
    last_each: int = 4
    exact_edges: bool = True
    gives_up: str = ""

    def for_points(self, points: int) -> Effort:
        """Scale the number of starts: as given for 60 points, up to twice as many for fewer, fewer for more."""
        share = min(2.0, 60 / points)
        least = min(2, self.finals) if points <= _LARGEST_TRIED_TWICE else 1
        few, many = points <= _FEW and bool(self.last_halves), points > _LARGEST_TRIED_TWICE
        return replace(
            self,
            good=max(self.good, _GOOD_OF_MANY) if many else self.good,
            rescues=min(self.rescues, 1) if many else self.rescues,
            fine_halves=self.fine_halves[::2] if many else self.fine_halves,
            last_halves=_HALVES_OF_FEW if few else self.last_halves[1::2] if many else self.last_halves,
            last_each=max(self.last_each, _EACH_OF_FEW) if few else self.last_each,
            starts=max(least, round(share * self.starts)),
            finals=max(least, round(share * self.finals)),
        )


_FINE_HALVES = (4, 5, 6, 7, 8, 10, 12, 14, 17, 20, 24, 29)

EFFORTS = {
    "default": Effort(
        4, 3, 40, 15, 4, tuple(range(1, 9)), _FINE_HALVES, (12, 17, 24, 34), 40, 100, rescues=3
    ),
    "quick": Effort(
        *(2, 1, 20, 8, 4, (1, 2, 4, 6), (5, 8, 12, 18), (), 24, 40),
        exact_edges=False,
        gives_up="few starts and coarse edges, for speed: the largest gap may be a tenth wider",
    ),
    "thorough": Effort(
        24, 12, 80, 30, 10, tuple(range(1, 11)), _FINE_HALVES, (8, 12, 17, 24, 34, 48), 60, 200, last_each=10
    ),
}
"""The efforts by name."""


# Found by trial on the region of tests/sampling/test_even.py; none of them is critical.
_MESH_AIMED_AT = 1.5  # covering radius over half the smallest separation; a hexagonal lattice has 1.155
_MESH_ALLOWED = 1.63  # a set of points is marked down beyond this ratio
_LEAST_APART = 0.83  # separation over that of a hexagonal lattice; marked down below it
_VARIATION_ALLOWED = 0.054  # and beyond this coefficient of variation of its cells' areas
_SHARING = 0.12  # share of a difference in area that is made up at a time
_STRIDE = 1.5  # over-relaxation of centroid steps


def even_points(
    cells: Array,
    points: int,
    *,
    seed: int = 0,
    effort: str = "default",
    inside: Callable[[Array], NDArray[np.bool_]] | None = None,
) -> Array:
    """Spread exactly `points` points over a region, equally dense per solid angle.

    Parameters
    ----------
    cells : ndarray, shape (m, 3)
        Distinct unit vectors: centres of equal-area cells that make up the region, in any number of pieces.
    points : int
        How many, from 1 to m. For points that are even, give 50 cells a point or more.
    seed : int
        The same seed gives the same points.
    effort : str
        A name in `skysample.sampling.even.EFFORTS`.
    inside : callable, optional
        Says of directions (n, 3) which are in the region. Those that are not, or all when it is not given,
        are taken to the nearest cell centre of their own Voronoi cell.

    Returns
    -------
    ndarray, shape (points, 3)
        Distinct unit vectors inside the region.

    Raises
    ------
    InputError
        More points than cells, or an unknown effort.
    """
    if not 1 <= points <= len(cells):
        raise InputError(
            f"{points} points cannot be placed on a mask of {len(cells)} cells; "
            f"ask for 1 to {len(cells)}, or give a finer mask or more sky",
            key="points",
        )
    if effort not in EFFORTS:
        raise InputError(f"effort {effort!r} is not one of {', '.join(EFFORTS)}", key="effort")
    plan = EFFORTS[effort].for_points(points)
    rng = np.random.default_rng(seed)
    fine = edge_resolved_cells(cells, max(plan.fine * points, 1000))
    coarse = coarse_cells(fine[0], max(plan.coarse * points, 600), fine[1])
    if points > len(coarse[0]) // 4:
        coarse = fine = cells, np.ones(len(cells))

    def attempt() -> Array:
        found = _centred(*coarse, _start(*coarse, points, rng), plan.lloyd)
        found = _equal_capacity(*coarse, found, plan.capacity)
        return _covering(*coarse, found, plan.coarse_halves, plan.each)[0]

    doing, steps = f"spreading {points} points", plan.starts + plan.finals + plan.rescues
    race = []
    for number in range(plan.starts):
        tell(doing, number, steps)
        race.append(attempt())
    race.sort(key=lambda found: _badness(*fine, found))
    best, least = race[0], np.inf
    for number in range(plan.finals + plan.rescues):
        tell(doing, plan.starts + number, steps)
        found = race[number] if number < plan.finals else attempt()
        relaxed, badness = _covering(*fine, found, plan.fine_halves, plan.each)
        if badness < least:
            best, least = relaxed, badness
        if least <= plan.good * _lattice_covering(nearest(best, fine[0])[0], fine[1]):
            break
    if plan.last_halves:
        finest = edge_resolved_cells(cells, max(4 * plan.fine * points, 24_000))
        best = _covering(*finest, best, plan.last_halves, plan.last_each)[0]
    return settled(cells, best, inside)


def settled(cells: Array, points: Array, inside: Callable[[Array], NDArray[np.bool_]] | None) -> Array:
    """Move points outside the region to the nearest usable cell of their own Voronoi cell.

    Parameters
    ----------
    cells, inside
        As for `even_points`.
    points : ndarray, shape (n, 3)
        Unit vectors, n <= m.

    Returns
    -------
    ndarray, shape (n, 3)
        Distinct, all inside.

    Raises
    ------
    InputError
        If `inside` leaves fewer cells than there are points to place.
    """
    outside = np.ones(len(points), bool) if inside is None else ~inside(points)
    if not outside.any():
        return points
    distance, label = nearest(points, cells)
    candidates = np.flatnonzero(outside[label])
    if inside is not None and candidates.size:
        candidates = candidates[inside(cells[candidates])]
    candidates = candidates[np.lexsort((distance[candidates], label[candidates]))]
    owner, first = np.unique(label[candidates], return_index=True)
    result = points.copy()
    result[owner] = cells[candidates[first]]
    lost = np.setdiff1d(np.flatnonzero(outside), owner)
    if lost.size:
        free = np.ones(len(cells), bool) if inside is None else inside(cells)
        free[candidates[first]] = False
        spare = cells[free]
        kept = np.delete(result, lost, axis=0)
        gap = nearest(kept, spare)[0] if len(kept) else np.full(len(spare), np.inf)
        for number in lost:
            if not np.any(gap > 0.0):
                raise InputError(
                    f"{len(points)} points cannot be placed: too few cells of the mask are usable at their "
                    "centres; ask for fewer, or give a finer mask or more sky",
                    key="points",
                )
            result[number] = spare[np.argmax(gap)]
            gap = np.minimum(gap, np.linalg.norm(spare - result[number], axis=1))
    return result


def _start(cells: Array, weight: Array, points: int, rng: np.random.Generator) -> Array:
    """Draw cells at random, one from each of `points` equal parts of the curve that the cells follow."""
    ends = np.cumsum(weight)
    drawn = (np.arange(points) + rng.random(points)) * (ends[-1] / points)
    chosen: Array = cells[np.minimum(np.searchsorted(ends, drawn, side="right"), len(cells) - 1)]
    return chosen


def _centred(cells: Array, weight: Array, points: Array, iterations: int) -> Array:
    """Move to the centroids of the Voronoi cells."""
    for _ in range(iterations):
        distance, label = nearest(points, cells)
        points = _moved(cells, weight, label, _filled(cells, distance, label, points), _STRIDE)
    return points


def _equal_capacity(cells: Array, weight: Array, points: Array, iterations: int) -> Array:
    """Move to the centroids of power cells, with weights driven to equal area."""
    share = weight.sum() / len(points)
    power = np.zeros(len(points))
    for _ in range(iterations):
        distance, label = nearest(points, cells, power)
        area = np.bincount(label, weight, len(points))
        points = _moved(cells, weight, label, points, 1.2)
        power = power + 0.6 * float(weight @ distance**2) / weight.sum() * (1.0 - area / share)
    return points


def _covering(
    cells: Array, weight: Array, points: Array, halves: Sequence[int], each: int
) -> tuple[Array, float]:
    """Descend on the sum of distance^(2 + power), `each` times for every half a power.

    Returns the best set found and its badness.
    """
    best, least = points, _badness(cells, weight, points)
    if len(points) == len(cells):
        return best, least
    for half in halves:
        among = candidates(points, cells)
        pairs = neighbour_pairs(among, len(points))
        for _ in range(each):
            distance, label = nearest_of(points, cells, among)
            pull = weight * (distance / distance.max()) ** (2 * half)
            # In two dimensions distance^(2 + power) curves (1 + power / 2) times as much as the square.
            moved = _moved(cells, pull, label, points, _STRIDE / (1.0 + half))
            area = np.bincount(label, weight, len(points))
            moved = _sharing_area(area / area.mean(), pairs, points, moved)
            points = keeping_apart(moved, 2.0 * float(distance.max()) / _MESH_AIMED_AT)
        found = nearest(points, cells)
        filled = _filled(cells, *found, points)
        if filled is not points:
            points, found = filled, nearest(filled, cells)
        badness = _badness_of(*found, weight, points)
        if badness < least:
            best, least = points, badness
    return best, least


def _moved(cells: Array, weight: Array, label: NDArray[np.int64], points: Array, step: float) -> Array:
    """Move each point towards (beyond, for a step above 1) the weighted mean of its cells."""
    return unit(points + step * (centroids(cells, weight, label, points) - points), points)


def _filled(cells: Array, distance: Array, label: NDArray[np.int64], points: Array) -> Array:
    """Move points without a cell to the largest gap of the region."""
    empty = np.flatnonzero(np.bincount(label, minlength=len(points)) == 0)
    if empty.size == 0:
        return points
    points = points.copy()
    points[empty] = cells[np.argsort(-distance, kind="stable")[: empty.size]]
    return points


def _sharing_area(
    area: Array, pairs: tuple[NDArray[np.int64], NDArray[np.int64]], points: Array, moved: Array
) -> Array:
    """Shift each pair of neighbours towards the one with the larger cell, to even out their areas."""
    one, other = pairs
    shift = _SHARING * (area[one] - area[other])[:, None] * (points[one] - points[other])
    return unit(moved + summed(one, shift, len(points)) + summed(other, shift, len(points)), moved)


def _badness(cells: Array, weight: Array, points: Array) -> float:
    """Covering radius, marked up where points crowd or cells are of unequal area."""
    return _badness_of(*nearest(points, cells), weight, points)


def _badness_of(distance: Array, label: NDArray[np.int64], weight: Array, points: Array) -> float:
    radius = float(distance.max())
    if len(points) == 1 or radius == 0.0:
        return radius
    gap = float(nearest(points, points, skip_self=True)[0].min())
    area = np.bincount(label, weight, len(points))
    mesh = 2.0 * radius / max(gap, 1e-9)
    variation = float(area.std() / area.mean())
    apart = gap / (math.sqrt(3.0) * _lattice_covering(distance, weight))
    crowded = max(0.0, mesh - _MESH_ALLOWED) + max(0.0, _LEAST_APART - apart)
    unequal = max(0.0, variation - _VARIATION_ALLOWED)
    return radius * (1.0 + crowded) * (1.0 + 5.0 * unequal)


def _lattice_covering(distance: Array, weight: Array) -> float:
    """Covering radius (chord) of the hexagonal lattice that has the same mean of squared distances.

    In a hexagon of radius R that mean is 5 R^2 / 12. No area is needed, which the cells do not know.
    """
    return float(np.sqrt(2.4 * np.average(distance**2, weights=weight)))

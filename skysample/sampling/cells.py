"""Equal-area cells and points as arrays: merging cells, and which point each cell is nearest to."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.geometry import Array

_FINEST_ORDER = 13
_CANDIDATES = 4  # three meet in a corner of Voronoi cells, and one may come near
_FEW = 24
_PUSH = 0.35  # of the separation that two points lack, each moves this share


def coarse_cells(cells: Array, wanted: int, weight: Array | None = None) -> tuple[Array, Array]:
    """Merge the cells that share a HEALPix pixel, at the lowest resolution that leaves at least `wanted`.

    Parameters
    ----------
    cells : ndarray, shape (m, 3)
        Unit vectors.
    wanted : int
        How many cells to keep at least (all of them where there are fewer).
    weight : ndarray, shape (m,), optional
        Area of each; 1 when not given.

    Returns
    -------
    centres : ndarray, shape (k, 3)
        Mean directions of the merged cells, in the order of a space-filling curve.
    weight : ndarray, shape (k,)
        The area that each stands for.
    """
    import hpgeom

    weight = np.ones(len(cells)) if weight is None else weight
    centres, merged = cells, weight
    nside = max(1, int(np.sqrt(wanted / 12.0)))
    while len(cells) > wanted and nside < 2**_FINEST_ORDER:
        found, label = np.unique(hpgeom.vector_to_pixel(nside, *cells.T, nest=False), return_inverse=True)
        count = len(found)
        if count >= wanted:
            centres, merged = _merged(cells, weight, label, count)
            break
        nside = max(nside + 1, int(nside * np.sqrt(wanted / count)))
    order = np.argsort(_along_curve(centres), kind="stable")
    return centres[order], merged[order]


def edge_resolved_cells(cells: Array, wanted: int) -> tuple[Array, Array]:
    """Merge cells inside the region only, more of them farther from its edge.

    A quadtree: a HEALPix pixel that the region fills becomes one cell, and one that it does not fill is asked
    for its quarters, down to the cells themselves. A filled pixel that touches the edge is merged too.

    Parameters
    ----------
    cells : ndarray, shape (m, 3)
        Distinct unit vectors, at the centres of HEALPix pixels where any are to be merged.
    wanted : int
        How many of the largest pixels there are at least (no cells are merged where there are fewer).

    Returns
    -------
    centres : ndarray, shape (k, 3)
        Mean directions of the merged cells, in the order of a space-filling curve.
    weight : ndarray, shape (k,)
        How many cells each stands for.
    """
    nested = _along_curve(cells)
    order = np.argsort(nested, kind="stable")
    nested, cells = nested[order], cells[order]
    first = np.ones(len(cells), bool)
    settled = np.zeros(len(cells), bool)
    for level in range(_FINEST_ORDER):
        begins = np.diff(nested >> 2 * (_FINEST_ORDER - level), prepend=-1) != 0
        label = np.cumsum(begins) - 1
        if label[-1] + 1 == len(cells):
            break
        if label[-1] + 1 < wanted:
            continue
        held = np.bincount(label)
        full = (held == held.max())[label] & ~settled
        first[full] = begins[full]
        settled |= full
    label = np.cumsum(first) - 1
    return _merged(cells, np.ones(len(cells)), label, int(label[-1]) + 1)


def _along_curve(cells: Array) -> NDArray[np.int64]:
    """Nested HEALPix numbers, which follow a space-filling curve."""
    import hpgeom

    numbers: NDArray[np.int64] = hpgeom.vector_to_pixel(2**_FINEST_ORDER, *cells.T)
    return numbers


def _merged(cells: Array, weight: Array, label: NDArray[np.int64], count: int) -> tuple[Array, Array]:
    """Mean direction and area of the cells that carry each label."""
    mean = unit(summed(label, weight[:, None] * cells, count), cells[:count])
    return mean, np.bincount(label, weight, count).astype(float)


def nearest(
    points: Array, cells: Array, power: Array | None = None, *, skip_self: bool = False
) -> tuple[Array, NDArray[np.int64]]:
    """For each cell the chord to its nearest point, and that point's number.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Unit vectors.
    cells : ndarray, shape (m, 3)
        Unit vectors.
    power : ndarray, shape (n,), optional
        Squared lengths taken off the squared chords before they are compared (a power diagram).
    skip_self : bool
        `cells` are the points themselves: give each its nearest neighbour.

    Returns
    -------
    chord : ndarray, shape (m,)
    number : ndarray of int, shape (m,)
    """
    from scipy.spatial import cKDTree

    if skip_self:
        chord, number = cKDTree(points).query(cells, k=2)
        return chord[:, 1], number[:, 1]
    if len(points) <= _FEW:
        return _nearest_of_few(points, cells, power)
    if power is None:
        chord, number = cKDTree(points, balanced_tree=False, compact_nodes=False).query(cells)
        return chord, number
    # A fourth coordinate turns the power diagram into an ordinary nearest-neighbour search.
    lifted = np.column_stack([points, np.sqrt(power.max() - power)])
    _, number = cKDTree(lifted).query(np.column_stack([cells, np.zeros(len(cells))]))
    return np.linalg.norm(cells - points[number], axis=1), number


def _nearest_of_few(points: Array, cells: Array, power: Array | None) -> tuple[Array, NDArray[np.int64]]:
    """As `nearest`, point by point: quicker than a tree for few points."""
    east, north, up = np.ascontiguousarray(cells.T)
    most, number = np.full(len(cells), -np.inf), np.zeros(len(cells), np.int64)
    for own, (x, y, z) in enumerate(points):
        product = x * east + y * north + z * up
        if power is not None:
            product += 0.5 * power[own]
        np.copyto(number, own, where=product > most)
        np.maximum(most, product, out=most)
    return np.linalg.norm(cells - points[number], axis=1), number


def candidates(points: Array, cells: Array) -> NDArray[np.int64]:
    """Numbers of the few points nearest to each cell, shape (m, k), for `nearest_of`."""
    from scipy.spatial import cKDTree

    few = min(_CANDIDATES, len(points))
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    found: NDArray[np.int64] = tree.query(cells, k=np.arange(1, few + 1))[1]
    return found


def nearest_of(points: Array, cells: Array, among: NDArray[np.int64]) -> tuple[Array, NDArray[np.int64]]:
    """For each cell the chord to the nearest of its candidates, and that point's number.

    As `nearest` while no point has moved far since the candidates were found, and several times faster.
    """
    squared, number = _squared(points, cells, among[:, 0]), among[:, 0]
    for other in among.T[1:]:
        also = _squared(points, cells, other)
        closer = also < squared
        squared, number = np.where(closer, also, squared), np.where(closer, other, number)
    return np.sqrt(squared), number


def _squared(points: Array, cells: Array, number: NDArray[np.int64]) -> Array:
    between = cells - points[number]
    squared: Array = np.einsum("ij,ij->i", between, between)
    return squared


def neighbour_pairs(among: NDArray[np.int64], points: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Numbers of points whose Voronoi cells touch: nearest and second nearest of some cell, from `candidates`."""
    if points < 2:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    first, second = among[:, 0], among[:, 1]
    pairs = np.unique(np.minimum(first, second) * points + np.maximum(first, second))
    return pairs // points, pairs % points


def centroids(cells: Array, weight: Array, label: NDArray[np.int64], points: Array) -> Array:
    """Average the cells that carry each point's number, to unit length; a point without cells stays."""
    return unit(summed(label, weight[:, None] * cells, len(points)), points)


def summed(label: NDArray[np.int64], vectors: Array, count: int) -> Array:
    """Sum the vectors that carry each label, shape (count, 3)."""
    return np.stack([np.bincount(label, vectors[:, axis], count) for axis in range(3)], axis=1)


def unit(vectors: Array, fallback: Array) -> Array:
    """Scale vectors of shape (n, 3) to length 1; where they have none, take the fallback."""
    norm = np.linalg.norm(vectors, axis=1, keepdims=True)
    fits = norm > 1e-200
    return np.where(fits, vectors / np.where(fits, norm, 1.0), fallback)


def keeping_apart(points: Array, closest: float) -> Array:
    """Push points (n, 3) closer than `closest` (a chord) part of the way apart."""
    from scipy.spatial import cKDTree

    one, other = cKDTree(points).query_pairs(closest, output_type="ndarray").T
    between = points[one] - points[other]
    chord = np.linalg.norm(between, axis=1, keepdims=True)
    shift = _PUSH * (closest - chord) * between / np.where(chord > 0.0, chord, 1.0)
    return unit(points + summed(one, shift, len(points)) - summed(other, shift, len(points)), points)

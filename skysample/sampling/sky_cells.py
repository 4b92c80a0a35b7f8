"""The usable sky as fine equal-area cells, for each side of the pier, and the points' shares of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import direction
from skysample.sampling.cells import keeping_apart, nearest, unit
from skysample.sampling.even import EFFORTS, even_points, settled
from skysample.site.mount_axes import sides

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.sky import UsableSky

_LARGEST_NSIDE = 2**13
_PARTINGS = 10


@dataclass(frozen=True, slots=True)
class SkyCells:
    """Equal-area cells of the usable sky, fine enough for a number of points.

    Attributes
    ----------
    cells : ndarray, shape (m, 3)
        Unit vectors.
    reachable : ndarray of bool, shape (m, sides)
        On which sides of the pier, in the order of `mount_axes.sides`.
    cell_sr : float
        Solid angle of each.
    by_side : dict of int to ndarray
        The cells that can be reached on each side of the pier.
    """

    cells: Array
    reachable: NDArray[np.bool_]
    cell_sr: float
    by_side: dict[int, Array]


def sky_cells(sky: UsableSky, points: int, *, exact_edges: bool = False) -> SkyCells:
    """Refine the pixels of a sky until there are enough for the number of points.

    Pixels well inside the sky are split as they are; those at an edge are split into parts of which each is
    asked for itself, as are the neighbours just outside.

    Parameters
    ----------
    sky : UsableSky
        Whose pixels.
    points : int
        How many points are to be placed.
    exact_edges : bool
        Go on to 6400 cells a point where that stays below 100 000, and to 1600 where it stays below 400 000, so
        that a gap between the last points and the edge is known to a few hundredths of itself.

    Returns
    -------
    SkyCells
        With at least 30 cells a point, and 400 where that stays below 100 000, unless the sky is tiny.
    """
    wanted = max(30 * points, min(400 * points, 100_000))
    if exact_edges:
        wanted = max(wanted, min(6400 * points, 100_000), min(1600 * points, 400_000))
    import hpgeom

    # The z axis to the zenith, and longitude is azimuth.
    nside, pixels = sky.nside, hpgeom.vector_to_pixel(sky.nside, *sky.directions[:, [1, 0, 2]].T)
    order = np.argsort(pixels, kind="stable")
    pixels, cells, reachable = pixels[order], sky.directions[order], sky.reachable[order]
    while len(pixels) < wanted and nside < _LARGEST_NSIDE:
        pixels, cells, reachable = _split(sky, nside, pixels, reachable)
        nside *= 2
    by_side = {side: cells[on] for side, on in zip(sides(sky.site.mount.kind), reachable.T, strict=True)}
    return SkyCells(cells, reachable, float(np.pi / (3.0 * nside**2)), by_side)


def _split(
    sky: UsableSky, nside: int, pixels: NDArray[np.int64], reachable: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], Array, NDArray[np.bool_]]:
    """Nested pixels in ascending order at twice the resolution, their centres, and where those are usable."""
    import hpgeom

    edge, beyond = np.zeros(len(pixels), bool), []
    for neighbour in hpgeom.neighbors(nside, pixels).T:
        place = np.minimum(np.searchsorted(pixels, neighbour), len(pixels) - 1)
        there = pixels[place] == neighbour
        edge |= (neighbour >= 0) & ~(there & (reachable[place] == reachable).all(axis=1))
        beyond.append(neighbour[(neighbour >= 0) & ~there])
    outside = np.unique(np.concatenate(beyond))
    near = np.concatenate([pixels, outside])
    known = np.concatenate([reachable, np.zeros((len(outside), reachable.shape[1]), bool)])
    edge = np.concatenate([edge, np.ones(len(outside), bool)])
    order = np.argsort(near, kind="stable")
    near, known, edge = near[order], known[order], edge[order]

    children = (4 * near[:, None] + np.arange(4)).ravel()
    usable, anew = np.repeat(known, 4, axis=0), np.repeat(edge, 4)
    colatitude, azimuth = hpgeom.pixel_to_angle(2 * nside, children, lonlat=False)
    centres = direction(np.pi / 2.0 - colatitude, azimuth)
    for column, side in enumerate(sides(sky.site.mount.kind)):
        usable[anew, column] = sky.usable(centres[anew], side)
    keep = usable.any(axis=1)
    return children[keep], centres[keep], usable[keep]


def even_grid(
    sky: UsableSky, points: int, seed: int, effort: str, found: SkyCells | None = None
) -> tuple[Array, NDArray[np.int64]]:
    """Spread even points over the sky, by area on each side of the pier.

    Parameters
    ----------
    sky : UsableSky
    points : int
    seed : int
    effort : str
        A name in `skysample.sampling.even.EFFORTS`.
    found : SkyCells, optional
        The sky's cells, if already computed.

    Returns
    -------
    directions : ndarray, shape (points, 3)
    sides : ndarray of int, shape (points,)
        One side after the other.
    """
    found = found or sky_cells(sky, points, exact_edges=EFFORTS[effort].exact_edges)
    share = shares(points, [len(cells) for cells in found.by_side.values()])
    used = [
        (cells, partial(sky.usable, side=side), number, seed + column)
        for column, ((side, cells), number) in enumerate(zip(found.by_side.items(), share, strict=True))
        if number
    ]
    chosen = [
        even_points(cells, number, seed=own_seed, effort=effort, inside=inside)
        for cells, inside, number, own_seed in used
    ]
    if len(used) > 1 and (found.reachable.sum(axis=1) > 1).any():
        moved = parted(chosen, np.random.default_rng(seed))
        chosen = [settled(cells, each, inside) for each, (cells, inside, *_) in zip(moved, used, strict=True)]
    return np.concatenate(chosen), np.repeat(list(found.by_side), share)


def shares(points: int, areas: Sequence[float]) -> list[int]:
    """Split a number of points by area (largest remainder); every part with area gets a point if possible.

    Parameters
    ----------
    points : int
    areas : sequence of float
        Any unit; at least one above zero.

    Returns
    -------
    list of int
        One for each area, summing to `points`.
    """
    area = np.asarray(areas, float)
    quota = points * area / area.sum()
    share = np.floor(quota).astype(int)
    order = np.argsort(share - quota, kind="stable")
    share[order[: points - share.sum()]] += 1
    if points >= np.count_nonzero(area):
        for poor in np.flatnonzero((area > 0.0) & (share == 0)):
            share[np.argmax(share)] -= 1
            share[poor] += 1
    return [int(each) for each in share]


def parted(each_side: Sequence[Array], rng: np.random.Generator) -> list[Array]:
    """Push apart points on opposite sides of the pier that point at nearly the same place.

    Nearly: within 0.4 of the smallest separation on one side, so that no pair on the same side is touched.

    Parameters
    ----------
    each_side : sequence of ndarray, shape (n_i, 3)
        Points of each side.
    rng : Generator
        Gives points that coincide a way to part.

    Returns
    -------
    list of ndarray, shape (n_i, 3)
        Not checked for being inside.
    """
    together = np.concatenate(each_side)
    several = [points for points in each_side if len(points) > 1]
    if not several:
        return list(each_side)
    closest = 0.4 * min(float(nearest(points, points, skip_self=True)[0].min()) for points in several)
    near = nearest(together, together, skip_self=True)[0] < 0.01 * closest
    nudged = unit(together + 0.01 * closest * rng.standard_normal(together.shape), together)
    together = np.where(near[:, None], nudged, together)
    for _ in range(_PARTINGS):
        together = keeping_apart(together, closest)
    ends = np.cumsum([len(points) for points in each_side])
    return np.split(together, ends[:-1])

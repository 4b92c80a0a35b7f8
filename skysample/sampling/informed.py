"""Points where they constrain the model best: least mean prediction variance over the usable sky (I-optimality).

The candidates are the cells of the usable sky; the points are exchanged for them (`exchange`), from an even grid on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError, NotDetermined
from skysample.fitting.terms import choose_terms
from skysample.plugins.contracts import ROTATIONS
from skysample.plugins.registry import default_registry
from skysample.sampling.cells import edge_resolved_cells
from skysample.sampling.exchange import Places, exchanged, filled, prediction_variance, separated
from skysample.sampling.grid import InformedGain, ideal_separation_rad
from skysample.sampling.sky_cells import even_grid
from skysample.site.mount_axes import ideal_axes, mount_frame

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.sampling.sky_cells import SkyCells
    from skysample.site import Site
    from skysample.sky import UsableSky

    Sides = NDArray[np.int64]

LARGEST_SEPARATION = 0.5
"""Of the hexagonal one: so far apart there is room for all points on any region, as discs cover less than its area."""

_CANDIDATES = 6000  # cells a side, about; edges are kept as fine as they come
_COMPARED = 4  # even grids, to find how many even points are as good
_LARGEST_COMPARED = 300  # beyond so many points the variance of even ones goes as 1/N


@dataclass(frozen=True)
class LinearModel:
    """The linearised pointing model that the design works with.

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
    found: SkyCells,
    points: int,
    model: LinearModel,
    *,
    separation: float,
    blend: float,
    seed: int,
    effort: str,
) -> tuple[Array, Sides, InformedGain]:
    """Choose exactly `points` places for the least mean prediction variance over the usable sky.

    Parameters
    ----------
    sky : UsableSky
    found : SkyCells
        Its cells.
    points : int
    model : LinearModel
    separation : float
        Least distance of points on the same side of the pier, as a share of that in a hexagonal lattice, 0 to 0.5.
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
        If no grid over this sky, or not so few points, can separate two of the terms.
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
        return placed(even_grid(sky, number, seed + again, "quick"))

    stay = round(blend * points)
    kept = placed(even_grid(sky, stay, seed, effort)) if stay else candidates[:0]
    chosen = kept
    if stay < points:
        area_sr = float(found.reachable.sum()) * found.cell_sr
        cosine = math.cos(separation * ideal_separation_rad(area_sr, points)) if separation > 0.0 else 2.0
        start = separated(kept, even_places(points - stay, 0), cosine)
        start = filled(candidates, start, points, cosine)
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


def _candidates(sky: UsableSky, found: SkyCells, model: LinearModel) -> tuple[Places, Array]:
    """Usable cells on every side, and the matrix (p, p) that takes rows to coordinates of unit information."""
    merged = {
        side: edge_resolved_cells(cells, _CANDIDATES) for side, cells in found.by_side.items() if len(cells)
    }
    directions, weights = zip(*merged.values(), strict=True)
    every, weight = np.concatenate(directions), np.concatenate(weights)
    every_side = np.repeat(list(merged), [len(cells) for cells in directions])
    rows = model.design(every, every_side)
    over_sky = np.sqrt(weight / weight.sum())[:, None, None] * rows
    _check_determined(over_sky, model.names, "no points in this sky", "leave one of them out")
    scale = np.linalg.norm(over_sky, axis=(0, 1))
    triangle = np.linalg.qr((over_sky / scale).reshape(-1, len(scale)), mode="r")
    whiten = np.linalg.inv(triangle) / scale[:, None]
    usable = np.concatenate([sky.usable(cells, side) for side, (cells, _) in merged.items()])
    return Places(every, every_side, rows @ whiten)[usable], whiten


def _check_determined(rows: Array, names: tuple[str, ...], who: str, what_to_do: str) -> None:
    from skysample.fitting.scaled_design import SINGULAR, ScaledDesign

    scaled = ScaledDesign.of(rows)
    if scaled.condition <= SINGULAR:
        return
    pair = scaled.worst_pair(names)
    what = f"separate {pair[0]} from {pair[1]}" if len(pair) > 1 else f"determine {pair[0]}"
    raise NotDetermined(f"{who} {what}; {what_to_do}", pair=pair, condition=scaled.condition)


def _as_good_as(variance: float, points: int, even_variance: Callable[[int, int], float]) -> int:
    """Number of even points with this variance, by the 1/N law from even grids of about that number.

    Even grids of one size differ by a percent or two, so the estimates after the first are averaged.
    """
    estimates: list[float] = []
    size = float(points)
    for again in range(_COMPARED):
        number = max(1, round(size))
        estimates.append(number * min(max(even_variance(number, again) / variance, 0.5), 2.0))
        size = float(np.mean(estimates[1:] or estimates))
    return round(size)

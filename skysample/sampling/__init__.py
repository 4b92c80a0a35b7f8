"""Sample grids: exactly the requested number of points over the usable sky."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.sampling.even import EFFORTS, even_points, settled
from skysample.sampling.grid import (
    Evenness,
    Grid,
    InformedGain,
    evenness,
    ideal_covering_rad,
    ideal_separation_rad,
)
from skysample.sampling.sky_cells import parted, shares, sky_cells
from skysample.site.mount_axes import sides

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.sampling.sky_cells import SkyCells
    from skysample.sky import UsableSky

__all__ = ["DESIGNS", "EFFORTS", "Evenness", "Grid", "InformedGain", "even_points", "evenness", "sample"]

DESIGNS = ("even", "informed")
DEFAULT_SEPARATION = 0.3


def sample(
    sky: UsableSky,
    points: int = 15,
    design: str = "even",
    *,
    terms: Sequence[str] | None = None,
    separation: float | None = None,
    blend: float | None = None,
    seed: int = 0,
    effort: str = "default",
    registry: Registry | None = None,
) -> Grid:
    """Choose exactly `points` places in the usable sky.

    A `german` mount is sampled on both sides of the pier. By the even design each has its share of the points
    by area, and where both sides reach, no two points look at quite the same place.

    Parameters
    ----------
    sky : UsableSky
        From `usable_sky`.
    points : int
        How many, 1 or more.
    design : {"even", "informed"}
        Even: equally dense per solid angle, with the largest gap as small as can be. Informed: where they make
        the prediction of a model with these `terms` most certain over the usable sky. Only even points also see
        what no term describes.
    terms : sequence of str, optional
        For the informed design, which needs them: terms, or the names of sets ("standard", "extended").
    separation : float, optional
        For the informed design: least distance of points on the same side of the pier, of that in a hexagonal
        lattice of as many; 0 to 0.5, default 0.3. At 0 places repeat.
    blend : float, optional
        For the informed design: this share of the points is an even grid of its own, and the rest is chosen to
        go with it; 0 to 1, default 0.
    seed : int
        0 or more; the same seed gives the same grid.
    effort : {"default", "quick", "thorough"}
        How hard to try for even points; `Grid.summary` says what `quick` gives up.
    registry : Registry, optional
        The plugins to ask for terms, in place of everything installed.

    Returns
    -------
    Grid

    Raises
    ------
    InputError
        If an argument is not allowed, the sky has no room for so many points, or they are too few for the terms.
    NotDetermined
        If no points in this sky can separate two of the terms.
    """
    points, seed = _whole(points, "points", 1), _whole(seed, "seed", 0)
    if effort not in EFFORTS:
        raise InputError(f"effort {effort!r} is not one of {', '.join(EFFORTS)}", key="effort")
    if design not in DESIGNS:
        raise InputError(f"design {design!r} is not one of {', '.join(DESIGNS)}", key="design")
    informed = None
    gives_up = EFFORTS[effort].gives_up
    exact_edges = EFFORTS[effort].exact_edges
    found = sky_cells(sky, points, exact_edges=exact_edges and design == "even")
    if design == "even":
        for key, value in (("terms", terms), ("separation", separation), ("blend", blend)):
            if value is not None:
                raise InputError(
                    f'{key} {value!r} is for the design "informed"; the even design has none', key=key
                )
        directions, side_of = _even(sky, found, points, seed, effort)
    else:
        from skysample.sampling.informed import LARGEST_SEPARATION, informed_points, linear_model

        if isinstance(terms, str) or not terms:
            raise InputError(
                'the design "informed" needs terms, as a list of names: for example terms=["standard"]',
                key="terms",
            )
        share = _fraction(blend, "blend", 0.0, 1.0)
        directions, side_of, informed = informed_points(
            sky,
            found,
            points,
            linear_model(sky.site, terms, registry),
            even=lambda number, again, how: _even(
                sky, sky_cells(sky, number, exact_edges=EFFORTS[how].exact_edges), number, again, how
            ),
            separation=_fraction(separation, "separation", DEFAULT_SEPARATION, LARGEST_SEPARATION),
            blend=share,
            seed=seed,
            effort=effort,
        )
        gives_up = gives_up if share > 0.0 else ""
    directions.flags.writeable = False
    side_of.flags.writeable = False

    every_side = sides(sky.site.mount.kind)
    used = [i for i, side in enumerate(every_side) if (side_of == side).any()]
    cells = {i: found.cells[found.reachable[:, i]] for i in used}
    chosen = {i: directions[side_of == every_side[i]] for i in used}
    whole = evenness(found.cells, directions)
    by_side = [evenness(cells[i], chosen[i]) for i in used] if len(every_side) > 1 else [whole]
    area_sr = len(found.cells) * found.cell_sr
    separations = [each.min_separation_rad for each in by_side]
    relative = [
        each.min_separation_rad / ideal_separation_rad(len(cells[i]) * found.cell_sr, len(chosen[i]))
        for i, each in zip(used, by_side, strict=True)
    ]
    return Grid(
        directions=directions,
        sides=side_of,
        sky=sky,
        area_sr=area_sr,
        covering_radius_rad=whole.covering_radius_rad,
        min_separation_rad=_least(separations),
        covering_ratio=whole.covering_radius_rad / ideal_covering_rad(area_sr, points),
        separation_ratio=_least(relative),
        area_variation=max(each.area_variation for each in by_side),
        design=design,
        effort=effort,
        gives_up=gives_up,
        seed=seed,
        informed=informed,
    )


def _even(
    sky: UsableSky, found: SkyCells, points: int, seed: int, effort: str
) -> tuple[Array, NDArray[np.int64]]:
    """Directions (n, 3) and sides of the pier (n,) of even points, one side after the other."""
    every_side = sides(sky.site.mount.kind)
    share = shares(points, [float(column.sum()) for column in found.reachable.T])
    used = [i for i, number in enumerate(share) if number]
    cells = {i: found.cells[found.reachable[:, i]] for i in used}
    inside = {i: partial(sky.usable, side=every_side[i]) for i in used}
    chosen = {
        i: even_points(cells[i], share[i], seed=seed + i, effort=effort, inside=inside[i]) for i in used
    }
    if len(used) > 1 and (found.reachable.sum(axis=1) > 1).any():
        moved = parted([chosen[i] for i in used], np.random.default_rng(seed))
        chosen = {i: settled(cells[i], each, inside[i]) for i, each in zip(used, moved, strict=True)}
    directions = np.concatenate([chosen[i] for i in used])
    return directions, np.repeat([every_side[i] for i in used], [share[i] for i in used])


def _whole(value: object, key: str, least: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < least:
        raise InputError(f"{key} is {value!r}; give a whole number of {least} or more", key=key)
    return int(value)


def _fraction(value: object, key: str, default: float, most: float) -> float:
    if value is None:
        return default
    if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not 0.0 <= value <= most:
        raise InputError(f"{key} is {value!r}; give a number from 0 to {most:g}", key=key)
    return float(value)


def _least(values: Sequence[float]) -> float:
    """Smallest finite value; nan if there is none."""
    return float(min((value for value in values if np.isfinite(value)), default=np.nan))

"""Where to point: exactly as many places as asked for, evenly spread over the usable sky."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.mount_axes import sides
from skysample.sampling.efforts import EFFORTS
from skysample.sampling.even import even_points, settled
from skysample.sampling.grid import Evenness, Grid, evenness, ideal_covering_rad, ideal_separation_rad
from skysample.sampling.sheets import parted, shares, sheets

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.sky import UsableSky

__all__ = ["EFFORTS", "Evenness", "Grid", "even_points", "evenness", "sample"]


def sample(
    sky: UsableSky,
    points: int = 15,
    design: str = "even",
    *,
    terms: Sequence[str] | None = None,
    seed: int = 0,
    effort: str = "default",
) -> Grid:
    """Choose exactly `points` places in the usable sky.

    A `german` mount is sampled on both sides of the pier, each with its share of the points by area; where
    both sides reach, no two points look at quite the same place.

    Parameters
    ----------
    sky : UsableSky
        From `usable_sky`.
    points : int
        How many, 1 or more.
    design : {"even"}
        Equally dense per solid angle, with the largest gap as small as can be.
    terms : sequence of str, optional
        Model terms, for designs that use them; the even design does not.
    seed : int
        0 or more; the same seed gives the same grid.
    effort : {"default", "quick", "thorough"}
        How hard to try; `Grid.summary` says what `quick` gives up.

    Returns
    -------
    Grid

    Raises
    ------
    InputError
        If an argument is not allowed, or the sky has no room for so many points.
    """
    points, seed = _whole(points, "points", 1), _whole(seed, "seed", 0)
    if design != "even" or terms is not None:
        raise InputError(
            f'design {design!r}, terms {terms!r}: only the design "even", without terms, is available', key="design"
        )
    if effort not in EFFORTS:
        raise InputError(f"effort {effort!r} is not one of {', '.join(EFFORTS)}", key="effort")
    found = sheets(sky, points)
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
    side_of = np.repeat([every_side[i] for i in used], [share[i] for i in used])
    directions.flags.writeable = False
    side_of.flags.writeable = False

    whole = evenness(found.cells, directions)
    by_side = [evenness(cells[i], chosen[i]) for i in used]
    area_sr = len(found.cells) * found.cell_sr
    separations = [each.min_separation_rad for each in by_side]
    relative = [
        each.min_separation_rad / ideal_separation_rad(len(cells[i]) * found.cell_sr, share[i])
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
        gives_up=EFFORTS[effort].gives_up,
        seed=seed,
    )


def _whole(value: object, key: str, least: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < least:
        raise InputError(f"{key} is {value!r}; give a whole number of {least} or more", key=key)
    return int(value)


def _least(values: Sequence[float]) -> float:
    """Smallest of those that are numbers; nan when none is."""
    return float(min((value for value in values if np.isfinite(value)), default=np.nan))

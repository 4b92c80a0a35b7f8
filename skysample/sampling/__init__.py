"""Sample grids: exactly the requested number of points over the usable sky."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.sampling.even import EFFORTS, even_points
from skysample.sampling.grid import Evenness, Grid, InformedGain, evenness, grid_of
from skysample.sampling.sky_cells import even_grid, sky_cells

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.plugins.registry import Registry
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
    informed, gives_up = None, EFFORTS[effort].gives_up
    found = sky_cells(sky, points, exact_edges=EFFORTS[effort].exact_edges and design == "even")
    if design == "even":
        for key, value in (("terms", terms), ("separation", separation), ("blend", blend)):
            if value is not None:
                raise InputError(
                    f'{key} {value!r} is for the design "informed"; the even design has none', key=key
                )
        directions, side_of = even_grid(sky, points, seed, effort, found)
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
            separation=_fraction(separation, "separation", DEFAULT_SEPARATION, LARGEST_SEPARATION),
            blend=share,
            seed=seed,
            effort=effort,
        )
        gives_up = gives_up if share > 0.0 else ""
    directions.flags.writeable = False
    side_of.flags.writeable = False

    return grid_of(
        directions,
        side_of,
        sky,
        found,
        design=design,
        effort=effort,
        gives_up=gives_up,
        seed=seed,
        informed=informed,
    )


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

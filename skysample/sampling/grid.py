"""A grid of points, and how even it is."""

from __future__ import annotations

import html
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.geometry import alt_az
from skysample.sampling.cells import nearest
from skysample.sampling.sky_cells import SkyCells
from skysample.site.mount_axes import side_names

if TYPE_CHECKING:
    from astropy.table import QTable
    from astropy.units import Quantity
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.sky import UsableSky


def ideal_covering_rad(area_sr: float, points: int) -> float:
    """Covering radius of the hexagonal lattice with this many points on this area, radians.

    Source: Kershner 1939, "The number of circles covering a set", Am. J. Math. 61, 665: no covering of the plane
    is thinner. Edges make it larger for few points.
    """
    return math.sqrt(2.0 * area_sr / (3.0 * math.sqrt(3.0) * points))


def ideal_separation_rad(area_sr: float, points: int) -> float:
    """Separation of neighbours in the hexagonal lattice with this many points on this area, radians.

    Source: Fejes Toth 1943, "Ueber die dichteste Kugellagerung", Math. Z. 48, 676: no packing of the plane is
    denser.
    """
    return math.sqrt(2.0 * area_sr / (math.sqrt(3.0) * points))


@dataclass(frozen=True, slots=True)
class Evenness:
    """How evenly points cover a region.

    Attributes
    ----------
    covering_radius_rad : float
        From the farthest place of the region to its nearest point.
    min_separation_rad : float
        Between the two nearest points; nan for a single one.
    area_variation : float
        Standard deviation of the Voronoi cells' areas over their mean.
    """

    covering_radius_rad: float
    min_separation_rad: float
    area_variation: float


def evenness(cells: Array, points: Array) -> Evenness:
    """Measure how evenly points (n, 3) cover a region given as equal-area cells (m, 3)."""
    chord, label = nearest(points, cells)
    area = np.bincount(label, minlength=len(points))
    gap = nearest(points, points, skip_self=True)[0].min() if len(points) > 1 else np.nan
    return Evenness(
        2.0 * float(np.arcsin(min(1.0, chord.max() / 2.0))),
        2.0 * float(np.arcsin(min(1.0, gap / 2.0))) if len(points) > 1 else math.nan,
        float(area.std() / area.mean()),
    )


@dataclass(frozen=True, slots=True)
class InformedGain:
    """What the informed design of a grid buys.

    Attributes
    ----------
    terms : tuple of str
        Of the model that it was made for.
    separation : float
        Least distance kept on the same side of the pier, as a share of that in a hexagonal lattice.
    blend : float
        Share of the points that are an even grid of their own.
    variance : float
        Mean over the usable sky of the model's radial variance, for unit noise per axis.
    even_points : int
        How many even points would give the same, by even grids of about that many.
    """

    terms: tuple[str, ...]
    separation: float
    blend: float
    variance: float
    even_points: int


@dataclass(frozen=True, eq=False)
class Grid:
    """Points spread over the usable sky; from `sample`.

    Attributes
    ----------
    directions : ndarray, shape (n, 3)
        Unit vectors, east-north-up, as observed.
    sides : ndarray of int, shape (n,)
        Side of the pier: 1 (east, or a mount without sides) or -1 (west).
    sky : UsableSky
        What they were chosen from.
    area_sr : float
        The sky's area on the cells that were measured on.
    covering_radius_rad : float
        From the farthest place of the usable sky to its nearest point, whatever the side.
    min_separation_rad : float
        Between the two nearest points on the same side of the pier; nan where no side has two.
    covering_ratio, separation_ratio : float
        The same over what a hexagonal lattice of as many points on as large a plane would have: the covering
        of all points on the whole sky, the separation on each side's part of it (the worst).
    area_variation : float
        Standard deviation over mean of the points' Voronoi cells, each taken on its own side (the worst).
    design : str
        How they were chosen.
    effort : str
        How hard was tried.
    gives_up : str
        What that effort leaves undone, empty for nothing.
    seed : int
        The same seed gives the same grid.
    informed : InformedGain or None
        Of an informed design: what it buys.
    """

    directions: Array = field(repr=False)
    sides: NDArray[np.int64] = field(repr=False)
    sky: UsableSky = field(repr=False)
    area_sr: float
    covering_radius_rad: float
    min_separation_rad: float
    covering_ratio: float
    separation_ratio: float
    area_variation: float
    design: str = "even"
    effort: str = "default"
    gives_up: str = ""
    seed: int = 0
    informed: InformedGain | None = None

    def __len__(self) -> int:
        return len(self.directions)

    @property
    def points(self) -> int:
        """How many points there are."""
        return len(self.directions)

    @property
    def mesh_ratio(self) -> float:
        """Covering radius over half the smallest separation (hexagonal lattice: 2 / sqrt(3) = 1.155).

        Infinite where places repeat.
        """
        if self.min_separation_rad == 0.0:
            return math.inf
        return self.covering_radius_rad / (self.min_separation_rad / 2.0)

    @property
    def alt(self) -> Quantity:
        """Altitudes, as observed, shape (n,), in degrees."""
        from astropy import units as u

        return np.degrees(alt_az(self.directions)[0]) * u.deg

    @property
    def az(self) -> Quantity:
        """Azimuths, north 0, east 90, shape (n,), in degrees."""
        from astropy import units as u

        return np.degrees(alt_az(self.directions)[1]) * u.deg

    @property
    def table(self) -> QTable:
        """`point` (numbered from 1), `alt_deg`, `az_deg`, `pier` ("east", "west"; "" on mounts without sides)."""
        from astropy.table import QTable

        return QTable(
            {
                "point": np.arange(1, self.points + 1),
                "alt_deg": self.alt,
                "az_deg": self.az,
                "pier": np.array(side_names(self.sky.site.mount.kind, self.sides), dtype="U4"),
            }
        )

    def summary(self) -> str:
        """Number of points and how evenly they cover the sky, in a few lines."""
        lines = [f"{self.points} points over {self.area_sr:.3f} sr ({self.design} design, seed {self.seed})"]
        lines.append(
            f"Largest gap (covering radius)  {math.degrees(self.covering_radius_rad):6.2f} deg, "
            f"{self.covering_ratio:.2f} times that of a hexagonal lattice"
        )
        if math.isfinite(self.min_separation_rad):
            lines.append(
                f"Smallest separation            {math.degrees(self.min_separation_rad):6.2f} deg, "
                f"{self.separation_ratio:.2f} times that of a hexagonal lattice"
            )
        lines.append(f"Sky per point                  varies by {100.0 * self.area_variation:.1f} %")
        if self.sky.site.mount.kind == "german":
            east = int(np.count_nonzero(self.sides > 0))
            lines.append(f"Side of the pier               {east} east, {self.points - east} west")
        if self.informed is not None:
            error, terms = math.sqrt(self.informed.variance), len(self.informed.terms)
            lines.append(
                f"Model error over the sky       {error:6.2f} times the noise per axis, for {terms} terms: "
                f"as with {self.informed.even_points} even points"
            )
        if self.gives_up:
            lines.append(f"Effort {self.effort}: {self.gives_up}.")
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.summary()

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"


def grid_of(
    directions: Array, sides: NDArray[np.int64], sky: UsableSky, found: SkyCells | None = None, **how: Any
) -> Grid:
    """Build the grid of points already placed on a sky.

    Parameters
    ----------
    directions : ndarray, shape (n, 3)
    sides : ndarray of int, shape (n,)
    sky : UsableSky
    found : SkyCells, optional
        What to measure on; default: the sky's own pixels, whatever the side.
    **how
        The rest of the attributes of `Grid`.

    Returns
    -------
    Grid
    """
    found = found or SkyCells(sky.directions, sky.reachable, sky.pixel_sr, {})
    area_sr = len(found.cells) * found.cell_sr
    whole = evenness(found.cells, directions)
    parts, measured = [(found.cells, directions)], [whole]
    if len(found.by_side) > 1:
        on_side = {side: directions[sides == side] for side in found.by_side}
        parts = [(found.by_side[side], chosen) for side, chosen in on_side.items() if len(chosen)]
        measured = [evenness(*part) for part in parts]
    separations = [each.min_separation_rad for each in measured]
    relative = [
        separation / ideal_separation_rad(len(cells) * found.cell_sr, len(chosen))
        for separation, (cells, chosen) in zip(separations, parts, strict=True)
    ]
    return Grid(
        directions=directions,
        sides=sides,
        sky=sky,
        area_sr=area_sr,
        covering_radius_rad=whole.covering_radius_rad,
        min_separation_rad=_least(separations),
        covering_ratio=whole.covering_radius_rad / ideal_covering_rad(area_sr, len(directions)),
        separation_ratio=_least(relative),
        area_variation=max(each.area_variation for each in measured),
        **how,
    )


def _least(values: list[float]) -> float:
    """Smallest finite value; nan if there is none."""
    return float(min((value for value in values if math.isfinite(value)), default=math.nan))

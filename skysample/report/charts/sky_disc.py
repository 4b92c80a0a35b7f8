"""The sky as a disc: zenith in the middle, north up, east to the left, areas in proportion.

Source of the projection: Snyder 1987, Map Projections: A Working Manual (USGS Professional Paper 1395),
Lambert azimuthal equal-area, polar aspect, with the zenith as pole and the radius of the horizontal as unit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import direction
from skysample.report.charts.canvas import INK, PAPER, SIZES, font, halo, write

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from skysample.geometry import Array
    from skysample.sky import UsableSky

__all__ = [
    "BLOCKED_ALPHA",
    "REACH",
    "blocked_swatch",
    "disc_xy",
    "interpolated",
    "legend",
    "raster",
    "rim_below",
    "rim_radius",
    "room",
    "sheet_height_in",
    "sky_axes",
]

REACH = 1.17
"""How far the sheet goes on beyond the horizontal, whose radius is 1, so that the directions can be named."""

_LEGEND_LINE_IN = 0.24
_TITLE_IN = 0.62
_ROOM = 0.1
"""Between the middle of a label and the nearest point, in units of the disc's radius; nearer it is left out."""
BLOCKED_ALPHA = 0.2
"""Of the ink over what cannot be used: names on it keep a contrast of 4.5 to 1 in red on black too."""
_RASTER = 181
_DIRECTIONS = (
    ("North", 0.0, 1.0, 0.0),
    ("East", -1.0, 0.0, 90.0),
    ("South", 0.0, -1.0, 0.0),
    ("West", 1.0, 0.0, -90.0),
)


def disc_xy(directions: Array) -> Array:
    """Place on the disc of unit vectors of shape (..., 3), east-north-up; shape (..., 2), east to the left.

    What is below the horizontal goes to its edge.
    """
    up = np.maximum(directions[..., 2], -0.5)
    place = np.stack([-directions[..., 0], directions[..., 1]], axis=-1) / np.sqrt(1.0 + up)[..., None]
    return np.asarray(place / np.maximum(np.linalg.norm(place, axis=-1, keepdims=True), 1.0))


def sheet_height_in(width_in: float, legend_lines: int) -> float:
    """Height of a sheet with a title, a disc and so many lines of legend."""
    return width_in + _TITLE_IN + _LEGEND_LINE_IN * legend_lines + 0.08


def sky_axes(
    figure: Figure,
    title: str,
    sky: UsableSky,
    places: Array,
    *,
    reach: float = REACH,
    rim_deg: float = 0.0,
) -> Axes:
    """Draw the empty disc: what cannot be used, rings of altitude, names of the directions, and the pole.

    Parameters
    ----------
    figure : Figure
        As high as `sheet_height_in` says, at least.
    title : str
    sky : UsableSky
    places : ndarray, shape (n, 2)
        Of the points that will be marked: what is written on the disc stays away from them, or is left out.
    reach : float
        Room for marks around the disc, in units of its radius.
    rim_deg : float
        Altitude at which the disc ends.

    Returns
    -------
    Axes
    """
    width, height = figure.get_size_inches()
    axes = figure.add_axes((0.0, 1.0 - (width + _TITLE_IN) / height, 1.0, width / height))
    radius = rim_radius(rim_deg)
    half = reach * radius
    axes.set(xlim=(-half, half), ylim=(-half, half), aspect="equal")
    axes.set_axis_off()
    per_inch = 2.0 * half / width
    write(axes, 0.0, half + 0.42 * per_inch, title, SIZES["title"], weight="bold")
    note = "As seen looking up: east is left."
    note += f" Rim at altitude {rim_deg:.0f}°." if rim_deg else ""
    write(axes, 0.0, half + 0.17 * per_inch, note, SIZES["small"])
    _shade_blocked(axes, sky, radius)
    _ring(axes, rim_deg, alpha=1.0, linewidth=1.2)
    for altitude in (30.0, 60.0):
        if altitude > rim_deg:
            _ring(axes, altitude, alpha=0.35, linewidth=0.6)
            _altitude_label(axes, altitude, places, radius)
    for azimuth in range(0, 360, 30):
        ends = disc_xy(direction(np.radians([rim_deg, 60.0]), np.radians(float(azimuth))))
        axes.plot(*ends.T, color=INK, alpha=0.18, linewidth=0.5, zorder=1.5)
    out = half - 0.08 * radius
    for name, x, y, turn in _DIRECTIONS:
        write(axes, out * x, out * y, name, SIZES["text"], rotation=turn, weight="bold")
    if sky.site.mount.kind != "altaz":
        _mark_pole(axes, disc_xy(sky.site.elevated_pole), places, radius)
    return axes


def rim_below(sky: UsableSky, directions: Array) -> float:
    """Altitude where a disc ends, degrees: a multiple of 5, at least as many below the usable sky and the points."""
    lowest = min(sky.directions[:, 2].min(), directions[:, 2].min())
    lowest_deg = np.degrees(np.arcsin(np.clip(lowest, -1.0, 1.0)))
    return float(max(0.0, 5.0 * np.floor(lowest_deg / 5.0 + 0.2) - 5.0))


def rim_radius(rim_deg: float) -> float:
    """Radius on the disc of an altitude."""
    return float(np.linalg.norm(disc_xy(direction(np.radians(rim_deg), 0.0))))


def _ring(axes: Axes, altitude_deg: float, *, alpha: float, linewidth: float) -> None:
    around = disc_xy(direction(np.radians(altitude_deg), np.linspace(0.0, 2.0 * np.pi, 181)))
    axes.plot(*around.T, color=INK, alpha=alpha, linewidth=linewidth, zorder=1.6)


def room(spots: Array, places: Array) -> Array:
    """Distance of each spot (k, 2) from the nearest place (n, 2), shape (k,)."""
    return np.asarray(np.linalg.norm(spots[:, None] - places, axis=-1).min(axis=1, initial=np.inf))


def _altitude_label(axes: Axes, altitude_deg: float, places: Array, radius: float) -> None:
    spots = disc_xy(direction(np.radians(altitude_deg), np.radians(np.arange(15.0, 360.0, 30.0))))
    free = np.minimum(room(spots, places), 0.2)
    if free.max() > _ROOM * radius:
        x, y = spots[int(np.argmax(free))]
        write(axes, x, y, f"{altitude_deg:.0f}°", SIZES["small"], path_effects=halo(), zorder=1.7)


def _mark_pole(axes: Axes, pole: Array, places: Array, radius: float) -> None:
    """Mark the pole where no point hides it, its name on the side with more room, inside the rim."""
    spots = pole + radius * np.array([[0.0, -0.075], [0.0, 0.075], [-0.11, 0.0], [0.11, 0.0]])
    within = np.linalg.norm(spots, axis=1) < 0.97 * radius
    free = np.where(within, room(spots, places), 0.0)
    if min(free.max(), room(pole[None], places)[0]) < 0.75 * _ROOM * radius:
        return
    axes.plot(*pole, marker="+", markersize=9, markeredgewidth=1.2, color=INK, linestyle="none", zorder=2)
    x, y = spots[int(np.argmax(np.minimum(free, 0.2)))]
    write(axes, x, y, "pole", SIZES["small"], path_effects=halo(), zorder=2)


def raster(radius: float) -> tuple[Array, Array, Array]:
    """Coordinates (k,) of a square raster over a disc, and the directions of its places (k, k, 3)."""
    steps = 1.02 * radius * np.linspace(-1.0, 1.0, _RASTER)
    x, y = np.meshgrid(steps, steps)
    radius2 = x**2 + y**2
    shrink = np.sqrt(np.maximum(2.0 - radius2, 0.0))
    return steps, steps, np.stack([-x * shrink, y * shrink, 1.0 - radius2], axis=-1)


def interpolated(values: Array, directions: Array) -> Array:
    """Values of a full-sky HEALPix map (RING, azimuth as longitude) between its pixels, shape (k, k)."""
    import hpgeom

    unit = directions / np.linalg.norm(directions, axis=-1, keepdims=True)
    colatitude = np.arccos(np.clip(unit[..., 2], -1.0, 1.0))
    azimuth = np.arctan2(unit[..., 0], unit[..., 1]) % (2.0 * np.pi)
    nside = hpgeom.npixel_to_nside(len(values))
    pixels, weights = hpgeom.get_interpolation_weights(
        nside, colatitude.ravel(), azimuth.ravel(), lonlat=False, nest=False
    )
    return np.asarray((values[pixels] * weights).sum(axis=-1), float).reshape(colatitude.shape)


def _shade_blocked(axes: Axes, sky: UsableSky, radius: float) -> None:
    from matplotlib.patches import Circle

    x, y, directions = raster(radius)
    usable = interpolated(sky.mask().astype(float), directions)
    rim = Circle((0.0, 0.0), radius, transform=axes.transData)
    if usable.min() < 0.5:
        shade = axes.contourf(x, y, usable, levels=[-1.0, 0.5], colors=[INK], alpha=BLOCKED_ALPHA, zorder=1)
        shade.set_clip_path(rim)
    if usable.min() < 0.5 < usable.max():
        edge = axes.contour(x, y, usable, levels=[0.5], colors=[INK], linewidths=0.9, alpha=0.7, zorder=1.4)
        edge.set_clip_path(rim)


def blocked_swatch() -> Artist:
    """Legend entry of the shade over what cannot be used."""
    from matplotlib.patches import Patch

    return Patch(facecolor=INK, alpha=BLOCKED_ALPHA, edgecolor="none", label="shaded: cannot be used")


def legend(axes: Axes, handles: list[Artist]) -> None:
    """Say under the disc what the marks mean, one line each."""
    axes.legend(
        handles=handles,
        loc="upper center",
        bbox_to_anchor=(0.5, 0.0),
        borderaxespad=0.0,
        frameon=False,
        prop=font(SIZES["text"]),
        labelcolor=INK,
        handlelength=1.8,
        facecolor=PAPER,
        labelspacing=0.4,
    )

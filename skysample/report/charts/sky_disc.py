"""The sky as a disc: zenith in the middle, north up, east to the left, areas in proportion.

Source of the projection: Snyder 1987, Map Projections: A Working Manual (USGS Professional Paper 1395),
Lambert azimuthal equal-area, polar aspect, with the zenith as pole and the radius of the horizontal as unit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import alt_az, direction
from skysample.report.charts.canvas import INK, SIZES, legend, new_figure, write

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from skysample.geometry import Array
    from skysample.sky import UsableSky

REACH = 1.17
"""Half the width of the sheet in radii of the disc: room for the names of the directions."""

BLOCKED_ALPHA = 0.2
"""Of the ink over the sky that is not usable: text on it keeps a contrast of 4.5 to 1 in red on black too."""

_LEGEND_LINE_IN = 0.24
_TITLE_IN = 0.62
_ROOM = 0.1
"""Least distance between a label's middle and the nearest point, in radii of the disc; nearer it is left out."""
_RASTER = 181
_DIRECTIONS = (
    ("North", 0.0, 1.0, 0.0),
    ("East", -1.0, 0.0, 90.0),
    ("South", 0.0, -1.0, 0.0),
    ("West", 1.0, 0.0, -90.0),
)


def disc_xy(directions: Array) -> Array:
    """Place unit vectors of shape (..., 3), east-north-up, on the disc; shape (..., 2), east to the left.

    What is below the horizontal goes to its edge.
    """
    up = np.maximum(directions[..., 2], -0.5)
    place = np.stack([-directions[..., 0], directions[..., 1]], axis=-1) / np.sqrt(1.0 + up)[..., None]
    return np.asarray(place / np.maximum(np.linalg.norm(place, axis=-1, keepdims=True), 1.0))


def sky_axes(
    alternative: tuple[str, str],
    title: str,
    sky: UsableSky,
    places: Array,
    marks: Sequence[Artist],
    *,
    rim_deg: float,
    width_in: float = 4.8,
    reach: float = REACH,
) -> tuple[Figure, Axes]:
    """Draw the empty disc: sky that is not usable, rings of altitude, directions and pole; legend below.

    Parameters
    ----------
    alternative : (str, str)
        Title and description for whoever cannot see the chart.
    title : str
    sky : UsableSky
    places : ndarray, shape (n, 2)
        Of the points that will be marked: labels stay away from them, or are left out.
    marks : sequence of Artist
        Legend entries, one line each.
    rim_deg : float
        Altitude at the edge of the disc.
    width_in : float
        Of the sheet, inches.
    reach : float
        Half the width of the sheet, in radii of the disc.

    Returns
    -------
    Figure, Axes
    """
    from matplotlib.patches import Patch

    below = Patch(facecolor=INK, alpha=BLOCKED_ALPHA, edgecolor="none", label="not usable")
    height_in = width_in + _TITLE_IN + _LEGEND_LINE_IN * (len(marks) + 1) + 0.08
    figure = new_figure(width_in, height_in, *alternative)
    axes = figure.add_axes((0.0, 1.0 - (width_in + _TITLE_IN) / height_in, 1.0, width_in / height_in))
    radius = rim_radius(rim_deg)
    half = reach * radius
    axes.set(xlim=(-half, half), ylim=(-half, half), aspect="equal")
    axes.set_axis_off()
    per_inch = 2.0 * half / width_in
    write(axes, (0.0, half + 0.42 * per_inch), title, SIZES["title"], weight="bold")
    rim = f" The rim is at altitude {rim_deg:.0f}°." if rim_deg else ""
    write(axes, (0.0, half + 0.17 * per_inch), f"Looking up: east is on the left.{rim}", SIZES["small"])
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
        write(axes, (out * x, out * y), name, SIZES["text"], rotation=turn, weight="bold")
    if sky.site.mount.kind != "altaz":
        _mark_pole(axes, disc_xy(sky.site.elevated_pole), places, radius)
    place = {"loc": "upper center", "bbox_to_anchor": (0.5, 0.0), "borderaxespad": 0.0}
    legend(axes, SIZES["text"], handles=[*marks, below], handlelength=1.8, labelspacing=0.4, **place)
    return figure, axes


def rim_below(sky: UsableSky, directions: Array) -> float:
    """Altitude of the disc's edge, degrees: a multiple of 5, at least 4 below the usable sky and the points."""
    lowest = min(sky.directions[:, 2].min(), directions[:, 2].min())
    lowest_deg = np.degrees(np.arcsin(np.clip(lowest, -1.0, 1.0)))
    return float(max(0.0, 5.0 * np.floor(lowest_deg / 5.0 + 0.2) - 5.0))


def rim_radius(rim_deg: float) -> float:
    """Radius on the disc of an altitude."""
    return float(np.linalg.norm(disc_xy(direction(np.radians(rim_deg), 0.0))))


def freest(spots: Array, busy: Array) -> tuple[int, float]:
    """Choose the spot (k, 2) furthest from all busy places (n, 2), or the first with room; its index and distance."""
    room = np.linalg.norm(spots[:, None] - busy, axis=-1).min(axis=1, initial=np.inf)
    best = int(np.argmax(np.minimum(room, 2.0 * _ROOM)))
    return best, float(room[best])


def _ring(axes: Axes, altitude_deg: float, *, alpha: float, linewidth: float) -> None:
    around = disc_xy(direction(np.radians(altitude_deg), np.linspace(0.0, 2.0 * np.pi, 181)))
    axes.plot(*around.T, color=INK, alpha=alpha, linewidth=linewidth, zorder=1.6)


def _altitude_label(axes: Axes, altitude_deg: float, places: Array, radius: float) -> None:
    spots = disc_xy(direction(np.radians(altitude_deg), np.radians(np.arange(15.0, 360.0, 30.0))))
    best, room = freest(spots, places)
    if room > _ROOM * radius:
        write(axes, spots[best], f"{altitude_deg:.0f}°", SIZES["small"], on_lines=True, zorder=2.45)


def _mark_pole(axes: Axes, pole: Array, places: Array, radius: float) -> None:
    """Mark the pole where no point hides it, its name on the side with more room, inside the rim."""
    spots = pole + radius * np.array([[0.0, -0.075], [0.0, 0.075], [-0.11, 0.0], [0.11, 0.0]])
    spots = spots[np.linalg.norm(spots, axis=1) < 0.97 * radius]
    best, room = freest(spots, places)
    if min(room, freest(pole[None], places)[1]) >= 0.75 * _ROOM * radius:
        axes.plot(*pole, marker="+", markersize=9, markeredgewidth=1.2, color=INK, linestyle="none", zorder=2)
        write(axes, spots[best], "pole", SIZES["small"], on_lines=True, zorder=1.9)


def raster(radius: float) -> tuple[Array, Array]:
    """Coordinates (k,) of a square raster over a disc, both ways, and the directions of its places (k, k, 3)."""
    steps = 1.02 * radius * np.linspace(-1.0, 1.0, _RASTER)
    x, y = np.meshgrid(steps, steps)
    radius2 = x**2 + y**2
    shrink = np.sqrt(np.maximum(2.0 - radius2, 0.0))
    return steps, np.stack([-x * shrink, y * shrink, 1.0 - radius2], axis=-1)


def interpolated(values: Array, directions: Array) -> Array:
    """Values of a full-sky HEALPix map (RING, azimuth as longitude) between its pixels, shape (k, k)."""
    import hpgeom

    altitude, azimuth = alt_az(directions.reshape(-1, 3))
    pixels, weights = hpgeom.get_interpolation_weights(
        hpgeom.npixel_to_nside(len(values)), 0.5 * np.pi - altitude, azimuth, lonlat=False, nest=False
    )
    return np.asarray((values[pixels] * weights).sum(axis=-1), float).reshape(directions.shape[:-1])


def _shade_blocked(axes: Axes, sky: UsableSky, radius: float) -> None:
    from matplotlib.patches import Circle

    steps, directions = raster(radius)
    usable = interpolated(sky.mask().astype(float), directions)
    rim = Circle((0.0, 0.0), radius, transform=axes.transData)
    if usable.min() < 0.5:
        shade = axes.contourf(steps, steps, usable, [-1.0, 0.5], colors=[INK], alpha=BLOCKED_ALPHA, zorder=1)
        shade.set_clip_path(rim)
    if usable.min() < 0.5 < usable.max():
        edge = axes.contour(steps, steps, usable, [0.5], colors=[INK], linewidths=0.9, alpha=0.7, zorder=1.4)
        edge.set_clip_path(rim)

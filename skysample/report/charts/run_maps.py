"""Maps of a finished run: what the model leaves at each point, and where the model can be trusted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.geometry import ARCSEC, displace, tangent_basis
from skysample.report.charts.canvas import INK, PAPER, SIZES, font, halo, mark, new_figure, write
from skysample.report.charts.sky_disc import (
    REACH,
    blocked_swatch,
    disc_xy,
    interpolated,
    legend,
    raster,
    rim_below,
    rim_radius,
    room,
    sheet_height_in,
    sky_axes,
)
from skysample.scoring.sky_error import SkyError, sky_error
from skysample.sky import UsableSky, usable_sky

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.runs import Run
    from skysample.scoring import Score

__all__ = ["coverage_map", "residual_map"]

_WIDTH_IN = 4.8
_CROSS: dict[str, Any] = {"marker": "x", "markersize": 9.0, "markeredgewidth": 2.2}
_LONGEST = 0.2
"""Length of the longest residual, of the disc's radius."""


def residual_map(model: FittedModel, run: Run, score: Score, *, sky: UsableSky | None = None) -> Figure:
    """Draw what the model leaves: at each point an arrow from where the model puts the tube to where it was.

    Parameters
    ----------
    model : FittedModel
    run : Run
        That the model was fitted to.
    score : Score
        Of the two.
    sky : UsableSky, optional
        If it is at hand already.

    Returns
    -------
    Figure
    """
    rejected = _rejected(model, run)
    description = (
        f"All-sky chart, north up, east left: residuals of {len(score.rows)} points,"
        f" {score.rms.value:.2f} arcsec RMS, as arrows from where the model puts the tube to where it was."
        f" {_rejected_in_words(run, rejected)}"
    )
    height = sheet_height_in(_WIDTH_IN, 2 + int(rejected.any()))
    figure = new_figure(_WIDTH_IN, height, "Residuals on the sky", description)
    at = run.directions[np.isin(run.rows, score.rows)]
    start = disc_xy(at)
    title = f'Residuals: {score.rms.value:.2f}" RMS'
    region = sky or usable_sky(run.site)
    rim_deg = rim_below(region, at)
    radius = rim_radius(rim_deg)
    axes = sky_axes(figure, title, region, disc_xy(run.directions), rim_deg=rim_deg)
    components = score.residuals.to_value("arcsec")
    lengths = np.linalg.norm(components, axis=1)
    per_arcsec = _LONGEST * radius / max(float(lengths.max()), 1e-9)
    axes.plot(*start.T, marker="o", markersize=3.5, color=INK, linestyle="none", zorder=3)
    step = _on_disc(at, components, run.site.sign_pole) * (lengths * per_arcsec)[:, None]
    _arrows(axes, start, step)
    key = _round_length(float(lengths.max()))
    x = y = -radius * (REACH - 0.08)
    _arrows(axes, np.array([[x, y]]), np.array([[key * per_arcsec, 0.0]]))
    write(axes, x, y + 0.08 * radius, f'{key:g}"', SIZES["text"], ha="left")
    _cross(axes, model, run, rejected, np.concatenate([start, start + step]), radius)
    _legend(axes, "point used: arrow to where the tube was", bool(rejected.any()))
    return figure


def coverage_map(
    model: FittedModel, run: Run, *, sky: UsableSky | None = None, error: SkyError | None = None
) -> Figure:
    """Draw where the points were taken, and lines of equal standard error of the model over the usable sky.

    Parameters
    ----------
    model : FittedModel
    run : Run
        That the model was fitted to.
    sky : UsableSky, optional
    error : SkyError, optional
        Of the model over that sky, if they are at hand already.

    Returns
    -------
    Figure
        Of a `german` mount, the worse of the two sides of the pier at each place.
    """
    region = sky or usable_sky(run.site)
    found = error or sky_error(model, region)
    rejected = _rejected(model, run)
    description = (
        f"All-sky chart, north up, east left: {model.run.used} points used, and lines of the model's own"
        f" standard error, {found.rms.value:.2f} arcsec RMS over the usable sky."
        f" {_rejected_in_words(run, rejected)}"
    )
    name = "Coverage and the model's error"
    figure = new_figure(_WIDTH_IN, sheet_height_in(_WIDTH_IN, 3 + int(rejected.any())), name, description)
    title = f'Error of the model: {found.rms.value:.2f}" RMS over the sky'
    used = run.directions[np.isin(run.rows, model.run.rows)]
    rim_deg = rim_below(region, used)
    radius = rim_radius(rim_deg)
    at = disc_xy(used)
    axes = sky_axes(figure, title, region, disc_xy(run.directions), rim_deg=rim_deg)
    labels = _error_lines(axes, region, found, radius)
    dots: dict[str, Any] = {
        "marker": "o",
        "markersize": 5.0,
        "markerfacecolor": INK,
        "markeredgecolor": PAPER,
        "linestyle": "none",
    }
    axes.plot(*at.T, zorder=3, **dots)
    _cross(axes, model, run, rejected, np.concatenate([at, labels]), radius)
    _legend(axes, "point used", bool(rejected.any()), lines=len(labels) > 0)
    return figure


def _rejected(model: FittedModel, run: Run) -> NDArray[np.bool_]:
    return np.isin(run.rows, [each.row for each in model.rejected])


def _rejected_in_words(run: Run, rejected: NDArray[np.bool_]) -> str:
    if not rejected.any():
        return "No point was left out."
    return f"Left out and marked by a cross: row {', '.join(str(row) for row in run.rows[rejected])}."


def _on_disc(at: Array, components: Array, pole: Array) -> Array:
    """Turn tangent-plane components (n, 2) at unit vectors (n, 3) into unit vectors on the disc (n, 2)."""
    length = np.linalg.norm(components, axis=1, keepdims=True)
    towards = components / np.where(length > 0.0, length, 1.0) * ARCSEC
    basis = tangent_basis(at, pole)
    step = disc_xy(displace(at, basis, towards)) - disc_xy(displace(at, basis, -towards))
    size = np.linalg.norm(step, axis=1, keepdims=True)
    return step / np.where(size > 0.0, size, 1.0)


def _arrows(axes: Axes, start: Array, step: Array) -> None:
    axes.quiver(
        *start.T, *step.T, angles="xy", scale_units="xy", scale=1.0, units="inches", width=0.018,
        headwidth=4.0, headlength=5.0, headaxislength=4.5, minlength=0.0, color=INK, zorder=3.2,
    )  # fmt: skip


def _round_length(longest: float) -> float:
    """Largest of 1, 2, 5 times a power of ten that is not longer."""
    if not longest > 0.0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(longest))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= longest))


def _cross(
    axes: Axes, model: FittedModel, run: Run, rejected: NDArray[np.bool_], busy: Array, radius: float
) -> None:
    """Mark the points left out where the axes stood, which a false solution says nothing about.

    The row stands beside the cross, on the side with more room from what is at the busy places (k, 2).
    """
    if not rejected.any():
        return
    when = None if run.time is None else run.time[rejected]
    places = disc_xy(model.predict(run.axes[rejected], when))
    axes.plot(*places.T, linestyle="none", color=INK, zorder=3.4, **_CROSS)
    for row, (x, y) in zip(run.rows[rejected], places, strict=True):
        sides = ((1.0, "left"), (-1.0, "right"))
        middles = np.array([[x + 0.17 * radius * way, y] for way, _ in sides])
        way, anchor = sides[int(np.argmax(room(middles, busy)))]
        beside = x + 0.06 * radius * way
        write(axes, beside, y, f"row {row}", SIZES["small"], ha=anchor, path_effects=halo(), zorder=3.5)


def _error_lines(axes: Axes, sky: UsableSky, error: SkyError, radius: float) -> Array:
    """Lines of equal error, heavier where it is larger; places of their labels (k, 2), none where all is alike."""
    import hpgeom

    pixels = hpgeom.vector_to_pixel(sky.nside, *error.directions[:, [1, 0, 2]].T, nest=False)
    worst = np.zeros(12 * sky.nside**2)
    np.maximum.at(worst, pixels, error.error_rad / ARCSEC)
    x, y, directions = raster(radius)
    usable = interpolated(sky.mask().astype(float), directions)
    inside = usable > 0.5
    level = np.where(inside, interpolated(worst, directions) / np.where(inside, usable, 1.0), np.nan)
    levels = _levels(float(np.nanmin(level)), float(np.nanmax(level))) if inside.any() else []
    if not levels:
        return np.zeros((0, 2))
    widths = np.linspace(0.7, 2.0, len(levels)).tolist() if len(levels) > 1 else [1.2]
    shown = np.ma.masked_invalid(level)
    lines = axes.contour(x, y, shown, levels=levels, colors=[INK], linewidths=widths, zorder=2.4)
    labels = lines.clabel(fmt='%g"', fontsize=SIZES["small"], colors=[INK], zorder=3.3)
    for text in labels:
        text.set(fontproperties=font(SIZES["small"]), path_effects=halo(), parse_math=False)
    return np.array([text.get_position() for text in labels]).reshape(-1, 2)


def _levels(low: float, high: float) -> list[float]:
    """Round numbers strictly between two values, at most seven of them."""
    from matplotlib.ticker import MaxNLocator

    if not high - low > 1e-9:
        return []
    return [float(each) for each in MaxNLocator(6).tick_values(low, high) if low < each < high]


def _legend(axes: Axes, used: str, rejected: bool, *, lines: bool = False) -> None:
    handles: list[Artist] = [mark(used, marker="o", markersize=5.0)]
    if rejected:
        handles.append(mark("cross: left out of the fit", **_CROSS))
    if lines:
        handles.append(mark("model's standard error, arcsec", linestyle="solid", linewidth=1.2))
    legend(axes, [*handles, blocked_swatch()])

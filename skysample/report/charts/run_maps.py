"""Maps of a finished run: the residual of each point, and how well the model is known where."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.geometry import ARCSEC, displace, tangent_basis
from skysample.report.charts.canvas import INK, PAPER, SIZES, font, mark, write
from skysample.report.charts.sky_disc import (
    REACH,
    disc_xy,
    freest,
    interpolated,
    raster,
    rim_below,
    rim_radius,
    sky_axes,
)
from skysample.scoring.sky_error import SkyError, sky_error
from skysample.sky import UsableSky, usable_sky

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.runs import Run
    from skysample.scoring import Score

_CROSS: dict[str, Any] = {"marker": "x", "markersize": 9.0, "markeredgewidth": 2.2}
_LONGEST = 0.2
"""Length of the longest residual, of the disc's radius."""


def residual_map(model: FittedModel, run: Run, score: Score, *, sky: UsableSky | None = None) -> Figure:
    """Draw the residuals: at each point an arrow from where the model puts the tube to where it pointed.

    Parameters
    ----------
    model : FittedModel
    run : Run
        That the model was fitted to.
    score : Score
        Of the two.
    sky : UsableSky, optional
        If already computed.

    Returns
    -------
    Figure
    """
    rejected = _rejected(model, run)
    at = run.directions[np.isin(run.rows, score.rows)]
    start = disc_xy(at)
    region = sky or usable_sky(run.site)
    rim_deg = rim_below(region, at)
    radius = rim_radius(rim_deg)
    description = (
        f"All-sky chart, north up, east left: residuals of {len(score.rows)} points,"
        f" {score.rms.value:.2f} arcsec RMS, as arrows from where the model puts the tube to where it pointed."
        f" {_rejected_in_words(run, rejected)}"
    )
    figure, axes = sky_axes(
        ("Residuals on the sky", description),
        f'Residuals: {score.rms.value:.2f}" RMS',
        region,
        disc_xy(run.directions),
        _legend("point used; arrow to where the tube pointed", rejected),
        rim_deg=rim_deg,
    )
    components = score.residuals.to_value("arcsec")
    lengths = np.linalg.norm(components, axis=1)
    longest = max(float(lengths.max()), 1e-9)
    per_arcsec = _LONGEST * radius / longest
    step = _on_disc(at, components, run.site.sign_pole) * (lengths * per_arcsec)[:, None]
    axes.plot(*start.T, marker="o", markersize=3.5, color=INK, linestyle="none", zorder=3)
    arrows = axes.quiver(
        *start.T, *step.T, angles="xy", scale_units="xy", scale=1.0, units="inches", width=0.018,
        headwidth=4.0, headlength=5.0, headaxislength=4.5, minlength=0.0, color=INK, zorder=3.2,
    )  # fmt: skip
    power = 10.0 ** np.floor(np.log10(longest))
    key = max((each for each in (power, 2.0 * power, 5.0 * power) if each <= longest), default=power)
    corner = -radius * (REACH - 0.17)
    axes.quiverkey(
        arrows, corner, corner, key * per_arcsec, f'{key:g}"', coordinates="data", labelcolor=INK,
        fontproperties={"family": "DejaVu Sans", "size": SIZES["text"]},
    )  # fmt: skip
    _cross(axes, model, run, rejected, np.concatenate([start, start + 0.5 * step, start + step]), radius)
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
        Of the model over that sky, if already computed.

    Returns
    -------
    Figure
        Of a `german` mount, the larger error of the two sides of the pier at each place.
    """
    region = sky or usable_sky(run.site)
    found = error or sky_error(model, region)
    rejected = _rejected(model, run)
    used = run.directions[np.isin(run.rows, model.run.rows)]
    rim_deg = rim_below(region, used)
    at = disc_xy(used)
    steps, values = _error_raster(region, found, rim_radius(rim_deg))
    levels = _levels(values)
    legend = _legend("point used", rejected)
    if levels:
        legend.append(mark("standard error of the model", linestyle="solid", linewidth=1.2))
    description = (
        f"All-sky chart, north up, east left: {model.run.used} points used, and lines of equal standard error of the"
        f" model, {found.rms.value:.2f} arcsec RMS over the usable sky. {_rejected_in_words(run, rejected)}"
    )
    figure, axes = sky_axes(
        ("Coverage and the model's error", description),
        f'Model error: {found.rms.value:.2f}" RMS over the sky',
        region,
        disc_xy(run.directions),
        legend,
        rim_deg=rim_deg,
    )
    dots: dict[str, Any] = {"marker": "o", "markersize": 5.0, "color": INK, "markeredgecolor": PAPER}
    axes.plot(*at.T, linestyle="none", zorder=3, **dots)
    busy = np.concatenate([at, disc_xy(run.directions[rejected])])
    if levels:
        busy = np.concatenate([busy, *_error_lines(axes, steps, values, levels, busy)])
    _cross(axes, model, run, rejected, busy, rim_radius(rim_deg))
    return figure


def _rejected(model: FittedModel, run: Run) -> NDArray[np.bool_]:
    return np.isin(run.rows, [each.row for each in model.rejected])


def _rejected_in_words(run: Run, rejected: NDArray[np.bool_]) -> str:
    if not rejected.any():
        return "No point was rejected."
    rows = [str(row) for row in run.rows[rejected]]
    return f"Rejected and marked by a cross: row{'s' if len(rows) > 1 else ''} {', '.join(rows)}."


def _on_disc(at: Array, components: Array, pole: Array) -> Array:
    """Turn tangent-plane components (n, 2) at unit vectors (n, 3) into unit vectors on the disc (n, 2)."""
    basis = tangent_basis(at, pole)
    small = ARCSEC * components / np.maximum(np.linalg.norm(components, axis=1, keepdims=True), 1e-9)
    step = disc_xy(displace(at, basis, small)) - disc_xy(displace(at, basis, -small))
    return np.asarray(step / np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-12))


def _cross(
    axes: Axes, model: FittedModel, run: Run, rejected: NDArray[np.bool_], busy: Array, radius: float
) -> None:
    """Mark the rejected points where the model puts the axes' readings: a false solution says nothing of the place.

    The row stands beside the cross, where there is most room from the busy places (k, 2).
    """
    if not rejected.any():
        return
    when = None if run.time is None else run.time[rejected]
    places = disc_xy(model.predict(run.axes[rejected], when))
    axes.plot(*places.T, linestyle="none", color=INK, zorder=3.4, **_CROSS)
    beside = radius * np.array(
        [[0.17, 0.0], [-0.17, 0.0], [0.0, 0.1], [0.0, -0.1], [0.13, 0.09], [-0.13, 0.09]]
    )
    for row, place in zip(run.rows[rejected], places, strict=True):
        spots = place + beside
        best, _ = freest(spots, np.array([*busy, *places, *_written(axes, 0.12 * radius)]))
        write(axes, spots[best], f"row {row}", SIZES["small"], on_lines=True, zorder=3.3)


def _written(axes: Axes, reach: float = 0.0) -> list[tuple[float, float]]:
    """Places of the texts, and how far they and a text beside them reach to either side."""
    positions = [text.get_position() for text in axes.texts]
    return [(x + shift, y) for x, y in positions for shift in {-reach, 0.0, reach}]


def _error_raster(sky: UsableSky, error: SkyError, radius: float) -> tuple[Array, Array]:
    """Model error over the usable sky on a raster, arcsec; NaN elsewhere."""
    import hpgeom

    pixels = hpgeom.vector_to_pixel(sky.nside, *error.directions[:, [1, 0, 2]].T, nest=False)
    worst = np.zeros(12 * sky.nside**2)
    np.maximum.at(worst, pixels, error.error_rad / ARCSEC)
    steps, directions = raster(radius)
    usable = interpolated(sky.mask().astype(float), directions)
    inside = usable > 0.5
    return steps, np.where(inside, interpolated(worst, directions) / np.where(inside, usable, 1.0), np.nan)


def _levels(values: Array) -> list[float]:
    """Round numbers between the smallest and nearly the largest value, at most five; none where all is alike."""
    from matplotlib.ticker import MaxNLocator

    low, high = np.nanpercentile(values, [0.0, 95.0]) if np.isfinite(values).any() else (0.0, 0.0)
    if not high - low > 1e-9:
        return []
    return [float(each) for each in MaxNLocator(5).tick_values(low, high) if low < each < high]


def _error_lines(axes: Axes, steps: Array, values: Array, levels: list[float], busy: Array) -> list[Array]:
    """Draw lines of equal error, heavier where it is larger, labelled away from busy places; return their vertices."""
    widths = np.linspace(0.7, 1.8, len(levels)).tolist()
    shown = np.ma.masked_invalid(values)
    lines = axes.contour(steps, steps, shown, levels=levels, colors=[INK], linewidths=widths, zorder=2.4)
    spots: list[tuple[float, float]] = []
    on_lines = [np.asarray(path.vertices, float) for path in lines.get_paths() if len(path)]
    for line in on_lines:
        best, _ = freest(line, np.array([*busy, *_written(axes), *spots]))
        spots.append((float(line[best, 0]), float(line[best, 1])))
    style = font(SIZES["small"])
    lines.clabel(fmt='%g"', fontsize=SIZES["small"], colors=[INK], zorder=2.9, manual=spots)
    for text in lines.labelTexts:
        text.set(fontproperties=style, rotation_mode="anchor", parse_math=False)
    return on_lines


def _legend(used: str, rejected: NDArray[np.bool_]) -> list[Line2D]:
    legend = [mark(used, marker="o", markersize=5.0)]
    return [*legend, mark("cross: rejected by the fit", **_CROSS)] if rejected.any() else legend

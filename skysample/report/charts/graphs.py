"""Graphs: the model's error against the number of points, and residuals against what could cause them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.observed_place import hour_angle_dec
from skysample.geometry import alt_az
from skysample.report.charts.canvas import INK, PAPER, SIZES, font, legend, new_figure, plain_axes, write

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.runs import Run
    from skysample.scoring import Score
    from skysample.sizing import LearningCurve, PointsNeeded

_EVEN: dict[str, Any] = {"linestyle": "solid", "linewidth": 1.8, "marker": "o", "markersize": 4.0}
_EVEN_P95: dict[str, Any] = {"linestyle": (0, (5, 3)), "linewidth": 1.0, "marker": "s", "markersize": 3.0}
_INFORMED: dict[str, Any] = {"linestyle": (0, (1, 1.2)), "linewidth": 1.8, "marker": "^", "markersize": 4.5}
_PARTS: dict[str, Any] = {"linestyle": (0, (6, 2, 1, 2)), "linewidth": 1.2, "marker": "x", "markersize": 4.5}
_RECOMMENDED: dict[str, Any] = {
    "marker": "D",
    "markersize": 9.0,
    "markerfacecolor": PAPER,
    "markeredgewidth": 2.0,
}
_PANEL_PT = 8.5
_EAST: dict[str, Any] = {"markersize": 2.8, "markeredgewidth": 0.0}
_WEST: dict[str, Any] = {"markersize": 3.2, "markeredgewidth": 0.8, "markerfacecolor": PAPER}


def size_chart(need: PointsNeeded, learning: LearningCurve | None = None) -> Figure:
    """Draw the model's error over the sky against the number of points, the target, and the recommended number.

    Parameters
    ----------
    need : PointsNeeded
        Its informed design is drawn too, where it has one.
    learning : LearningCurve, optional
        Draws the errors from parts of the run, too.

    Returns
    -------
    Figure
    """
    target = float(need.target.to_value("arcsec"))
    curves = [
        (need.table, "sky_rms", "even points: RMS", _EVEN),
        (need.table, "sky_p95", "even points: 95 % of the sky", _EVEN_P95),
    ]
    chosen = [(need.table, need.recommended)]
    if need.informed is not None:
        curves.append((need.informed.table, "sky_rms", "informed points: RMS", _INFORMED))
        if need.informed.recommended is not None:
            chosen.append((need.informed.table, need.informed.recommended))
    if learning is not None:
        curves.append((learning.table, "sky_rms", "parts of this run: RMS", _PARTS))
    diamonds = [
        (points, float(table["sky_rms"].to_value("arcsec")[table["points"] == points][0]))
        for table, points in chosen
    ]
    here = diamonds[0][1]
    description = (
        f"The model's standard error over the sky against the number of points. Target {target:.2f} arcsec;"
        f" recommended {need.recommended} points, which give {here:.2f} arcsec."
    )
    figure = new_figure(4.8, 4.0, "How many points", description)
    axes = plain_axes(figure, (0.13, 0.135, 0.83, 0.64), SIZES["text"])
    for table, column, label, style in curves:
        axes.plot(
            table["points"], table[column].to_value("arcsec"), color=INK, label=label, zorder=3, **style
        )
    axes.plot(
        *np.transpose(diamonds), color=INK, linestyle="none", label="recommended", zorder=4, **_RECOMMENDED
    )
    axes.axhline(target, color=INK, linewidth=1.0, linestyle=(0, (1, 2)), zorder=2)
    most = max(float(table["points"].max()) for table, *_ in curves)
    axes.set_xlim(0.0, 1.05 * most)
    axes.set_ylim(0.0, 1.12 * max(float(need.table["sky_p95"].to_value("arcsec").max()), target))
    title = f'{need.recommended} points: model error {here:.2f}" RMS'
    axes.set_title(title, fontproperties=font(SIZES["title"], "bold"), color=INK, pad=49.0)
    axes.set_xlabel("number of points", fontproperties=font(SIZES["text"]), color=INK)
    axes.set_ylabel("model error over the sky, arcsec", fontproperties=font(SIZES["text"]), color=INK)
    spot = (0.01 * most, 1.02 * target)
    write(
        axes, spot, f'target {target:.2f}"', SIZES["small"], on_lines=True, ha="left", va="bottom", zorder=2.5
    )
    place = {"loc": "lower center", "bbox_to_anchor": (0.45, 1.0), "borderaxespad": 0.2}
    legend(axes, SIZES["small"], ncols=2, columnspacing=1.2, handlelength=2.2, **place)
    return figure


def residual_panels(run: Run, score: Score) -> dict[str, Figure]:
    """Draw both components of the residuals against each quantity that the run has, one small chart each.

    Parameters
    ----------
    run : Run
    score : Score
        Of a model fitted to it.

    Returns
    -------
    dict of str to Figure
        By what they are drawn against. Points west of the pier are open circles. All share one scale.
    """
    scored = np.isin(run.rows, score.rows)
    residuals = score.residuals.to_value("arcsec")
    west = run.side[scored] < 0
    names = ("clockwise", "up") if run.site.mount.kind == "altaz" else ("west", "north")
    return {
        name: _panel(title, values, residuals, west, names)
        for name, (title, values) in _quantities(run, scored).items()
    }


def _quantities(run: Run, scored: NDArray[np.bool_]) -> dict[str, tuple[str, Array]]:
    """What there is to draw against: name, then title with its unit, and values; nothing that does not vary."""
    altitude, azimuth = np.degrees(alt_az(run.directions[scored]))
    found = {"altitude": ("Altitude, deg", altitude), "azimuth": ("Azimuth, deg", azimuth % 360.0)}
    if run.site.mount.kind != "altaz":
        hours, _ = hour_angle_dec(run.directions[scored], run.site.location.latitude_rad)
        found["hour angle"] = ("Hour angle, deg", np.degrees(hours))
    if run.time is not None:
        moments = run.time[scored]
        found["time"] = ("Minutes since the start", (moments - moments.min()).to_value("min"))
    if run.site.mount.kind == "german":
        found["side of the pier"] = ("Side of the pier", np.where(run.side[scored] < 0, 1.0, 0.0))
    found["temperature"] = ("Temperature, deg C", run.temperature_c[scored])
    return {
        name: each
        for name, each in found.items()
        if np.isfinite(each[1]).all() and float(np.ptp(each[1])) > 0.0
    }


def _panel(
    title: str, values: Array, residuals: Array, west: NDArray[np.bool_], names: tuple[str, str]
) -> Figure:
    from matplotlib.ticker import MaxNLocator

    reach = max(float(np.abs(residuals).max()), 1e-3)
    rms = np.sqrt(np.mean(residuals**2, axis=0))
    description = (
        f"Residuals of {len(values)} points in two strips, {names[0]} above and {names[1]} below, each from"
        f" -{reach:.2g} to {reach:.2g} arcsec; {rms[0]:.2f} and {rms[1]:.2f} arcsec RMS."
    )
    figure = new_figure(2.05, 2.1, f"Residuals against {title[0].lower()}{title[1:]}", description)
    shown = float(f"{0.85 * reach:.1g}")
    for place, name in enumerate(names):
        axes = plain_axes(figure, (0.2, 0.52 - 0.38 * place, 0.77, 0.3), _PANEL_PT)
        axes.axhline(0.0, color=INK, linewidth=0.6, alpha=0.5)
        for side, style in ((~west, _EAST), (west, _WEST)):
            axes.plot(values[side], residuals[side, place], color=INK, marker="o", linestyle="none", **style)
        axes.set_ylim(-1.1 * reach, 1.1 * reach)
        axes.set_yticks([-shown, 0.0, shown], [f"-{shown:g}", "0", f'{shown:g}"'])
        axes.xaxis.set_major_locator(MaxNLocator(3))
        axes.set_title(name, loc="left", pad=2.0, fontproperties=font(_PANEL_PT), color=INK)
        if title.startswith("Side"):
            axes.set(xlim=(-0.5, 1.5))
            axes.set_xticks([0.0, 1.0], ["east", "west"])
    upper = figure.axes[0]
    upper.tick_params(axis="x", labelbottom=False, bottom=False)
    upper.spines["bottom"].set_visible(False)
    write(upper, (0.45, 1.44), title, _PANEL_PT, weight="bold", transform=upper.transAxes)
    return figure

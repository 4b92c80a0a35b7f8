"""What a fit leaves, against what could make it: height, azimuth, hour angle, time, temperature, side of the pier."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.observed_place import hour_angle_dec
from skysample.geometry import alt_az
from skysample.report.charts.canvas import INK, PAPER, font, new_figure, write

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.runs import Run
    from skysample.scoring import Score

__all__ = ["residual_panels"]

_WIDTH_IN, _HEIGHT_IN = 2.05, 2.1
_TEXT = 8.5
_FILLED: dict[str, Any] = {"marker": "o", "markersize": 2.8, "markeredgewidth": 0.0, "linestyle": "none"}
_OPEN: dict[str, Any] = {
    "marker": "o",
    "markersize": 3.2,
    "markeredgewidth": 0.8,
    "markerfacecolor": PAPER,
    "linestyle": "none",
}


def residual_panels(run: Run, score: Score) -> dict[str, Figure]:
    """Draw the two components of the residuals against each quantity that the run has, one small chart each.

    Parameters
    ----------
    run : Run
    score : Score
        Of a model fitted to it.

    Returns
    -------
    dict of str to Figure
        By what they are drawn against. Points west of the pier are open circles. All have one scale.
    """
    scored = np.isin(run.rows, score.rows)
    residuals = score.residuals.to_value("arcsec")
    west = run.side[scored] < 0
    names = ("clockwise", "up") if run.site.mount.kind == "altaz" else ("west", "north")
    reach = max(float(np.abs(residuals).max()), 1e-3)
    return {
        name: _panel(title, values, residuals, west, names, reach)
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
        found["time"] = ("Minutes from the start", (moments - moments.min()).to_value("min"))
    if run.site.mount.kind == "german":
        found["side of the pier"] = ("Side of the pier", np.where(run.side[scored] < 0, 1.0, 0.0))
    found["temperature"] = ("Temperature, deg C", run.temperature_c[scored])
    return {
        name: each
        for name, each in found.items()
        if np.isfinite(each[1]).all() and float(np.ptp(each[1])) > 0.0
    }


def _panel(
    title: str, values: Array, residuals: Array, west: NDArray[np.bool_], names: tuple[str, str], reach: float
) -> Figure:
    rms = np.sqrt(np.mean(residuals**2, axis=0))
    description = (
        f"Residuals of {len(values)} points in two strips, {names[0]} above and {names[1]} below, each from"
        f" -{reach:.2g} to {reach:.2g} arcsec; {rms[0]:.2f} and {rms[1]:.2f} arcsec RMS."
    )
    figure = new_figure(_WIDTH_IN, _HEIGHT_IN, f"Residuals against: {title}", description)
    for place, name in enumerate(names):
        axes = figure.add_axes((0.2, 0.52 - 0.38 * place, 0.77, 0.3))
        axes.axhline(0.0, color=INK, linewidth=0.6, alpha=0.5)
        for side, style in ((~west, _FILLED), (west, _OPEN)):
            if side.any():
                axes.plot(values[side], residuals[side, place], color=INK, **style)
        _plain(axes, reach, bottom=place == 1)
        axes.set_title(name, loc="left", pad=2.0, fontproperties=font(_TEXT), color=INK)
        if title.startswith("Side"):
            axes.set(xlim=(-0.5, 1.5))
            axes.set_xticks([0.0, 1.0], ["east", "west"])
    write(figure.axes[0], 0.45, 1.44, title, _TEXT, weight="bold", transform=figure.axes[0].transAxes)
    return figure


def _plain(axes: Axes, reach: float, *, bottom: bool) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.set_facecolor("none")
    for side, spine in axes.spines.items():
        spine.set(visible=side == "left" or (side == "bottom" and bottom), color=INK, linewidth=0.7)
    axes.set_ylim(-1.1 * reach, 1.1 * reach)
    shown = float(f"{0.85 * reach:.1g}")
    axes.set_yticks([-shown, 0.0, shown], [f"-{shown:g}", "0", f'{shown:g}"'])
    axes.xaxis.set_major_locator(MaxNLocator(3))
    family = font(_TEXT).get_family()[0]
    axes.tick_params(colors=INK, labelsize=_TEXT, labelfontfamily=family, width=0.7, length=2.5, pad=2.0)
    axes.tick_params(axis="x", labelbottom=bottom, bottom=bottom)

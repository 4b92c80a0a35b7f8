"""How the model's error over the sky falls with the number of points."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.report.charts.canvas import INK, PAPER, SIZES, font, halo, mark, new_figure, write

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    from skysample.sizing import LearningCurve, PointsNeeded

__all__ = ["size_chart"]

_RMS: dict[str, Any] = {"linestyle": "solid", "linewidth": 1.8, "marker": "o", "markersize": 4.0}
_P95: dict[str, Any] = {"linestyle": (0, (5, 3)), "linewidth": 1.0, "marker": "s", "markersize": 3.0}
_INFORMED: dict[str, Any] = {"linestyle": (0, (1, 1.2)), "linewidth": 1.8, "marker": "^", "markersize": 4.5}
_LEARNING: dict[str, Any] = {
    "linestyle": (0, (6, 2, 1, 2)),
    "linewidth": 1.2,
    "marker": "x",
    "markersize": 4.5,
}
_RECOMMENDED: dict[str, Any] = {
    "linestyle": "none",
    "marker": "D",
    "markersize": 9.0,
    "markerfacecolor": PAPER,
    "markeredgewidth": 2.0,
}


def size_chart(need: PointsNeeded, learning: LearningCurve | None = None) -> Figure:
    """Draw sky error against number of points, the target, and the number recommended.

    Parameters
    ----------
    need : PointsNeeded
        Its informed design is drawn too, where it has one.
    learning : LearningCurve, optional
        What parts of the run itself give is drawn too.

    Returns
    -------
    Figure
    """
    points = np.asarray(need.table["points"])
    rms = need.table["sky_rms"].to_value("arcsec")
    p95 = need.table["sky_p95"].to_value("arcsec")
    target = float(need.target.to_value("arcsec"))
    here = float(rms[int(np.argmax(points == need.recommended))])
    description = (
        f"The model's standard error over the sky against the number of points. Target {target:.2f} arcsec;"
        f" recommended {need.recommended} points, which give {here:.2f} arcsec."
    )
    figure = new_figure(4.8, 3.9, "How many points", description)
    axes = figure.add_axes((0.13, 0.14, 0.83, 0.68))
    _plain_frame(axes)
    axes.plot(points, rms, color=INK, zorder=3, **_RMS)
    axes.plot(points, p95, color=INK, zorder=2.8, **_P95)
    first = "RMS" if need.informed is None else "even, RMS"
    drawn = [mark(first, **_RMS), mark("even, 95 % of the sky", **_P95), mark("recommended", **_RECOMMENDED)]
    others = [(need.informed, "informed, RMS", _INFORMED), (learning, "parts of the run", _LEARNING)]
    for other, label, style in others:
        if other is not None:
            axes.plot(
                other.table["points"],
                other.table["sky_rms"].to_value("arcsec"),
                color=INK,
                zorder=2.9,
                **style,
            )
            drawn.append(mark(label, **style))
    if need.informed is not None and need.informed.recommended is not None:
        number = need.informed.recommended
        curve = need.informed.table["sky_rms"].to_value("arcsec")[need.informed.table["points"] == number]
        axes.plot(number, float(curve[0]), markeredgecolor=INK, zorder=4, **_RECOMMENDED)
    axes.axhline(target, color=INK, linewidth=1.0, linestyle=(0, (1, 2)), zorder=2)
    axes.plot(need.recommended, here, markeredgecolor=INK, zorder=4, **_RECOMMENDED)
    most = max(float(points.max()), 0.0 if learning is None else float(learning.points))
    axes.set_xlim(0.0, 1.05 * most)
    axes.set_ylim(0.0, 1.12 * float(max(p95.max(), target)))
    title = f'{need.recommended} points: {here:.2f}" over the sky'
    axes.set_title(
        title, fontproperties=font(SIZES["title"], "bold"), color=INK, pad=24.0 if len(drawn) < 4 else 36.0
    )
    axes.set_xlabel("points", fontproperties=font(SIZES["text"]), color=INK)
    axes.set_ylabel("model's error over the sky, arcsec", fontproperties=font(SIZES["text"]), color=INK)
    style = {"ha": "left", "va": "bottom", "path_effects": halo(), "zorder": 5}
    write(axes, 0.01 * most, target, f'target {target:.2f}"', SIZES["small"], **style)
    _legend(axes, drawn)
    return figure


def _plain_frame(axes: Axes) -> None:
    axes.set_facecolor("none")
    for side, spine in axes.spines.items():
        spine.set(visible=side in ("left", "bottom"), color=INK, linewidth=0.8)
    family = font(SIZES["text"]).get_family()[0]
    axes.tick_params(colors=INK, labelsize=SIZES["text"], labelfontfamily=family, width=0.8, length=3.5)
    axes.grid(visible=False)


def _legend(axes: Axes, drawn: list[Line2D]) -> None:
    axes.legend(
        handles=drawn,
        loc="lower center",
        bbox_to_anchor=(0.45, 1.0),
        ncols=3,
        frameon=False,
        prop=font(SIZES["small"]),
        labelcolor=INK,
        columnspacing=1.2,
        handlelength=2.2,
        borderaxespad=0.2,
    )

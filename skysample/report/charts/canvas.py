"""The sheet that every chart is drawn on: one ink, one typeface, text large enough for a phone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties
    from matplotlib.lines import Line2D

    from skysample.geometry import Array

INK, PAPER = "#000000", "#ffffff"

SIZES = {"title": 12.5, "text": 10.5, "small": 9.0}
"""Points; on a phone a chart is shown at about four fifths of its size."""

_BEHIND_TEXT = {"boxstyle": "square,pad=0.08", "facecolor": PAPER, "edgecolor": "none"}


def new_figure(width_in: float, height_in: float, title: str, description: str) -> Figure:
    """Blank sheet with a text alternative.

    Parameters
    ----------
    width_in, height_in : float
        Inches.
    title, description : str
        The text alternative: kept as the figure's label, the title on its first line.

    Returns
    -------
    Figure

    Raises
    ------
    InputError
        If matplotlib is not installed.
    """
    try:
        from matplotlib.figure import Figure
    except ImportError:
        raise InputError("charts need matplotlib, which is not installed; install skysample[plot]") from None
    figure = Figure(figsize=(width_in, height_in), facecolor=PAPER, edgecolor=PAPER, dpi=100)
    figure.set_label(f"{title}\n{description}")
    return figure


def font(size: float, weight: str = "normal") -> FontProperties:
    """Typeface that comes with matplotlib: a chart looks the same on every machine."""
    from matplotlib.font_manager import FontProperties

    return FontProperties(family="DejaVu Sans", size=size, weight=weight)


def mark(label: str, **style: Any) -> Line2D:
    """Legend entry: a marker, without a line unless `style` has one."""
    from matplotlib.lines import Line2D

    return Line2D([], [], label=label, **{"linestyle": "none", "color": INK, "markeredgecolor": INK} | style)


def write(
    axes: Axes,
    place: Sequence[float] | Array,
    text: str,
    size: float,
    *,
    on_lines: bool = False,
    **style: Any,
) -> None:
    """Write plain text (never mathematics) centred on a place (x, y) in data coordinates; `style` may override.

    Text on lines has paper behind it.
    """
    options: dict[str, Any] = {
        "ha": "center",
        "va": "center",
        "rotation_mode": "anchor",
        "color": INK,
    } | style
    properties = font(size, options.pop("weight", "normal"))
    ground = _BEHIND_TEXT if on_lines else None
    axes.text(place[0], place[1], text, fontproperties=properties, parse_math=False, bbox=ground, **options)


def plain_axes(figure: Figure, place: tuple[float, float, float, float], size: float) -> Axes:
    """Axes with a line on the left and at the bottom, no grid, and numbers of a given size in points."""
    axes = figure.add_axes(place, facecolor="none")
    for side, spine in axes.spines.items():
        spine.set(visible=side in ("left", "bottom"), color=INK, linewidth=0.8)
    family = font(size).get_family()[0]
    axes.tick_params(colors=INK, labelsize=size, labelfontfamily=family, width=0.8, length=3.0, pad=2.5)
    axes.grid(visible=False)
    return axes


def legend(axes: Axes, size: float, **style: Any) -> None:
    """Legend without a frame; `style` goes to matplotlib."""
    axes.legend(frameon=False, prop=font(size), labelcolor=INK, **style)

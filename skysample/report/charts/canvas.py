"""The sheet that every chart is drawn on: one ink, one typeface, sizes that a phone can show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.errors import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties
    from matplotlib.lines import Line2D
    from matplotlib.patheffects import AbstractPathEffect
    from matplotlib.text import Text

__all__ = ["INK", "PAPER", "SIZES", "font", "halo", "mark", "new_figure", "write"]

INK, PAPER = "#000000", "#ffffff"

SIZES = {"title": 12.5, "text": 10.5, "small": 9.0}
"""Points; at the width of a phone a chart is shown at about four fifths of its size."""


def new_figure(width_in: float, height_in: float, title: str, description: str) -> Figure:
    """Blank sheet that knows in words what it will show.

    Parameters
    ----------
    width_in, height_in : float
        Inches.
    title, description : str
        For whoever cannot see the chart: kept as the figure's label, the title on its first line.

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
        raise InputError("drawing needs matplotlib, which is missing; install skysample[plot]") from None
    figure = Figure(figsize=(width_in, height_in), facecolor=PAPER, edgecolor=PAPER, dpi=100)
    figure.set_label(f"{title}\n{description}")
    return figure


def font(size: float, weight: str = "normal") -> FontProperties:
    """Typeface that comes with matplotlib, so that a chart looks the same everywhere."""
    from matplotlib.font_manager import FontProperties

    return FontProperties(family="DejaVu Sans", size=size, weight=weight)


def halo(width: float = 2.5) -> list[AbstractPathEffect]:
    """Paper around the strokes, so that what is written over lines can be read."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground=PAPER)]


def mark(label: str, **style: Any) -> Line2D:
    """Legend entry: a marker without a line unless `style` says so."""
    from matplotlib.lines import Line2D

    given: dict[str, Any] = {"linestyle": "none", "color": INK, "markeredgecolor": INK} | style
    return Line2D([], [], label=label, **given)


def write(axes: Axes, x: float, y: float, text: str, size: float, **style: Any) -> Text:
    """Put plain text (no mathematics in it) at a place in data coordinates, centred."""
    weight = style.pop("weight", "normal")
    given: dict[str, Any] = {"ha": "center", "va": "center", "color": INK, "parse_math": False} | style
    return axes.text(x, y, text, fontproperties=font(size, weight), **given)

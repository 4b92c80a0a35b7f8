"""SVG whose words are words: to be read aloud, searched, and set in the typeface of the page around them.

Imported only where a chart is put into a page, as it imports matplotlib.
"""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.text import Text

from skysample.report.charts.canvas import PAPER

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["svg_with_words"]

_HALO = f"paint-order:stroke;stroke:{PAPER};stroke-width:2.5"
_ANCHORS = {"left": ("start", 0.0), "center": ("middle", 0.5), "right": ("end", 1.0)}


def svg_with_words(figure: Figure) -> str:
    """Return a chart as SVG with `text` elements, on no ground; nothing of the figure is left changed.

    Parameters
    ----------
    figure : Figure

    Returns
    -------
    str
    """
    width, height = (72.0 * side for side in figure.get_size_inches())
    effects = {text: text.get_path_effects() for text in figure.findobj(Text)}
    dpi, ground = figure.dpi, figure.patch.get_visible()
    stream = io.StringIO()
    try:
        for text in effects:
            text.set_path_effects([])
        figure.dpi = 72.0
        figure.patch.set_visible(False)
        renderer = _Words(width, height, stream, {text for text, found in effects.items() if found})
        figure.draw(renderer)
        renderer.finalize()  # type: ignore[no-untyped-call]
    finally:
        for text, found in effects.items():
            text.set_path_effects(found)
        figure.dpi = dpi
        figure.patch.set_visible(ground)
    return stream.getvalue()


class _Words(RendererSVG):
    """Writes text as text, anchored where it was aligned, so that another typeface keeps it in its place."""

    def __init__(self, width: float, height: float, stream: io.StringIO, haloed: set[Text]) -> None:
        nameless = {"Date": None, "Creator": None, "Format": None, "Type": None}
        super().__init__(width, height, stream, metadata=nameless)  # type: ignore[no-untyped-call]
        self._haloed = haloed

    def draw_text(  # noqa: PLR0917 - the signature is matplotlib's
        self,
        gc: Any,  # noqa: ARG002
        x: float,
        y: float,
        s: str,
        prop: Any,
        angle: float,
        ismath: Any = False,
        mtext: Text | None = None,
    ) -> None:
        """Write one line of text whose baseline begins at (x, y)."""
        anchor, share = _ANCHORS["left" if mtext is None else str(mtext.get_horizontalalignment())]
        along = share * self.get_text_width_height_descent(s, prop, ismath)[0]  # type: ignore[no-untyped-call]
        x += along * math.cos(math.radians(angle))
        y -= along * math.sin(math.radians(angle))
        attributes = {"x": f"{x:.1f}", "y": f"{y:.1f}", "font-size": f"{prop.get_size_in_points():g}"}
        if anchor != "start":
            attributes["text-anchor"] = anchor
        if angle:
            attributes["transform"] = f"rotate({-angle:.1f} {x:.1f} {y:.1f})"
        if prop.get_weight() == "bold":
            attributes["font-weight"] = "bold"
        if mtext in self._haloed:
            attributes["style"] = _HALO
        self.writer.element("text", s, attrib=attributes)  # type: ignore[no-untyped-call]

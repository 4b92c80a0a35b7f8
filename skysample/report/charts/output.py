"""Charts as files, and as SVG to stand inside a page."""

from __future__ import annotations

import hashlib
import io
import os
import re
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from skysample.errors import InputError
from skysample.files.whole_files import write_whole
from skysample.listeners import tell
from skysample.report.charts.canvas import INK, PAPER

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["as_svg", "chart_suffix", "printable", "write_chart"]

_PNG_DPI = 200
_LEFT_OUT = re.compile(r"<!--.*?-->\s*|<metadata>.*?</metadata>\s*|<style[^>]*>.*?</style>\s*", re.DOTALL)
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_PATH = re.compile(r'(<path (?![^>]*transform=)[^>]*?\bd=)"([^"]*)"')
_PLACE = re.compile(r'\b([xy])="(-?\d+\.\d+)"')
_DECIMALS = re.compile(r"-?\d+\.\d+")
_STEP = re.compile(r"[A-Za-z][^A-Za-z]*")
_SPACE = re.compile(r">\s*\n\s*<")
_ID = re.compile(r'(\bid="|href="#|url\(#)([^")]+)')


def write_chart(figure: Figure, path: str | os.PathLike[str]) -> None:
    """Write a chart as .svg or .png, whole or not at all; the same chart gives the same bytes.

    Parameters
    ----------
    figure : Figure
    path : path-like
        Its suffix says which.

    Raises
    ------
    InputError
        If the suffix is another one, or the place cannot be written to.
    """
    if chart_suffix(path) == ".svg":
        write_whole(path, '<?xml version="1.0" encoding="utf-8"?>\n' + _svg(figure))
    else:
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        tell("drawing a chart")
        stream = io.BytesIO()
        FigureCanvasAgg(figure).print_figure(
            stream, format="png", dpi=_PNG_DPI, facecolor=PAPER, metadata={"Software": None}
        )
        write_whole(path, stream.getvalue())


def chart_suffix(path: str | os.PathLike[str]) -> str:
    """Return ".svg" or ".png"; any other suffix is an InputError, so that it can be refused before the work."""
    suffix = Path(path).suffix.lower()
    if suffix not in {".svg", ".png"}:
        raise InputError(
            f"a chart is written as .svg or .png, not as {suffix or 'a file without suffix'}; rename it",
            file=os.fspath(path),
        )
    return suffix


def as_svg(figure: Figure) -> str:
    """Return a chart as an `svg` element to stand inside a page.

    It takes the text colour of the page as ink and the page's CSS variable `--paper` as paper, so that it
    follows light and dark schemes. Identifiers carry a digest of the chart: several may stand in one page.

    Parameters
    ----------
    figure : Figure
        From this package: its label holds the text alternative.

    Returns
    -------
    str
        With `role="img"`, a `title` and a `desc`; without XML declaration, comments or metadata.
    """
    from skysample.report.charts.svg_text import svg_with_words

    text = _finished(figure, svg_with_words(figure))
    return text.replace(INK, "currentColor").replace(PAPER, f"var(--paper, {PAPER})")


def printable(text: str) -> str:
    """Replace what XML 1.0 cannot hold (control characters, lone surrogates) by the replacement character."""
    return _NOT_XML.sub("\ufffd", text)


def _svg(figure: Figure) -> str:
    """Return a chart as SVG that brings its typeface along, as outlines."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    tell("drawing a chart")
    stream = io.BytesIO()
    FigureCanvasSVG(figure).print_figure(
        stream, format="svg", facecolor=PAPER, edgecolor="none", metadata={"Date": None, "Creator": None}
    )
    return _finished(figure, stream.getvalue().decode())


def _finished(figure: Figure, text: str) -> str:
    body = _LEFT_OUT.sub("", text[text.index("<svg") :])
    return _described(_with_own_ids(_lighter(body)), printable(str(figure.get_label())))


def _lighter(text: str) -> str:
    """Round to a twentieth of a point what is drawn, and leave out what no one sees."""
    text = _PATH.sub(lambda found: f'{found[1]}"{_outline(found[2])}"', text)
    text = _PLACE.sub(lambda found: f'{found[1]}="{float(found[2]):.1f}"', text)
    return _SPACE.sub(">\n<", text)


def _outline(steps: str) -> str:
    """Write a path with one decimal, without points that fall on the last one or lie on one level with both sides."""
    short = _DECIMALS.sub(lambda found: f"{float(found[0]):.1f}".removesuffix(".0"), steps)
    kept: list[tuple[str, ...]] = []
    for step in ((found[0], *found[1:].split()) for found in _STEP.findall(short)):
        if (
            step[0] == "L"
            and len(kept) > 1
            and kept[-1][0] == "L"
            and _between(kept[-2][-2:], kept[-1][1:], step[1:])
        ):
            kept.pop()
        kept.append(step)
    return "".join(f"{letter}{' '.join(numbers)}" for letter, *numbers in kept)


def _between(before: tuple[str, ...], point: tuple[str, ...], after: tuple[str, ...]) -> bool:
    """Whether a point is one with the next, or on a level or upright line with both its neighbours."""
    return point == after or any(a == b == c for a, b, c in zip(before, point, after, strict=True))


def _with_own_ids(text: str) -> str:
    """Replace the identifiers, which matplotlib draws at random, by numbers under a digest."""
    numbers: dict[str, int] = {}

    def numbered(prefix: str) -> str:
        return _ID.sub(lambda found: f"{found[1]}{prefix}{numbers.setdefault(found[2], len(numbers))}", text)

    digest = hashlib.sha256(numbered("n").encode()).hexdigest()[:8]
    return numbered(f"c{digest}-")


def _described(text: str, label: str) -> str:
    title, _, description = label.partition("\n")
    title = title or "Chart"
    # matplotlib's style element would have styled the page around it; these attributes style the chart alone.
    opening = (
        f'<svg role="img" aria-label="{escape(f"{title}. {description}".strip())}" fill="{INK}"'
        ' stroke-linejoin="round" stroke-linecap="butt" '
    )
    head, bracket, body = text.removeprefix("<svg ").partition(">")
    words = f"\n <title>{escape(title)}</title>\n <desc>{escape(description)}</desc>"
    return f"{opening}{head}{bracket}{words}{body}"

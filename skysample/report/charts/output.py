"""Charts as files, and as SVG inside a page."""

from __future__ import annotations

import hashlib
import io
import os
import re
from collections import defaultdict
from html import escape
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from skysample.errors import InputError
from skysample.files.whole_files import write_whole
from skysample.listeners import tell
from skysample.report.charts.canvas import INK, PAPER

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_PNG_DPI = 200
_LEFT_OUT = re.compile(r"<!--.*?-->\s*|<style[^>]*>.*?</style>\s*", re.DOTALL)
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_DRAWN = re.compile(r'\b[dxy]="[^"]*"')
_DECIMALS = re.compile(r"-?\d+\.\d+")
_ID = re.compile(r'(\bid="|href="#|url\(#)([^")]+)')


def write_chart(figure: Figure, path: str | os.PathLike[str]) -> None:
    """Write a chart as .svg or .png, whole or not at all; the same chart gives the same bytes.

    Parameters
    ----------
    figure : Figure
    path : path-like
        Its suffix decides the format.

    Raises
    ------
    InputError
        If the suffix is another one, or the file cannot be written.
    """
    suffix = chart_suffix(path)
    tell("drawing a chart")
    if suffix == ".svg":
        write_whole(path, '<?xml version="1.0" encoding="utf-8"?>\n' + _svg(figure, words=False))
        return
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=_PNG_DPI, facecolor=PAPER, metadata={"Software": None})
    write_whole(path, stream.getvalue())


def chart_suffix(path: str | os.PathLike[str]) -> str:
    """Return ".svg" or ".png"; raise InputError on any other suffix, before any work is done."""
    suffix = Path(path).suffix.lower()
    if suffix not in {".svg", ".png"}:
        found = f"not {suffix}" if suffix else "not without a suffix"
        raise InputError(f"a chart is written as .svg or .png, {found}; rename it", file=os.fspath(path))
    return suffix


def as_svg(figure: Figure) -> str:
    """Return a chart as an `svg` element for a page.

    It draws with the page's text colour, on its CSS variable `--paper`, in its CSS variable `--face`, so that it
    follows light and dark schemes. Identifiers carry a digest of the chart: several can share one page.

    Parameters
    ----------
    figure : Figure
        From this package: its label holds the text alternative.

    Returns
    -------
    str
        With `role="img"`, a `title` and a `desc`; without XML declaration, comments or metadata. Text stays text.
    """
    text = _svg(figure, words=True).replace("'DejaVu Sans'", "var(--face, sans-serif)")
    return text.replace(INK, "currentColor").replace(PAPER, f"var(--paper, {PAPER})")


def xml_text(text: str) -> str:
    """Replace what XML 1.0 cannot hold (control characters, lone surrogates) by the replacement character."""
    return _NOT_XML.sub("\ufffd", text)


def _svg(figure: Figure, *, words: bool) -> str:
    """Draw a chart as SVG: its text as words on no ground, or as outlines on paper."""
    from matplotlib.backends.backend_svg import RendererSVG

    stream = io.StringIO()
    width, height = 72.0 * figure.get_size_inches()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    renderer = RendererSVG(width, height, stream, metadata=nothing)  # type: ignore[no-untyped-call]
    if words:
        # The public way to text as text, `svg.fonttype`, is global.
        renderer.draw_text = renderer._draw_text_as_text  # type: ignore[assignment]  # noqa: SLF001
    dpi, ground = figure.dpi, figure.patch.get_visible()
    try:
        figure.dpi = 72.0
        figure.patch.set_visible(not words)
        figure.draw(renderer)
    finally:
        figure.dpi = dpi
        figure.patch.set_visible(ground)
    renderer.finalize()  # type: ignore[no-untyped-call]
    text = stream.getvalue()
    return _described(
        _with_own_ids(_rounded(_LEFT_OUT.sub("", text[text.index("<svg") :]))), figure.get_label()
    )


def _rounded(text: str) -> str:
    """Round what is drawn to a tenth of a point."""

    def short(number: re.Match[str]) -> str:
        return f"{float(number[0]):.1f}".removesuffix(".0")

    return _DRAWN.sub(lambda found: _DECIMALS.sub(short, found[0]), text)


def _with_own_ids(text: str) -> str:
    """Replace the identifiers, which matplotlib draws at random, by numbers under a digest."""
    digest = hashlib.sha256(_ID.sub("", text).encode()).hexdigest()[:8]
    numbers: defaultdict[str, int] = defaultdict(count().__next__)
    return _ID.sub(lambda found: f"{found[1]}c{digest}-{numbers[found[2]]}", text)


def _described(text: str, label: object) -> str:
    title, _, description = escape(xml_text(str(label))).partition("\n")
    title = title or "Chart"
    # matplotlib's style element would have styled the page around it; these attributes style the chart alone.
    opening = (
        f'<svg role="img" aria-label="{f"{title}. {description}".strip()}" fill="{INK}"'
        ' stroke-linejoin="round" stroke-linecap="butt" '
    )
    head, _, body = text.removeprefix("<svg ").partition(">")
    return f"{opening}{head}>\n <title>{title}</title>\n <desc>{description}</desc>{body}"

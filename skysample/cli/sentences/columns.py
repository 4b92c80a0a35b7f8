"""A table of text, as wide as a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["columns"]


def columns(header: tuple[str, ...], rows: list[tuple[str, ...]]) -> Iterator[str]:
    """Lay out a table: the first column to the left, numbers to the right, at most 80 columns wide."""
    widths = [max(len(row[i]) for row in (header, *rows)) for i in range(len(header))]
    for row in (header, *rows):
        cells = [
            row[0].ljust(widths[0]),
            *(cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)),
        ]
        yield "  " + "  ".join(cells).rstrip()

"""Text for a terminal: what was read from a file may hold anything, and must not act on the screen."""

from __future__ import annotations

__all__ = ["printable"]


def printable(text: str) -> str:
    """Write control characters, and halves of surrogate pairs, as escapes."""
    if text.isprintable():
        return text
    return "".join(each if each.isprintable() else each.encode("unicode_escape").decode() for each in text)

"""What a command prints: one JSON object, or lines folded to the width of a terminal."""

from __future__ import annotations

import json
import re
import sys
import textwrap
from typing import TYPE_CHECKING, Any

from skysample.cli.progress_bar import clear_bar
from skysample.cli.terminal import printable

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

__all__ = ["print_answer", "print_lines", "show"]

_BULLET = re.compile(r"\s*(?:\d+\. |- )?")


def show(answer: Mapping[str, Any], lines: Iterable[str], *, as_json: bool) -> None:
    """Print a result as JSON or as sentences."""
    if as_json:
        print_answer(answer)
    else:
        print_lines(lines)


def print_answer(answer: Mapping[str, Any]) -> None:
    """Print one JSON object."""
    text = json.dumps(answer, allow_nan=False)
    clear_bar()
    sys.stdout.write(text + "\n")


def print_lines(lines: Iterable[str]) -> None:
    """Print sentences, folded; a table's rows are left as they are."""
    printed = [printable(each) for each in lines]
    clear_bar()
    for line in printed:
        # A table's row holds runs of blanks and must not be folded.
        if "   " in line.strip() or len(line) <= 80:
            sys.stdout.write(line + "\n")
        else:
            bullet = _BULLET.match(line)
            hanging = " " * (bullet.end() if bullet else 0)
            folded = textwrap.fill(
                line, 80, subsequent_indent=hanging, break_on_hyphens=False, break_long_words=False
            )
            sys.stdout.write(folded + "\n")

"""Print a result as one JSON object, or as lines and tables folded to the width of a terminal."""

from __future__ import annotations

import json
import math
import re
import sys
import textwrap
from typing import TYPE_CHECKING, Any

from skysample.cli.progress_bar import clear_bar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

_WIDTH = 80
_BULLET = re.compile(r"\s*(?:\d+\. |- )?")
_UNIT = re.compile(r"_(arcsec|arcmin|deg)(?:_per_min|_per_hour)?$")
_PER_DEGREE = {"arcsec": 3600.0, "arcmin": 60.0, "deg": 1.0}
_PROBABILITIES = {"p", "p_adjusted", "chance"}
_DECIMALS = {
    **dict.fromkeys(("turn_without_deg", "turn_with_deg"), 9),
    **dict.fromkeys(("t", "t_limit", "correlation", "studentised", "leverage", "cooks_distance"), 4),
    **dict.fromkeys(("gap", "turns", "arcmin_per_turn", "raise_mm", "stderr_mm", "missed_over_expected"), 4),
    **dict.fromkeys(("sigmas", "dof", "total_s", "slew_s", "bound_s", "dome_deg"), 2),
    **dict.fromkeys(("condition", "x_px", "y_px"), 1),
}
"""Decimals of a number in JSON, by its key; 6 for every other."""


def show(
    as_json: bool,
    to_json: Callable[..., dict[str, Any]],
    to_lines: Callable[..., Iterable[str]],
    *result: Any,
) -> None:
    """Print a result as JSON or in words."""
    if as_json:
        print_json(to_json(*result))
    else:
        print_lines(to_lines(*result))


def print_json(answer: Mapping[str, Any]) -> None:
    """Print one JSON object."""
    text = json.dumps(answer, allow_nan=False)
    clear_bar()
    sys.stdout.write(text + "\n")


def print_lines(lines: Iterable[str]) -> None:
    """Print lines, folded; rows of a table stay as they are, and a command can still be pasted."""
    printed = [printable(each) for each in lines]
    clear_bar()
    for line in printed:
        # Rows of a table hold runs of blanks.
        if "   " in line.strip() or len(line) <= _WIDTH:
            sys.stdout.write(line + "\n")
        else:
            bullet = _BULLET.match(line)
            hanging = " " * (bullet.end() if bullet else 0)
            end = " \\" if line.lstrip().startswith("$ ") else ""
            folded = textwrap.wrap(
                line,
                _WIDTH - len(end),
                subsequent_indent=hanging,
                break_on_hyphens=False,
                break_long_words=False,
            )
            sys.stdout.write(f"{end}\n".join(folded) + "\n")


def printable(text: str) -> str:
    """Write control characters and lone surrogates as escapes: text from a file must not act on the terminal."""
    if text.isprintable():
        return text
    return "".join(each if each.isprintable() else each.encode("unicode_escape").decode() for each in text)


def sentence(text: str) -> str:
    """Start with a capital and end with a full stop."""
    return f"{text[0].upper()}{text[1:]}{'' if text.endswith(('.', '?')) else '.'}"


def values(source: Any, keys: str) -> dict[str, Any]:
    """Read values from the attributes of a result, or from a row of a table, as JSON has them.

    Parameters
    ----------
    source : object or astropy.table.Row
    keys : str
        Separated by blanks. A key names an attribute, or one that lacks the unit at the key's end (`sigma_arcsec`:
        `sigma`, a Quantity) or has it in radians (`change_arcsec`: `change_rad`). "key=attribute" names another.

    Returns
    -------
    dict
    """
    pairs = [each.partition("=") for each in keys.split()]
    return {key: plain(_read(source, name or key), key) for key, _, name in pairs}


def _read(source: Any, name: str) -> Any:
    if hasattr(source, "colnames"):
        return source[name if name in source.colnames else _UNIT.sub("", name)]
    unit = _UNIT.search(name)
    if unit is None:
        return getattr(source, name)
    stem, missing = name[: unit.start()], object()
    for attribute in (name, stem):
        found = getattr(source, attribute, missing)
        if found is not missing:
            return found
    return math.degrees(getattr(source, f"{stem}_rad")) * _PER_DEGREE[unit[1]]


def plain(value: Any, key: str = "") -> Any:
    """Return a value as JSON has it: numbers rounded, None where nothing is known."""
    value = getattr(value, "value", value)  # of a Quantity, in its own unit
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, (list, tuple)):
        return [plain(each, key) for each in value]
    if not isinstance(value, float):
        return None if value == "" else value
    if not math.isfinite(value):
        return None
    return float(f"{value:.6g}") if key in _PROBABILITIES else round(value, _DECIMALS.get(key, 6))


def columns(rows: Iterable[Mapping[str, Any]], *headed: tuple[str, str]) -> Iterator[str]:
    """Lay out a table: the first column to the left, the others to the right.

    Parameters
    ----------
    rows : iterable of mapping
    headed : tuple of str and str
        Heading of each column, and its format, as in ``("value", '{value_arcsec:.2f}"')``. A value that is not known
        gives "-", a column without any known value is left out.
    """
    table = [[_cell(form, row) for _, form in headed] for row in rows]
    known = [i for i in range(len(headed)) if any(cells[i] != "-" for cells in table)]
    lines = [[heading for heading, _ in headed], *table] if table else []
    widths = [max(len(line[i]) for line in lines) for i in known]
    for line in lines:
        first, *others = (line[i] for i in known)
        cells = [first.ljust(widths[0]), *map(str.rjust, others, widths[1:])]
        yield "  " + "  ".join(cells).rstrip()


def _cell(form: str, row: Mapping[str, Any]) -> str:
    try:
        return form.format_map(row)
    except TypeError:  # None has no decimals
        return "-"

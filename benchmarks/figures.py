"""A plain table of figures: what was measured, the figure, its bound, and whether it holds."""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field
from typing import Any


def reduced_run(description: str | None) -> bool:
    """Read the command line: whether `--quick` was given."""
    return chosen_run(description)[0]


def chosen_run(description: str | None, parts: tuple[str, ...] = ()) -> tuple[bool, tuple[str, ...]]:
    """Read the command line: whether `--quick` was given, and which parts were named (none: all)."""
    parser = options(description)
    if parts:
        parser.add_argument("--only", action="append", choices=parts, help="this part alone; may be repeated")
    given = parser.parse_args()
    return bool(given.quick), tuple(part for part in parts if part in (given.only or parts))


def options(description: str | None) -> argparse.ArgumentParser:
    """What every benchmark's command line takes."""
    parser = argparse.ArgumentParser(
        description=description, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="a reduced run, in seconds; figures are rougher")
    return parser


def progress(text: str) -> None:
    """Say on stderr how far a long run is."""
    print(text, file=sys.stderr, flush=True)


@dataclass
class Figures:
    """Rows of a table, in the order in which they were measured."""

    title: str
    rows: list[tuple[str, str, str, str]] = field(default_factory=list)

    def at_most(self, what: str, figure: float, bound: float, unit: str = "") -> None:
        self._add(what, figure, unit, f"<= {bound:g} {unit}", holds=figure <= bound)

    def at_least(self, what: str, figure: float, bound: float, unit: str = "") -> None:
        self._add(what, figure, unit, f">= {bound:g} {unit}", holds=figure >= bound)

    def between(self, what: str, figure: float, low: float, high: float, unit: str = "") -> None:
        self._add(what, figure, unit, f"{low:g} to {high:g} {unit}", holds=low <= figure <= high)

    def measured(self, what: str, figure: Any, unit: str = "") -> None:
        """Take a figure that has no bound."""
        self._add(what, figure, unit, "", holds=None)

    def _add(self, what: str, figure: Any, unit: str, bound: str, *, holds: bool | None) -> None:
        shown = f"{figure:.4g}" if isinstance(figure, float) else str(figure)
        verdict = {True: "pass", False: "FAIL", None: "-"}[None if holds is None else bool(holds)]
        self.rows.append((what, f"{shown} {unit}".strip(), bound.strip(), verdict))
        progress("  ".join(cell for cell in self.rows[-1] if cell))

    def show(self) -> None:
        """Print the table and leave with 1 if a figure is out of its bound."""
        table = [("what", "figure", "bound", ""), *self.rows]
        widths = [max(len(row[i]) for row in table) for i in range(4)]
        print(self.title)
        for row in table:
            print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
        raise SystemExit(int(any(row[3] == "FAIL" for row in self.rows)))

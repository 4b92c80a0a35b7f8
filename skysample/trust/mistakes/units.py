"""Hours or radians where degrees are expected."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.plugins.contracts import Mistake

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from skysample.geometry import Array
    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = "Give every angle of the run in degrees."
_HOURS, _RADIANS = (15.0, 24.0), (180.0 / np.pi, 2.0 * np.pi)
"""What the number is to be multiplied by, and its largest value in that unit."""


def mistakes(site: Site) -> Iterator[Mistake]:  # noqa: ARG001 - every cause is asked alike
    """Each column that could be in another unit, by the numbers in it."""
    for field, words in (("solved_rad", "solved"), ("mount_rad", "")):
        for unit, (factor, largest), first, second in (
            ("hours", _HOURS, True, False),
            ("radians", _RADIANS, True, True),
            ("radians", _RADIANS, True, False),
            ("radians", _RADIANS, False, True),
        ):
            if unit == "radians" and first != second and field == "solved_rad":
                continue
            name = f"{field} {unit} {first:d}{second:d}"
            yield Mistake(
                name,
                "units",
                _sentence(words, unit, first, second),
                _FIX,
                _undo(field, factor, largest, first, second),
            )


def _sentence(words: str, unit: str, first: bool, second: bool) -> str:
    if words:
        what = "right ascensions and declinations" if first and second else "right ascensions"
        return f"the solved {what} are in {unit}, not degrees"
    what = "both axes (or targets)" if first and second else "the primary (or the target's right ascension)"
    return f"{'the secondary' if second and not first else what} in {unit}, not degrees"


def _undo(
    field: str, factor: float, largest: float, first: bool, second: bool
) -> Callable[[Log, Site], tuple[Log, Site] | None]:
    def undo(log: Log, site: Site) -> tuple[Log, Site] | None:
        angles: Array = getattr(log, field)
        chosen = [first, second]
        if np.max(np.abs(np.degrees(angles[:, chosen]))) > largest:
            return None
        scaled: dict[str, Any] = {field: np.where(chosen, angles * factor, angles)}
        return replace(log, **scaled), site

    return undo

"""Dates that are wrong by a day, a month or a year, or have day and month swapped."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from skysample.astrometry.times import iso
from skysample.plugins.contracts import Mistake
from skysample.trust.mistakes.clock import shifted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = "Compare the date in the run with the night's; correct it and read the run again."
_DAYS = (("a day", 1.0), ("a month", 30.44), ("a year", 365.24))
_AS_LIKELY = -6.5


def mistakes(site: Site) -> Iterator[Mistake]:  # noqa: ARG001 - every cause is asked alike
    """Days, months, years, and day and month swapped."""
    for name, days in _DAYS:
        for late, sign in (("late", 1.0), ("early", -1.0)):

            def undo(log: Log, site: Site, hours: float = 24.0 * sign * days) -> tuple[Log, Site]:
                return shifted(log, hours), site

            yield Mistake(f"date {name} {late}", "date", f"the date is {name} {late}", _FIX, undo, _AS_LIKELY)
    yield Mistake(
        "day and month swapped", "date", "day and month are swapped", _FIX, _swapped, _AS_LIKELY + 0.5
    )


def _swapped(log: Log, site: Site) -> tuple[Log, Site] | None:
    year, month, day = (int(part) for part in str(iso(log.time[:1], 0)[0])[:10].split("-"))
    if day > 12 or day == month:
        return None
    late = date(year, month, day) - date(year, day, month)
    return shifted(log, 24.0 * late.days), site

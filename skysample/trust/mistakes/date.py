"""Dates that are wrong by a day, a month or a year, or have day and month swapped."""

from __future__ import annotations

from typing import TYPE_CHECKING

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
    from astropy.time import Time

    first = log.time[0].ymdhms
    year, month, day = int(first["year"]), int(first["month"]), int(first["day"])
    if day > 12 or day == month:
        return None
    written, meant = Time(f"{year}-{month:02d}-{day:02d}"), Time(f"{year}-{day:02d}-{month:02d}")
    return shifted(log, 24.0 * float((written - meant).jd)), site

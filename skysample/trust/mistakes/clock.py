"""Times that are wrong by a time zone, by summer time, or by minutes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from skysample.astrometry.times import at_utc
from skysample.plugins.contracts import Mistake

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.runs.log import Log
    from skysample.site import Site

FIX = "Compare the logging computer's clock and time zone with a phone's UTC; correct the times and read the run again."
_ZONE, _QUARTER_ZONE, _MINUTES = -5.5, -8.0, -6.0
_NEAR_MIN = (-20.0, -8.0, -3.0, 3.0, 8.0, 20.0)


def shifted(log: Log, hours: float) -> Log:
    """The same rows, so many hours earlier."""
    return replace(log, time=at_utc(log.time.jd1, log.time.jd2 - hours / 24.0))


def clock_fast(hours: float, *, near: bool = False) -> Mistake:
    """A clock that is so many hours ahead of UTC."""
    minutes = round(abs(hours) * 60.0, 1)
    whole, rest = divmod(minutes, 60.0)
    size = " ".join([*([f"{whole:g} h"] if whole else []), *([f"{rest:g} min"] if rest else [])])
    zone = " (local time logged as UTC, or summer time)" if minutes % 15.0 == 0.0 and minutes >= 30.0 else ""
    odds = _MINUTES if near else _ZONE if minutes % 60.0 == 0.0 else _QUARTER_ZONE

    def undo(log: Log, site: Site) -> tuple[Log, Site]:
        return shifted(log, hours), site

    return Mistake(
        f"clock {60.0 * hours:+g} min",
        "clock",
        f"the clock was {size} {'ahead of' if hours > 0.0 else 'behind'} UTC{zone}",
        FIX,
        undo,
        odds,
        near,
    )


def mistakes(site: Site) -> Iterator[Mistake]:  # noqa: ARG001 - every cause is asked alike
    """Whole hours, and minutes."""
    for minutes in _NEAR_MIN:
        yield clock_fast(minutes / 60.0, near=True)
    for hours in range(-12, 15):
        if hours:
            yield clock_fast(float(hours))

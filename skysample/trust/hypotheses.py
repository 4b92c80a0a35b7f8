"""Undo every mistake that may have been made, refit, and weigh what is found against the inputs as they stand."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.sidereal import SIDEREAL_RAD_S
from skysample.geometry import ARCSEC
from skysample.site.mount_axes import sides
from skysample.trust.mistakes.clock import clock_fast
from skysample.trust.mistakes.pier import wrong_in
from skysample.trust.weighing import FALSE_ODDS, Weighed, row_distances, weigh

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from skysample.geometry import Array
    from skysample.plugins.contracts import Mistake
    from skysample.runs.log import Log
    from skysample.site import Site
    from skysample.trust.smooth import SmoothField

GROSS_RAD = 18.0 * ARCSEC
"""Noise per axis from which on the run does not fit the site as it stands."""

KEPT_SHARE = 0.7
"""With fewer rows than these something else is wrong than false solutions."""

_AXIS_FAR_RAD = np.radians(5.0)
_SOME_RULED_OUT = 2
_NEAR_HOURS = 6
_WEIGHED_TWICE = 6
_PIER_ROUNDS = 4
_WORTH_REFINING = -2.0
_REFINING_MIN = (6.0, 3.0, 1.5, 0.75)
_QUARTERS = (-0.75, -0.5, -0.25, 0.25, 0.5, 0.75)


@dataclass(frozen=True, eq=False)
class Explained:
    """A mistake undone.

    Attributes
    ----------
    mistake : Mistake
    found : Weighed
        The fit to what is then read.
    odds : float
        Log odds against the inputs as they stand; infinite if no mount fits those.
    """

    mistake: Mistake
    found: Weighed
    odds: float


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """A run, and what is tried on it.

    Attributes
    ----------
    log : Log
    site : Site
    base : Weighed or None
        The fit to the inputs as they stand.
    planned : ndarray, shape (n, 3), or None
        Directions of the plan's points.
    known : tuple of Mistake
    """

    log: Log
    site: Site
    base: Weighed | None
    planned: Array | None
    known: tuple[Mistake, ...]

    def explanations(self) -> Iterator[Explained]:
        """Undo each mistake; those that change everything only where the run does not fit as it stands."""
        base = self.base
        if base is not None:
            near = list(self._undone((each for each in self.known if each.near), base))
            yield from near
            yield from self._refined(near, base)
            partly = [each for each in self.known if each.name == "stale solutions"]
            yield from self._undone(partly, None)
            yield from self._wrong_piers(base)
            if not is_gross(base):
                yield from self._hours(base)
                return
        first = list(self._undone((each for each in self.known if not each.near), None, smooth=False))
        first.sort(key=lambda each: -each.odds)
        best = first[:_WEIGHED_TWICE]
        for each in best:
            yield from self._undone([each.mistake], each.found)
        clock = next((each.mistake for each in best if each.mistake.cause == "clock"), None)
        if clock is not None:
            hours = _minutes(clock) / 60.0
            yield from self._undone((clock_fast(hours + by) for by in _QUARTERS), None)

    def _wrong_piers(self, base: Weighed) -> Iterator[Explained]:
        """Rows that fit better from the other side of the pier, by fits that such rows themselves bend."""
        if len(sides(self.site.mount.kind)) == 1 or not is_gross(base):
            return
        by_reach = list(self._undone((each for each in self.known if each.cause == "pier"), None))
        yield from by_reach
        for start in (base, *(each.found for each in by_reach)):
            here, swapped = start, start.log.side != self.log.side
            for _ in range(_PIER_ROUNDS):
                flipped = replace(here.log, side=-here.log.side)
                better = row_distances(flipped, here) < row_distances(here.log, here)
                swapped = swapped ^ better
                wrong = wrong_in(self.site, swapped)
                found = list(self._undone([wrong], None)) if wrong and better.any() else []
                if not found:
                    break
                yield from found
                here = found[0].found

    def _hours(self, base: Weighed) -> Iterator[Explained]:
        """Whole hours of clock, which turn an equatorial axis by little: the fit as it stands is a start."""
        if self.site.mount.kind == "altaz":
            return
        for hours in (*range(-_NEAR_HOURS, 0), *range(1, _NEAR_HOURS + 1)):
            values = base.here.values.copy()
            if not base.log.from_targets:
                zero = base.function.names.index("primary_zero")
                values[zero] -= SIDEREAL_RAD_S * 3600.0 * hours
            yield from self._undone([clock_fast(float(hours))], base.started_at(values))

    def _refined(self, near: list[Explained], base: Weighed) -> Iterator[Explained]:
        """The minutes of a clock that is likely wrong, to about one."""
        clocks = [each for each in near if each.mistake.cause == "clock"]
        best = max(clocks, key=lambda each: each.odds, default=None)
        if best is None or best.odds < _WORTH_REFINING:
            return
        minutes = _minutes(best.mistake)
        for step in _REFINING_MIN:
            tried = [clock_fast((minutes + by) / 60.0, near=True) for by in (-step, step) if minutes + by]
            best = max([best, *self._undone(tried, base)], key=lambda each: each.odds)
            minutes = _minutes(best.mistake)
        yield best

    def _undone(
        self, mistakes: Iterable[Mistake], start: Weighed | None, *, smooth: bool = True
    ) -> Iterator[Explained]:
        for mistake in mistakes:
            undone = mistake.undo(self.log, self.site)
            if undone is None:
                continue
            planned = self.planned if len(undone[0]) == len(self.log) else None
            found = weigh(*undone, planned=planned, start=start, smooth=smooth)
            if found is not None:
                # A row less counts as one that fits nowhere: likelihoods of fewer rows cannot be compared.
                missing = FALSE_ODDS * (len(self.log) - len(undone[0]))
                odds = mistake.log_odds + missing + odds_against(self.base, found.odds, found.field)
                yield Explained(mistake, found, odds)


def _minutes(clock: Mistake) -> float:
    """By how many minutes a clock of `clock_fast` is ahead."""
    return float(clock.name.split()[1])


def is_gross(base: Weighed) -> bool:
    """Whether the run does not fit the site at all as it stands."""
    return (
        base.noise_rad > GROSS_RAD
        or bool(base.kept.mean() < KEPT_SHARE)
        or base.ruled_out >= _SOME_RULED_OUT
        or float(np.hypot(*base.aim_rad)) > _AXIS_FAR_RAD
    )


def odds_against(base: Weighed | None, odds: float, field: SmoothField) -> float:
    """Log odds against the inputs as they stand: with a smooth field on both sides, and without, whichever is less.

    Where nothing fits as it stands, odds are comparable only among the mistakes.
    """
    if base is None:
        return odds
    return min(odds - base.odds, odds - field.gain - base.odds + base.field.gain)

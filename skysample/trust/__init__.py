"""Does this run belong to this site, and is each of its inputs what it says?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from skysample.errors import InputError
from skysample.geometry import ARCSEC
from skysample.plugins.contracts import AXIS_TERMS, CAUSES, Mistake
from skysample.plugins.registry import default_registry
from skysample.trust.mistakes.clock import clock_fast
from skysample.trust.mistakes.pier import wrong_in
from skysample.trust.movements import movements
from skysample.trust.places import below_the_horizon, outside
from skysample.trust.smooth import SmoothField
from skysample.trust.weighing import FALSE_ODDS, Weighed, weigh

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.runs.log import Log
    from skysample.site import Site
    from skysample.trust.movements import Movement

__all__ = ["CAUSES", "TOLERANCE_ARCMIN", "Cause", "Trust", "Verdict", "check"]

Verdict = Literal["turn", "check first", "do not turn"]

TOLERANCE_ARCMIN = 2.0
"""Moves that are wrong by less do no harm: a second run finds them (our choice)."""

_DOUBT, _SURE = 0.0, 5.0
"""Log odds of a harmful mistake from which on the run is doubted, and from which on no bolt is to be turned."""

_SHOWN = 6.0
"""Causes less likely than the first by more than this are not shown."""

_MOST_CAUSES = 4
_GROSS_RAD = 25.0 * ARCSEC
_KEPT_SHARE = 0.7
_UNLIKELY_PLACES = -6.0
_AXIS_FAR_RAD = np.radians(5.0)
_NOT_NOISE_RAD = 30.0 * ARCSEC
"""Noise per axis that no sound telescope has."""

_NEAR_NOISE_RAD = 8.0 * ARCSEC
_FALLS, _SLIP_ARCMIN = 3.0, 0.5
_HOURS_NEAR = 6
_WEIGHED_TWICE = 6


@dataclass(frozen=True, slots=True)
class Cause:
    """What may be wrong.

    Attributes
    ----------
    cause : str
        One of `CAUSES`.
    sentence : str
        What would be wrong.
    evidence : str
        What in the data says so.
    fix : str
        How to find out, and what to correct.
    moves_wrong_by_arcmin : float
        By how much the moves would be wrong if it is so; nan if unknown.
    odds : float
        Logarithm of the odds against the inputs as they stand.
    """

    cause: str
    sentence: str
    evidence: str
    fix: str
    moves_wrong_by_arcmin: float
    odds: float

    def __str__(self) -> str:
        return f"{self.sentence[0].upper()}{self.sentence[1:]}: {self.evidence}. {self.fix}"


@dataclass(frozen=True, eq=False)
class Trust:
    """Whether the inputs of a run can be trusted; made by `skysample.check`.

    Attributes
    ----------
    verdict : {"turn", "check first", "do not turn"}
    causes : tuple of Cause
        Likeliest first.
    base : Weighed or None
        The fit to the inputs as they stand; None if no mount fits them.
    """

    verdict: Verdict
    causes: tuple[Cause, ...]
    base: Weighed | None


@dataclass(frozen=True, eq=False)
class _Explained:
    """A mistake undone."""

    mistake: Mistake
    found: Weighed
    odds: float


def check(run: Run, site: Site, *, registry: Registry | None = None) -> Trust:
    log = _log_of(run)
    base = weigh(log, site)
    explained = list(_explanations(log, site, base, registry or default_registry()))
    causes = [_cause(each, base) for each in explained]
    if base is not None:
        causes += [_moved(each, base, run) for each in movements(base) if _counts(each, base)]
    causes.sort(key=lambda each: -each.odds)
    return _judged(base, causes)


def _log_of(run: Run) -> Log:
    if run.log is None:
        raise InputError(
            "the run was made from arrays and has no times or plate solutions to check; make it with read_run or"
            " Run.from_table",
            key="run",
        )
    return run.log.part(run.use)


def _explanations(log: Log, site: Site, base: Weighed | None, registry: Registry) -> Iterator[_Explained]:
    """Every mistake that may have been made, undone and weighed."""
    known = list(registry.mistakes(site).values())
    altaz = site.mount.kind == "altaz"
    if base is not None:
        yield from _undone((each for each in known if each.near), log, site, lambda _: base)
        partly = [wrong_in(site, ~base.kept), *(each for each in known if each.name == "stale solutions")]
        yield from _undone((each for each in partly if each), log, site, lambda _: None)
        if not _is_gross(base):
            if not altaz:
                for hours in range(-_HOURS_NEAR, _HOURS_NEAR + 1):
                    if hours:
                        turned = _turned(base, float(hours))
                        yield from _undone([clock_fast(float(hours))], log, site, lambda _, t=turned: t)
            return
    first = list(_undone((each for each in known if not each.near), log, site, lambda _: None, smooth=False))
    first.sort(key=lambda each: -each.found.odds - each.odds)
    best = first[:_WEIGHED_TWICE]
    for each in best:
        yield from _undone([each.mistake], log, site, lambda _, e=each: e.found)
    hours = next(
        (float(each.mistake.name.split()[1]) / 60.0 for each in best if each.mistake.cause == "clock"), None
    )
    if hours is not None:
        quarters = [clock_fast(hours + by) for by in (-0.75, -0.5, -0.25, 0.25, 0.5, 0.75)]
        yield from _undone(quarters, log, site, lambda _: None)


def _is_gross(base: Weighed) -> bool:
    """Whether the run does not fit the site at all as it stands."""
    return (
        base.noise_rad > _GROSS_RAD
        or bool(base.kept.mean() < _KEPT_SHARE)
        or base.places < _UNLIKELY_PLACES
        or float(np.hypot(*base.aim_rad)) > _AXIS_FAR_RAD
    )


def _turned(base: Weighed, hours: float) -> Weighed:
    """A start for the sky turned about the pole, as a clock error turns it."""
    values = base.here.values.copy()
    if not base.log.from_targets:
        values[base.function.names.index("primary_zero")] -= np.radians(15.041) * hours
    return base.started_at(values)


def _undone(
    mistakes, log: Log, site: Site, start: Callable[[Mistake], Weighed | None], *, smooth: bool = True
) -> Iterator[_Explained]:
    for mistake in mistakes:
        undone = mistake.undo(log, site)
        if undone is None:
            continue
        found = weigh(*undone, start=start(mistake), smooth=smooth)
        if found is not None:
            # Fewer rows cannot be compared by their likelihood: each row less counts as one that fits nowhere.
            missing = len(log) - len(undone[0])

            yield _Explained(mistake, found, mistake.log_odds + missing * FALSE_ODDS)


def wrong_by_arcmin(base: Weighed | None, aim: Array, kind: str) -> float:
    if base is None or base.site.mount.kind != kind:
        return float("nan")
    shrink = 1.0 if kind == "altaz" else np.cos(base.site.location.latitude_rad)
    apart = aim - base.aim_rad
    return float(np.hypot(apart[0], apart[1] * shrink)) / (60.0 * ARCSEC)


def _cause(each: _Explained, base: Weighed | None) -> Cause:
    before = base.noise_rad / ARCSEC if base is not None else np.inf
    after = each.found.noise_rad / ARCSEC
    evidence = f'undone, the noise per axis falls from {before:.1f}" to {after:.1f}"'
    return Cause(
        each.mistake.cause,
        each.mistake.sentence,
        evidence,
        each.mistake.fix,
        wrong_by_arcmin(base, each.found.aim_rad, each.found.site.mount.kind),
        each.odds + _against(each.found.odds, each.found.field, base),
    )


def _against(odds: float, field: SmoothField, base: Weighed | None) -> float:
    """Log odds against the inputs as they stand: with a smooth field in both, and without, whichever is less."""
    if base is None:
        return 1e3
    return min(odds - base.odds, odds - field.gain - base.odds + base.field.gain)


def _counts(movement: Movement, base: Weighed) -> bool:
    wrong = wrong_by_arcmin(base, movement.aim_rad, base.site.mount.kind)
    return (
        wrong > _SLIP_ARCMIN
        and movement.without_rad > _FALLS * movement.field.noise_rad
        and movement.field.noise_rad < _NEAR_NOISE_RAD
    )


def _moved(movement: Movement, base: Weighed, run: Run) -> Cause:
    return Cause(
        movement.cause,
        f"{movement.what} {movement.first_row}",
        f'{movement.without_rad / ARCSEC:.1f}" to {movement.field.noise_rad / ARCSEC:.1f}"',
        "",
        wrong_by_arcmin(base, movement.aim_rad, base.site.mount.kind),
        _against(movement.odds, movement.field, base),
    )


def _judged(base: Weighed | None, causes: list[Cause]) -> Trust:
    harmful = [each for each in causes if not each.moves_wrong_by_arcmin < TOLERANCE_ARCMIN]
    harmless = [each for each in causes if each.moves_wrong_by_arcmin < TOLERANCE_ARCMIN]
    against = np.logaddexp.reduce([0.0, *(each.odds for each in harmless)])
    odds = np.logaddexp.reduce([each.odds for each in harmful]) - against if harmful else -np.inf
    if base is None or odds > _SURE:
        verdict: Verdict = "do not turn"
    elif odds > _DOUBT or base.field.noise_rad > _NOT_NOISE_RAD:
        verdict = "check first"
    else:
        verdict = "turn"
    shown = [each for each in causes if causes and each.odds > max(causes[0].odds - _SHOWN, _DOUBT - 2.0)]
    return Trust(verdict, tuple(shown[:_MOST_CAUSES]), base)

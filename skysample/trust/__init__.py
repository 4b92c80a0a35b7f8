"""Whether a run belongs to its site, and each of its inputs is what it says: the question before any bolt is turned."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from skysample.errors import InputError
from skysample.geometry import ARCSEC
from skysample.plugins.contracts import CAUSES
from skysample.plugins.registry import default_registry
from skysample.trust.earlier_runs import changes
from skysample.trust.hypotheses import KEPT_SHARE, Hypotheses, odds_against
from skysample.trust.movements import movements
from skysample.trust.places import below_the_horizon
from skysample.trust.weighing import Weighed, terms_fitted, weigh
from skysample.trust.worth import Worth, apart_arcmin, worth

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from astropy.table import QTable

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.planning.plan_table import Plan
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.runs.log import Log
    from skysample.site import Site
    from skysample.trust.earlier_runs import Change
    from skysample.trust.hypotheses import Explained
    from skysample.trust.movements import Movement

__all__ = ["CAUSES", "TOLERANCE_ARCMIN", "Cause", "Trust", "Worth", "check"]

Verdict = Literal["turn", "check first", "do not turn"]

TOLERANCE_ARCMIN = 2.0
"""Moves wrong by less than this do no harm: a second run shows them (our choice)."""

_DOUBT, _SURE = 0.0, 5.0
"""Log odds of a harmful mistake from which on a run is doubted, and from which on no bolt is to be turned."""

_CLOSE = 3.0
"""A harmful mistake that is by so much less likely than harmless ones still has to be looked at."""

_SHOWN = 6.0
"""A cause less likely than the first by more than this is not shown."""

_MOST_CAUSES = 4
_NOT_NOISE_RAD = 30.0 * ARCSEC
"""Noise per axis that no sound telescope has."""

_CLEARLY = 0.85
_FAR_DEG = 5.0
_NEAR_NOISE_RAD = 8.0 * ARCSEC
_FALLS, _LEAST_SLIP_ARCMIN = 3.0, 0.5
_MODELLED = ("axis_skew", "cone", "tube_flexure")
_ZEROED_RAD = 15.0 * ARCSEC
_INFLATED = 3.0
"""What is left has a shape: it may move the axis by so many of its standard errors."""

_ALWAYS, _POSSIBLY = 20.0, 1.0
"""Log odds of what an earlier run contradicts outright, and of what it only makes likely."""

_YEARS_AWAY = 2.0
_LEAST_DOF = 6


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
        One thing to look at that settles it, and what to correct.
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

    @property
    def harmful(self) -> bool:
        """Whether moves made in spite of it would be wrong by too much: 2', or 0.5' where something moved."""
        moved = self.cause in {"slip", "drift", "camera"}
        return not self.moves_wrong_by_arcmin < (_LEAST_SLIP_ARCMIN if moved else TOLERANCE_ARCMIN)

    def __str__(self) -> str:
        wrong = self.moves_wrong_by_arcmin
        cost = f" If so, the moves are wrong by {_angle(wrong)}." if np.isfinite(wrong) else ""
        return f"{self.sentence[0].upper()}{self.sentence[1:]}: {self.evidence}.{cost} {self.fix}"


@dataclass(frozen=True, eq=False)
class Trust:
    """Whether the inputs of a run can be trusted; made by `skysample.check`.

    Attributes
    ----------
    verdict : {"turn", "check first", "do not turn"}
    causes : tuple of Cause
        What may be wrong, likeliest first.
    cautions : tuple of str
        What is worth knowing and moves nothing.
    worth : tuple of Worth
        How far each input, wrong by a little, would move the axis; empty if no mount fits the run.
    """

    verdict: Verdict
    causes: tuple[Cause, ...]
    cautions: tuple[str, ...]
    worth: tuple[Worth, ...]

    @property
    def turns_allowed(self) -> bool:
        """Whether moves may be given."""
        return self.verdict != "do not turn"

    @property
    def sentences(self) -> tuple[str, ...]:
        """The verdict and its reasons, one sentence or two each."""
        harmful = [each for each in self.causes if each.harmful] if self.verdict != "turn" else []
        first = {
            "turn": "Turn: nothing in the run contradicts its inputs.",
            "check first": "Check first: an input may be wrong.",
            "do not turn": "Do not turn: the run contradicts its inputs.",
        }[self.verdict]
        return (first, *map(str, harmful))

    @property
    def worth_sentence(self) -> str:
        """What small errors of the inputs would cost; empty if nothing is known."""
        if not self.worth:
            return ""
        return f"If an input were wrong, the axis would be found wrong by: {', '.join(map(str, self.worth))}."

    @property
    def table(self) -> QTable:
        """The causes, likeliest first."""
        from astropy import units as u
        from astropy.table import QTable

        columns = ("cause", "sentence", "evidence", "fix")
        found = {name: [getattr(each, name) for each in self.causes] for name in columns}
        wrong = [each.moves_wrong_by_arcmin for each in self.causes]
        return QTable(found | {"moves_wrong_by": np.array(wrong, float) * u.arcmin})

    def summary(self) -> str:
        """The verdict, its reasons, the cautions, and what the inputs are worth."""
        cautions = [f"{each[0].upper()}{each[1:]}." for each in self.cautions]
        return "\n".join([*self.sentences, *cautions, *filter(None, [self.worth_sentence])])

    def __str__(self) -> str:
        return self.summary()


def check(
    run: Run,
    site: Site,
    *,
    plan: Plan | None = None,
    model: FittedModel | None = None,
    earlier: Sequence[Run] = (),
    registry: Registry | None = None,
) -> Trust:
    """Ask whether a run belongs to a site, and whether each input is what it says.

    The run is fitted as it stands and under every mistake that may have been made; a mistake counts where the data are
    so much likelier under it that neither noise, nor false solutions, nor a smooth field that no term describes can
    explain them as well.

    Parameters
    ----------
    run : Run
        From `read_run` or `Run.from_table`; read it with ``any_place=True``, or places below the horizon are refused.
    site : Site
    plan : Plan, optional
        If the run has the numbers of its points: places are compared with it.
    model : FittedModel, optional
        An earlier model of the same telescope.
    earlier : sequence of Run
        Earlier runs of the same telescope, in order of time.
    registry : Registry, optional
        Where mistakes come from; default: everything installed.

    Returns
    -------
    Trust

    Raises
    ------
    InputError
        If the run was made from arrays, or is of another mount or latitude than the site.
    """
    run.check_site(site)
    if run.log is None:
        raise InputError(
            "the run was made from arrays and has no times or plate solutions to check; make it with read_run or"
            " Run.from_table",
            key="run",
        )
    used = run.subset(run.use)
    log = run.log.part(run.use)
    planned = None if plan is None else _planned(used, plan)
    if 2 * len(log) < terms_fitted(site) + _LEAST_DOF:
        return _too_few(len(log), site)
    base = weigh(log, site, planned=planned)
    known = tuple((registry or default_registry()).mistakes(site).values())
    tried = Hypotheses(log, site, base, planned, known)
    causes = [_cause(each, base) for each in tried.explanations()]
    causes += _longitudes(causes, site)
    cautions = list(_about_time(log))
    if base is not None:
        causes += [_movement_cause(each, base, used) for each in movements(base) if _counts(each, base)]
    stated = [] if base is None else list(_model_left_on(used, base))
    if earlier or model is not None:
        contradicted, known_changes = changes(used, site, earlier, model)
        stated += [_changed(each) for each in contradicted]
        cautions += known_changes
    causes.sort(key=lambda each: -each.odds)
    return _judged(base, causes, stated, cautions, len(used))


def _too_few(rows: int, site: Site) -> Trust:
    cause = Cause(
        "noise",
        "the inputs could not be checked",
        f"{rows} points for {terms_fitted(site)} terms leave nothing to check them by",
        "Take at least 10 points before you turn a bolt.",
        float("nan"),
        _POSSIBLY,
    )
    return Trust("check first", (cause,), (), ())


def _planned(run: Run, plan: Plan) -> Array:
    """Directions of the plan's points by the numbers in the run, shape (n, 3), nan where it has none."""
    directions = plan.grid.directions[plan.order]
    numbers = {int(number): place for number, place in zip(plan.table["point"], directions, strict=True)}
    nowhere = np.full(3, np.nan)
    return np.array([numbers.get(int(point), nowhere) for point in run.point])


def _angle(arcmin: float) -> str:
    return (
        f"{arcmin / 60.0:.0f} deg"
        if arcmin >= 600.0
        else f"{arcmin:.2g}'"
        if arcmin < 100.0
        else f"{arcmin:.0f}'"
    )


def _cause(each: Explained, base: Weighed | None) -> Cause:
    mistake, found = each.mistake, each.found
    wrong = float("nan")
    if base is not None and found.site.mount.kind == base.site.mount.kind:
        wrong = apart_arcmin(base, found.aim_rad)
    return Cause(mistake.cause, mistake.sentence, _evidence(found, base), mistake.fix, wrong, each.odds)


def _evidence(found: Weighed, base: Weighed | None) -> str:
    """What speaks for a reading of the inputs, against the inputs as they stand."""
    after = f'{found.noise_rad / ARCSEC:.1f}"'
    if base is None:
        return f"no mount fits the run as it stands; so read, the noise is {after} per axis"
    said = []
    if found.noise_rad < _CLEARLY * base.noise_rad:
        said.append(f'so read, the noise falls from {base.noise_rad / ARCSEC:.1f}" to {after} per axis')
    back = int(found.kept.sum()) - int(base.kept.sum())
    if back > 0:
        said.append(f"so read, {back} more {'row fits' if back == 1 else 'rows fit'}")
    if found.ruled_out < base.ruled_out:
        said.append(
            f"as it stands, {base.ruled_out} of {len(base.log)} places lie outside what the site allows (so read,"
            f" {found.ruled_out})"
        )
    off, then = (float(np.degrees(np.hypot(*one.aim_rad))) for one in (base, found))
    if off > _FAR_DEG and then < 0.5 * off:
        said.append(f"as it stands, the axis would be {off:.0f} deg off (so read, {then:.1f})")
    return "; ".join(said) or f"so read, the run fits better (noise {after} per axis)"


def _longitudes(causes: Sequence[Cause], site: Site) -> list[Cause]:
    """For the likeliest wrong clock: the longitude that would look exactly alike."""
    from skysample.trust.mistakes.longitude import FIX

    clocks = [each for each in causes if each.cause == "clock"]
    if not clocks:
        return []
    best = max(clocks, key=lambda each: each.odds)
    given = site.location.longitude_deg
    sentence = f"or longitude_deg ({given:g}) is wrong by 15 degrees for each hour of that, which looks alike"
    return [replace(best, cause="longitude", sentence=sentence, fix=FIX, odds=best.odds - 0.5)]


def _counts(movement: Movement, base: Weighed) -> bool:
    """Whether a movement matters, and explains nearly all that noise does not."""
    return (
        apart_arcmin(base, movement.aim_rad) > _LEAST_SLIP_ARCMIN
        and movement.without_rad > _FALLS * movement.field.noise_rad
        and movement.field.noise_rad < _NEAR_NOISE_RAD
    )


def _movement_cause(movement: Movement, base: Weighed, run: Run) -> Cause:
    from skysample.astrometry.times import iso

    first, second = (abs(each) / ARCSEC / 60.0 for each in movement.size_rad)
    order = np.argsort(run.time.jd) if run.time is not None else np.arange(len(run))
    if movement.first_row:
        last, then = order[movement.first_row - 1], order[movement.first_row]
        clock = "" if run.time is None else f" ({str(iso(run.time[then], 0))[11:19]} UTC)"
        when = f"between row {run.rows[last]} and row {run.rows[then]}{clock}"
    else:
        when = "all through the run"
    size = {
        "axes": f"an axis slipped {when}: primary {first:.1f}', secondary {second:.1f}'",
        "camera": f"the camera moved in the tube {when}: {np.hypot(first, second):.1f}'",
        "base": f"the base moved {when}: {np.hypot(first, second):.1f}'",
    }[movement.what]
    if movement.cause == "drift":
        size = size.replace("slipped", "drifts").replace("moved", "moves")
    fix = {
        "axes": "Check clutches, couplings and encoders, and repeat the run.",
        "camera": "Lock focuser, camera and mirror, and repeat the run.",
        "base": "Check every clamp and foot (the mount may be loose), and repeat the run.",
    }[movement.what]
    evidence = (
        f'with it, the noise falls from {movement.without_rad / ARCSEC:.1f}" to'
        f' {movement.field.noise_rad / ARCSEC:.1f}" per axis'
    )
    wrong = apart_arcmin(base, movement.aim_rad)
    return Cause(
        movement.cause, size, evidence, fix, wrong, odds_against(base, movement.odds, movement.field)
    )


def _model_left_on(run: Run, base: Weighed) -> Iterator[Cause]:
    """An active model leaves every term near zero; so does a good mount, if the run says that none was active."""
    if run.old_model == "off" or run.axes_kind == "raw":
        return
    names = base.function.names
    if all(abs(base.here.values[names.index(name)]) < _ZEROED_RAD for name in _MODELLED):
        yield Cause(
            "model active",
            "a pointing model may have been active in the mount",
            'skew, cone and flexure are all below 15", and the run does not say that no model was active',
            "Look it up in the mount's settings: declare old_model (--assume old_model=off), or switch it off and"
            " repeat the run.",
            float("nan"),
            _POSSIBLY,
        )


def _changed(change: Change) -> Cause:
    odds = _ALWAYS if change.certain else _POSSIBLY
    return Cause(change.cause, change.sentence, change.evidence, change.fix, change.wrong_arcmin, odds)


def _about_time(log: Log) -> Iterator[str]:
    from time import time as now

    days = float(log.time.jd[-1]) - 2440587.5 - now() / 86400.0
    if days > 1.0:
        yield f"the run's times are {days:.0f} days in the future: check the date"
    elif days < -_YEARS_AWAY * 365.25:
        yield f"the run's times are {-days / 365.25:.0f} years old: check the date"


def _judged(
    base: Weighed | None, causes: list[Cause], stated: list[Cause], cautions: list[str], rows: int
) -> Trust:
    """Judge by causes that the data weigh, likeliest first, and by those that other runs or the header state."""
    harmful = [each.odds for each in causes if each.harmful]
    harmless = [each.odds for each in causes if not each.harmful]
    if base is None:
        verdict: Verdict = "do not turn"
    else:
        odds, others = np.logaddexp.reduce([-np.inf, *harmful]), np.logaddexp.reduce([0.0, *harmless])
        doubted = odds > _DOUBT and odds > others - _CLOSE
        wrong = any(
            not each.moves_wrong_by_arcmin < TOLERANCE_ARCMIN for each in causes if each.odds > odds - _CLOSE
        )
        sure = odds - others > _SURE and wrong
        verdict = "do not turn" if sure else "check first" if doubted else "turn"
    if verdict == "turn" and stated:
        verdict = "check first"
    if any(each.odds >= _ALWAYS for each in stated):
        verdict = "do not turn"
    # Several that are unlikely each may be likely together.
    least = -np.inf if base is None or verdict != "turn" else _DOUBT
    likely = [*stated, *(each for each in causes if each.odds > max(causes[0].odds - _SHOWN, least))]
    if base is not None and verdict == "turn" and not likely:
        unknown = _unexplained(base, rows)
        if unknown is not None:
            likely.append(unknown)
            could_move = unknown.moves_wrong_by_arcmin > TOLERANCE_ARCMIN
            verdict = "do not turn" if could_move else "check first"
    elif base is None and not likely:
        likely.append(_unknown("no mount fits half of the rows", float("nan")))
    distinct: dict[str, Cause] = {}
    for each in likely:
        distinct.setdefault(f"{each.cause} {each.sentence if each.cause != 'clock' else ''}", each)
    shown = [*distinct.values()][:_MOST_CAUSES]
    cautions += [str(each).removesuffix(".") for each in shown if not each.harmful]
    return Trust(verdict, tuple(shown), tuple(cautions), () if base is None else worth(base))


def _unexplained(base: Weighed, rows: int) -> Cause | None:
    """What is left where no mistake explains it: too much to be noise, or too few rows that fit."""
    kept = int(base.kept.sum())
    if (
        base.noise_rad <= _NOT_NOISE_RAD
        and kept >= KEPT_SHARE * rows
        and not below_the_horizon(base.directions).any()
    ):
        return None
    covariance = np.linalg.pinv(
        np.einsum("nki,nkj->ij", base.here.design[base.kept], base.here.design[base.kept])
    )
    stderr = base.noise_rad * np.sqrt(np.trace(covariance[:2, :2]))
    evidence = f'{kept} of {rows} rows fit, with a noise of {base.noise_rad / ARCSEC:.0f}" per axis'
    return _unknown(evidence, float(_INFLATED * stderr / ARCSEC / 60.0))


def _unknown(evidence: str, wrong_arcmin: float) -> Cause:
    return Cause(
        "unknown",
        "run and site do not belong together, and no single mistake explains it",
        evidence,
        "Check kind of mount, signs and units of the readings, times and location; then take a few points again.",
        wrong_arcmin,
        _POSSIBLY,
    )

"""What moved between two or more models of one telescope: metal, or only the zero of an encoder.

The difference of two independent estimates has the variance of both. Each noise is known from its own run alone, so
the degrees of freedom are Welch's (Welch 1947, Biometrika 34, 28; from memory), and what is called moved is held to a
family-wise 5 % by Holm's step-down over all that is compared (Holm 1979, Scand. J. Stat. 6, 65).
"""

from __future__ import annotations

import html
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError, NotDetermined
from skysample.geometry import ARCSEC, separation, wrap_pi
from skysample.polar_axis import polar
from skysample.site import Location, Site

if TYPE_CHECKING:
    from collections.abc import Sequence

    from astropy.table import QTable
    from astropy.units import Quantity

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.polar_axis import PolarAlignment

__all__ = ["AxisMovement", "Change", "History", "history"]

FAMILY_WISE = 0.05
_ROUNDING_RAD = 1e-3 * ARCSEC
_TURNED_RAD = float(np.radians(1.0))
"""By so much an encoder's zero may change before one part of its eccentricity, without the other, says nothing."""

_WORDS = {
    "polar_altitude": ("the polar axis rose {}", "the polar axis sank {}"),
    "polar_azimuth": ("the polar axis turned {} to the east", "the polar axis turned {} to the west"),
    "tilt_north": (
        "the azimuth axis leaned over {} to the north",
        "the azimuth axis leaned over {} to the south",
    ),
    "tilt_east": (
        "the azimuth axis leaned over {} to the east",
        "the azimuth axis leaned over {} to the west",
    ),
    "axis_skew": (
        "the two axes' squareness (axis_skew) grew by {}",
        "the two axes' squareness (axis_skew) fell by {}",
    ),
    "cone": (
        "tube, mirror or camera shifted: cone grew by {}",
        "tube, mirror or camera shifted: cone fell by {}",
    ),
    "tube_flexure": ("the tube sags {} more", "the tube sags {} less"),
    "primary_zero": (
        "the zero of the primary encoder grew by {}",
        "the zero of the primary encoder fell by {}",
    ),
    "secondary_zero": (
        "the zero of the secondary encoder grew by {}",
        "the zero of the secondary encoder fell by {}",
    ),
}
_ZEROS = {"primary_zero": "primary", "secondary_zero": "secondary"}


@dataclass(frozen=True, slots=True)
class Change:
    """One term in an earlier and in a later model.

    Attributes
    ----------
    term : str
    since, until : str
        The days of the two runs.
    change_rad, stderr_rad : float
        Later minus earlier, and the standard error of that.
    dof, p : float
        Welch's degrees of freedom, and the two-sided chance of so large a change if nothing changed.
    beyond_chance : bool
        By Holm's step-down over everything compared, at a family-wise 5 %.
    sentence : str
        In words; empty where the change is within chance.
    """

    term: str
    since: str
    until: str
    change_rad: float
    stderr_rad: float
    dof: float
    p: float
    beyond_chance: bool = False
    sentence: str = ""

    @property
    def metal(self) -> bool:
        """False for the zero of an encoder, which homing and syncing change."""
        return self.term not in _ZEROS

    @property
    def moved(self) -> bool:
        """Whether metal moved."""
        return self.metal and self.beyond_chance

    @property
    def sigmas(self) -> float:
        """How many of its standard errors the change is."""
        return abs(self.change_rad) / self.stderr_rad if self.stderr_rad > 0.0 else np.inf

    @property
    def verdict(self) -> str:
        """`moved`, `zero changed` or `within error`."""
        if not self.beyond_chance:
            return "within error"
        return "moved" if self.metal else "zero changed"


@dataclass(frozen=True, slots=True)
class AxisMovement:
    """How far the primary axis itself moved: the angle between where it aimed and where it aims.

    Attributes
    ----------
    since, until : str
    total, stderr : Quantity
        Arcmin on the sky; `total` is at least 0 and so exceeds the truth where that is near 0.
    """

    since: str
    until: str
    total: Quantity
    stderr: Quantity


@dataclass(frozen=True, slots=True)
class History:
    """What moved between models of one telescope.

    Attributes
    ----------
    models : tuple of FittedModel
        In the order of time.
    moments : tuple of str
        The day of each, with the time of day where two are of one day.
    changes : tuple of Change
        Each model against the next; the first against the last too, where there are more than two.
    axis : tuple of AxisMovement
        For the same pairs; empty where the axis is not determined.
    reservations : tuple of str
        What could not be compared, and why.
    """

    models: tuple[FittedModel, ...]
    moments: tuple[str, ...]
    changes: tuple[Change, ...]
    axis: tuple[AxisMovement, ...]
    reservations: tuple[str, ...]

    @property
    def moved(self) -> tuple[Change, ...]:
        """What metal moved."""
        return tuple(each for each in self.changes if each.moved)

    @property
    def axis_moved(self) -> bool:
        """Whether the primary axis is among it."""
        return any(each.term in self.models[0].axis_terms for each in self.moved)

    @property
    def sentences(self) -> tuple[str, ...]:
        """What to tell a person."""
        said = [each.sentence for each in self.changes if each.beyond_chance]
        if self.axis_moved:
            said += [
                f"on the sky the axis moved {each.total.value:.2f}' +- {each.stderr.value:.2f}' between {each.since}"
                f" and {each.until}"
                for each in self.axis
                if any(
                    change.term in self.models[0].axis_terms
                    and (change.since, change.until) == (each.since, each.until)
                    for change in self.moved
                )
            ]
        if not self.moved:
            said.append(
                f"no metal is shown to have moved: of {len(self.changes)} changes compared none of a term of the metal"
                " is beyond chance (family-wise 5 %)"
            )
        return (*said, *self.reservations)

    @property
    def table(self) -> QTable:
        """One row a term and pair of models."""
        from astropy import units as u
        from astropy.table import QTable

        return QTable(
            {
                "term": [each.term for each in self.changes],
                "since": [each.since for each in self.changes],
                "until": [each.until for each in self.changes],
                "change": np.array([each.change_rad for each in self.changes]) / ARCSEC * u.arcsec,
                "stderr": np.array([each.stderr_rad for each in self.changes]) / ARCSEC * u.arcsec,
                "sigmas": [each.sigmas for each in self.changes],
                "p": [each.p for each in self.changes],
                "verdict": [each.verdict for each in self.changes],
            }
        )

    def __str__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(str(self))}</p>{self.table._repr_html_()}"


def history(models: Sequence[FittedModel], site: Site | None = None) -> History:
    """Say what moved between models of one telescope.

    Parameters
    ----------
    models : sequence of FittedModel
        Two or more, fitted with the same terms to runs of their own; in any order where every run has times.
    site : Site, optional
        To check that the models are of it.

    Returns
    -------
    History

    Raises
    ------
    InputError
        If there are fewer than two models, two are of one run, or they differ in mount, latitude or terms.
    NotDetermined
        If a model was active in the mount during a run: its terms are then no longer those of the metal.
    """
    ordered = _in_time(models)
    _check_alike(ordered, site)
    moments = _moments(ordered)
    spans = list(pairwise(range(len(ordered))))
    if len(ordered) > 2:
        spans.append((0, len(ordered) - 1))
    alignments, reservations = _alignments(ordered, moments)
    skipped = set() if alignments else set(ordered[0].axis_terms)

    changes: list[Change] = []
    for first, last in spans:
        found, said = _compared(ordered[first], ordered[last], moments[first], moments[last], skipped)
        changes += found
        reservations += said
    beyond = _holm([each.p for each in changes])
    judged = [
        replace(each, beyond_chance=True, sentence=_sentence(each, ordered, moments))
        if index in beyond
        else each
        for index, each in enumerate(changes)
    ]
    axis = [
        _axis_movement(alignments[first], alignments[last], moments[first], moments[last])
        for first, last in spans
        if alignments
    ]
    return History(ordered, moments, tuple(judged), tuple(axis), tuple(reservations))


def _in_time(models: Sequence[FittedModel]) -> tuple[FittedModel, ...]:
    if len(models) < 2:
        raise InputError(f"{len(models)} model says nothing about what moved; give two or more", key="models")
    if all(model.run.start_utc for model in models):
        return tuple(sorted(models, key=lambda model: model.run.start_utc))
    return tuple(models)


def _named(model: FittedModel) -> str:
    return f"the model of {model.run.source or model.run.start_utc[:16] or 'a run from memory'}"


def _check_alike(models: tuple[FittedModel, ...], site: Site | None) -> None:
    first = models[0]
    for number, model in enumerate(models):
        if site is not None:
            model.check_site(site)
        if (
            model.kind != first.kind
            or abs(model.function.latitude_rad - first.function.latitude_rad) > ARCSEC
        ):
            raise InputError(
                f"{_named(model)} is of a {model.kind} mount at latitude {np.degrees(model.function.latitude_rad):.6g},"
                f" {_named(first)} of a {first.kind} at {np.degrees(first.function.latitude_rad):.6g}; give models of"
                " one telescope",
                key="models",
            )
        if model.names != first.names:
            odd = sorted({*model.names} ^ {*first.names})
            raise InputError(
                f"{_named(model)} and {_named(first)} differ in {', '.join(odd)}, and every other term takes up what"
                " a missing one leaves; fit both runs with the same --terms",
                key="models",
            )
        if any(model.run.fingerprint == other.run.fingerprint for other in models[:number]):
            raise InputError(
                f"{_named(model)} is given twice, or two models are of one run; nothing moves within a run",
                key="models",
            )
        if model.run.axes_kind == "corrected" or model.run.old_model == "on":
            raise NotDetermined(
                f"not determined: during the run of {_named(model)} a pointing model was active in the mount, so its"
                " terms are what is left over that model; give models of raw readings"
            )


def _moments(models: tuple[FittedModel, ...]) -> tuple[str, ...]:
    days = [model.run.start_utc[:10] for model in models]
    return tuple(
        f"model {number}"
        if not day
        else day
        if days.count(day) == 1
        else model.run.start_utc[:16].replace("T", " ")
        for number, (day, model) in enumerate(zip(days, models, strict=True), 1)
    )


def _alignments(
    models: tuple[FittedModel, ...], moments: tuple[str, ...]
) -> tuple[list[PolarAlignment], list[str]]:
    """Where the axis aimed in each model; nothing but the reason if one of them does not determine it."""
    found = []
    for model, moment in zip(models, moments, strict=True):
        # The longitude is not in a model, and where the axis aims does not depend on it.
        place = Location(latitude_deg=float(np.degrees(model.function.latitude_rad)), longitude_deg=0.0)
        try:
            found.append(polar(model, Site(location=place, mount=model.mount)))
        except NotDetermined as error:
            return [], [f"the primary axis is not compared, by {moment}: {error}"]
    return found, []


def _compared(
    before: FittedModel, after: FittedModel, since: str, until: str, skipped: set[str]
) -> tuple[list[Change], list[str]]:
    """Every term's change between two models, and what could not be compared."""
    turn, lost = _to_readings_of(before, after)
    values, covariance = turn @ after.values_rad, turn @ after.covariance_rad2 @ turn.T
    changes = []
    for i, term in enumerate(before.names):
        if term in skipped or term in lost:
            continue
        change = float(wrap_pi(values[i] - before.values_rad[i]))
        first, second = float(before.covariance_rad2[i, i]), float(covariance[i, i])
        dof, p = _welch(change, first, second, before.dof, after.dof)
        changes.append(Change(term, since, until, change, float(np.sqrt(first + second)), dof, p))
    said = [
        f"{term} is not compared between {since} and {until}: the encoder's zero changed by more than a degree, and"
        " the model carries only one part of its eccentricity"
        for term in lost
    ]
    return changes, said


def _to_readings_of(before: FittedModel, after: FittedModel) -> tuple[Array, list[str]]:
    """Matrix (p, p) that tells the later terms in the earlier readings, and the terms that it cannot tell.

    An eccentricity is s sin r + c cos r of the reading r; an encoder whose zero grew by d reads r - d where it
    read r.
    """
    names = before.names
    matrix, lost = np.eye(len(names)), []
    for zero, axis in _ZEROS.items():
        if zero not in names:
            continue
        index = names.index(zero)
        d = float(wrap_pi(after.values_rad[index] - before.values_rad[index]))
        parts = [name for name in (f"{axis}_sin", f"{axis}_cos") if name in names]
        if len(parts) == 2:
            rows = [names.index(name) for name in parts]
            matrix[np.ix_(rows, rows)] = [[np.cos(d), np.sin(d)], [-np.sin(d), np.cos(d)]]
        elif abs(d) > _TURNED_RAD:
            lost += parts
    return matrix, lost


def _welch(
    change: float, first: float, second: float, first_dof: int, second_dof: int
) -> tuple[float, float]:
    """Degrees of freedom and two-sided p of a change, from two variances with degrees of freedom of their own."""
    from scipy.special import stdtr

    variance = first + second
    if variance == 0.0:
        return np.inf, float(abs(change) <= _ROUNDING_RAD)
    dof = variance**2 / (first**2 / first_dof + second**2 / second_dof)
    return dof, 1.0 if abs(change) <= _ROUNDING_RAD else float(
        2.0 * stdtr(dof, -abs(change) / np.sqrt(variance))
    )


def _holm(p: list[float]) -> set[int]:
    """Places that Holm's step-down keeps at the family-wise level."""
    kept: set[int] = set()
    for rank, index in enumerate(sorted(range(len(p)), key=lambda each: p[each])):
        if p[index] > FAMILY_WISE / (len(p) - rank):
            break
        kept.add(index)
    return kept


def _sentence(change: Change, models: tuple[FittedModel, ...], moments: tuple[str, ...]) -> str:
    """A change beyond chance, in words."""
    size, error = abs(change.change_rad) / ARCSEC, change.stderr_rad / ARCSEC
    in_arcmin = size >= 60.0 or change.term in models[0].axis_terms
    amount = f"{size / 60.0:.2f}' +- {error / 60.0:.2f}'" if in_arcmin else f'{size:.1f}" +- {error:.1f}"'
    up, down = _WORDS.get(change.term, (f"{change.term} grew by {{}}", f"{change.term} fell by {{}}"))
    happened = (up if change.change_rad > 0.0 else down).format(amount)
    latest = change.until == moments[-1]
    when = f"since {change.since}" if latest else f"between {change.since} and {change.until}"
    said = f"{happened} {when}: {change.sigmas:.0f} sigma"
    if change.metal:
        return said
    first, last = (models[moments.index(each)].run.session for each in (change.since, change.until))
    cause = "homed or synced anew" if first != last else "homed or synced anew, or a coupling that slipped"
    return f"{said}; that is where the encoder counts from ({cause}), no movement of the metal"


def _axis_movement(before: PolarAlignment, after: PolarAlignment, since: str, until: str) -> AxisMovement:
    from astropy import units as u

    total = float(separation(before.axis, after.axis))
    shrink = np.array([1.0, np.sin(np.arccos(before.axis[2])) if before.equatorial else 1.0])
    move = shrink * np.array(
        [after.first_rad - before.first_rad, wrap_pi(after.second_rad - before.second_rad)]
    )
    covariance = np.outer(shrink, shrink) * (before.covariance_rad2 + after.covariance_rad2)
    length = float(np.linalg.norm(move))
    along = move / length if length > 0.0 else np.array([1.0, 0.0])
    to_arcmin = 1.0 / ARCSEC / 60.0
    return AxisMovement(
        since,
        until,
        total * to_arcmin * u.arcmin,
        float(np.sqrt(along @ covariance @ along)) * to_arcmin * u.arcmin,
    )

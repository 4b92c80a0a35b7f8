"""Each term in an earlier and in a later model, and the change in words.

The difference of two independent estimates has the variance of both. Each noise is known from its own run alone, so
the degrees of freedom are Welch's (Welch 1947, Biometrika 34, 28; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import ARCSEC, wrap_pi

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.geometry import Array

_ROUNDING_RAD = 1e-3 * ARCSEC
_TURNED_RAD = float(np.radians(1.0))
"""By so much a wave may be turned before its sine, without its cosine, says nothing."""

_WORDS = {
    "polar_altitude": ("the polar axis {} {}", "rose", "sank"),
    "polar_azimuth": ("the polar axis turned {1} to the {0}", "east", "west"),
    "tilt_north": ("the azimuth axis tilted {1} to the {0}", "north", "south"),
    "tilt_east": ("the azimuth axis tilted {1} to the {0}", "east", "west"),
    "axis_skew": ("the axes' departure from square (axis_skew) {} by {}", "grew", "fell"),
    "cone": ("tube, mirror or camera shifted: cone {} by {}", "grew", "fell"),
    "tube_flexure": ("the tube sags {1} {0}", "more", "less"),
}
_WAVES = {
    "primary_zero": (
        (1, "primary_{}"),
        (2, "primary_{}_twice"),
        (2, "azimuth_nod_{}"),
        (2, "azimuth_roll_{}"),
    ),
    "secondary_zero": ((1, "secondary_{}"), (2, "secondary_{}_twice")),
}
"""By the zero of each encoder, the terms that are waves of its reading: periods in a turn, and name with sin and cos.

All other terms are of true angles, or of the side of the pier by the true secondary angle.
"""


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
        return self.term not in _WAVES

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


def changes_between(
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
        dof, p = welch(change, first, second, before.dof, after.dof)
        changes.append(Change(term, since, until, change, float(np.sqrt(first + second)), dof, p))
    reservations = [
        f"{term} is not compared between {since} and {until}: the encoder zero changed, which mixes the sine and cosine"
        " of the reading, and the model has only one of them"
        for term in lost
    ]
    return changes, reservations


def _to_readings_of(before: FittedModel, after: FittedModel) -> tuple[Array, list[str]]:
    """Matrix (p, p) that puts the later terms in the earlier readings, and the terms for which that is impossible.

    A wave is s sin kr + c cos kr of the reading r; an encoder whose zero grew by d reads r - d where it read r.
    """
    names = before.names
    matrix, lost = np.eye(len(names)), []
    for zero, waves in _WAVES.items():
        if zero not in names:
            continue
        index = names.index(zero)
        change = float(wrap_pi(after.values_rad[index] - before.values_rad[index]))
        for periods, wave in waves:
            turn = periods * change
            parts = [name for name in (wave.format("sin"), wave.format("cos")) if name in names]
            if len(parts) == 2:
                rows = [names.index(name) for name in parts]
                matrix[np.ix_(rows, rows)] = [[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]
            elif abs(turn) > _TURNED_RAD:
                lost += parts
    if before.kind == "altaz" and "secondary_sin" in lost and "tube_flexure" in names:
        # Tube flexure is what the cosine of an alt-az's altitude encoder would be.
        lost.append("tube_flexure")
    return matrix, lost


def welch(change: float, first: float, second: float, first_dof: int, second_dof: int) -> tuple[float, float]:
    """Degrees of freedom and two-sided p of a change, from two variances with degrees of freedom of their own."""
    from scipy.special import stdtr

    variance, rounding = first + second, abs(change) <= _ROUNDING_RAD
    if variance == 0.0:
        return np.inf, float(rounding)
    dof = variance**2 / (first**2 / first_dof + second**2 / second_dof)
    return dof, 1.0 if rounding else 2.0 * float(stdtr(dof, -abs(change) / np.sqrt(variance)))


def worded_changes(
    changes: Sequence[Change],
    beyond_chance: Sequence[bool] | NDArray[np.bool_],
    models: tuple[FittedModel, ...],
    moments: tuple[str, ...],
) -> tuple[Change, ...]:
    """The changes, with those beyond chance marked and put in words."""
    return tuple(
        replace(each, beyond_chance=True, sentence=_worded(each, models, moments)) if found else each
        for each, found in zip(changes, beyond_chance, strict=True)
    )


def _worded(change: Change, models: tuple[FittedModel, ...], moments: tuple[str, ...]) -> str:
    size, error = abs(change.change_rad) / ARCSEC, change.stderr_rad / ARCSEC
    in_arcmin = size >= 60.0 or change.term in models[0].axis_terms
    amount = f"{size / 60.0:.2f}' +- {error / 60.0:.2f}'" if in_arcmin else f'{size:.1f}" +- {error:.1f}"'
    latest = change.until == moments[-1]
    when = f"since {change.since}" if latest else f"between {change.since} and {change.until}"
    if not change.metal:
        first, last = (models[moments.index(each)].run.session for each in (change.since, change.until))
        cause = "re-homed or re-synced" if first != last else "re-homed, re-synced or a slipped coupling"
        encoder, sign = change.term.removesuffix("_zero"), "+" if change.change_rad > 0.0 else "-"
        return (
            f"{encoder} encoder zero shifted by {sign}{amount} {when}: {cause}. The mount itself did not move"
        )
    words, up, down = _WORDS.get(change.term, (f"{change.term} {{}} by {{}}", "grew", "fell"))
    return (
        f"{words.format(up if change.change_rad > 0.0 else down, amount)} {when} ({change.sigmas:.0f} sigma)"
    )

"""Compare a run before the bolts were turned with one after: whether the adjustment worked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.alignment.adjustment import DEFAULT_LIMIT_ARCMIN, asked_and_made, worth_making
from skysample.alignment.wedge import ARCMIN
from skysample.errors import InputError
from skysample.fitting.multiple_tests import holm
from skysample.geometry import ARCSEC
from skysample.scoring.changes import changes_between, worded_changes

if TYPE_CHECKING:
    from collections.abc import Iterable

    from astropy.table import QTable
    from astropy.units import Quantity

    from skysample.alignment import PolarAlignment
    from skysample.alignment.adjustment import Asked
    from skysample.alignment.wedge import Move
    from skysample.fitting import FittedModel
    from skysample.fitting.model import RunSummary
    from skysample.scoring.changes import Change

__all__ = ["Comparison", "compare"]

_MOMENTS = ("the first run", "the second run")


@dataclass(frozen=True)
class Comparison:
    """Result of an adjustment.

    Attributes
    ----------
    before, after : PolarAlignment
    limit : Quantity
        On the total error, arcmin.
    adjusters : tuple of Asked
        For each adjuster, the move asked for and the move made.
    changes : tuple of Change
        Every term of the two models, with its change and error; empty if they cannot be compared.
    reservations : tuple of str
        What could not be compared, and why.
    next_moves : tuple of Move
        Moves still worth making, in order.
    next_sentence : str
        Why these, or why none.
    """

    before: PolarAlignment
    after: PolarAlignment
    limit: Quantity
    adjusters: tuple[Asked, ...] = ()
    changes: tuple[Change, ...] = ()
    reservations: tuple[str, ...] = ()
    next_moves: tuple[Move, ...] = ()
    next_sentence: str = ""

    @property
    def upper_total(self) -> Quantity:
        """Upper end of the 95 % interval of the total error after the adjustment."""
        return self.after.total_error + self.after.t_limit * self.after.left

    @property
    def within_limit(self) -> bool:
        """Whether `upper_total` is within the limit."""
        return bool(self.upper_total <= self.limit)

    @property
    def changes_arcmin(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Change of each of the two axis terms and its standard error, arcmin."""
        change = np.subtract(self.after.aim, self.before.aim) / ARCMIN
        error = np.hypot(self.before.stderr_rad, self.after.stderr_rad) / ARCMIN
        return (float(change[0]), float(error[0])), (float(change[1]), float(error[1]))

    @property
    def disturbed(self) -> tuple[Change, ...]:
        """Terms other than the axis that changed beyond chance, though no bolt was to touch them."""
        axis = self.after.model.axis_terms
        return tuple(each for each in self.changes if each.beyond_chance and each.term not in axis)

    @property
    def table(self) -> QTable:
        """One row per term: before and after, the change with its standard error, p and verdict."""
        from astropy.table import QTable

        def column(values: Iterable[float]) -> Quantity:
            return np.array(list(values), float) * u.arcsec

        terms = [each.term for each in self.changes]
        return QTable(
            {
                "term": terms,
                "before": column(self.before.model.value(term).value for term in terms),
                "after": column(self.after.model.value(term).value for term in terms),
                "change": column(each.change_rad / ARCSEC for each in self.changes),
                "stderr": column(each.stderr_rad / ARCSEC for each in self.changes),
                "p": np.array([each.p for each in self.changes], float),
                "verdict": [each.verdict for each in self.changes],
            }
        )

    @property
    def terms(self) -> QTable:
        """The same as `table`."""
        return self.table

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the bolts did, what else changed, and what to do next."""
        found = [f"{each.sentence[0].upper()}{each.sentence[1:]}." for each in self.adjusters]
        found += [f"Also changed: {each.sentence}." for each in self.disturbed]
        if self.changes and not self.disturbed:
            found.append("No other term changed significantly (5 % level for all terms together).")
        found += [f"{each[0].upper()}{each[1:]}." for each in self.reservations]
        return (*found, self.next_sentence) if self.next_sentence else tuple(found)

    def summary(self) -> str:
        """Verdict, adjusters, other changes and the next move, in words."""
        return "\n".join([str(self), *self.sentences])

    def __str__(self) -> str:
        verdict = "within" if self.within_limit else "not shown to be within"
        return (
            f"The axis was {self.before.total_error.value:.2f}' off and is now {self.after.total_error.value:.2f}'"
            f" +- {self.after.left.value:.2f}' off: {verdict} the {self.limit.value:g}' limit."
        )


def compare(before: PolarAlignment, after: PolarAlignment, limit: Quantity | None = None) -> Comparison:
    """Compare the axis before and after an adjustment.

    Parameters
    ----------
    before, after : PolarAlignment
        Of the same mount.
    limit : Quantity, optional
        What the total error has to be within; default 30 arcmin.

    Returns
    -------
    Comparison
        The moves asked for are recomputed from `before`. Moves that missed and terms that changed are held to a
        family-wise 5 % by Holm's step-down over both adjusters and every term.

    Raises
    ------
    InputError
        If the two are of different mounts, are the same run, or are swapped in time; or the limit is not a positive
        angle.
    """
    bound = u.Quantity(DEFAULT_LIMIT_ARCMIN * u.arcmin if limit is None else limit)
    if (
        not bound.unit.is_equivalent(u.arcmin)
        or not bound.isscalar
        or not 0.0 < bound.to_value(u.arcmin) < np.inf
    ):
        raise InputError(f"limit must be an angle above zero; got {limit}", key="limit")
    if before.kind != after.kind or before.site.location != after.site.location:
        raise InputError(
            "before and after are of different mounts or sites; compare runs of one telescope", key="after"
        )
    models = before.model, after.model
    _check_order(*(model.run for model in models))
    changes, reservations = _changes(*models)
    adjusters = asked_and_made(before, after)
    # One family: every move that could have missed and every term that could have changed.
    beyond = holm([*(each.p for each in adjusters), *(each.p for each in changes)])
    next_moves, next_sentence = worth_making(after, float(bound.to_value(u.arcmin)))
    return Comparison(
        before,
        after,
        bound.to(u.arcmin),
        adjusters=tuple(
            replace(each, beyond_chance=bool(found)) for each, found in zip(adjusters, beyond, strict=False)
        ),
        changes=worded_changes(changes, beyond[len(adjusters) :], models, _MOMENTS),
        reservations=reservations,
        next_moves=next_moves,
        next_sentence=next_sentence,
    )


def _check_order(one: RunSummary, other: RunSummary) -> None:
    if one.fingerprint == other.fingerprint:
        raise InputError(
            "before and after are the same run; name the run taken after the adjustment", key="after"
        )
    if one.start_utc and other.start_utc and other.start_utc < one.start_utc:
        raise InputError(
            f"the run after the adjustment ({other.start_utc[:16]}) was taken before the other ({one.start_utc[:16]});"
            " swap them",
            key="after",
        )


def _changes(before: FittedModel, after: FittedModel) -> tuple[list[Change], tuple[str, ...]]:
    """Change of every term between the two models, and what could not be compared."""
    if before.names != after.names:
        odd = ", ".join(sorted({*before.names} ^ {*after.names}))
        return [], (
            f"the terms are not compared: the models differ in {odd}; fit both runs with the same terms",
        )
    changes, reservations = changes_between(before, after, *_MOMENTS, set())
    return changes, tuple(reservations)

"""Two runs, one before and one after the bolts were turned: did the adjustment work."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.adjustment import asked_and_made, worth_making
from skysample.errors import InputError
from skysample.fitting.multiple_tests import holm
from skysample.geometry import ARCSEC
from skysample.scoring.changes import changes_between, worded

if TYPE_CHECKING:
    from astropy.table import QTable
    from astropy.units import Quantity

    from skysample.alignment import PolarAlignment
    from skysample.alignment.adjustment import Asked
    from skysample.alignment.wedge import Move
    from skysample.scoring.changes import Change

__all__ = ["DEFAULT_LIMIT_ARCMIN", "Comparison", "compare"]

DEFAULT_LIMIT_ARCMIN = 30.0
"""Within which an axis is brought easily (common practice, no source)."""

_MOMENTS = ("the first run", "the second run")


@dataclass(frozen=True)
class Comparison:
    """What an adjustment did.

    Attributes
    ----------
    before, after : PolarAlignment
    limit : Quantity
        On the total error, arcmin.
    adjusters : tuple of Asked
        What each adjuster was asked to do, and what it did.
    changes : tuple of Change
        Every term of the two models, with the change and its error; empty where they cannot be compared.
    reservations : tuple of str
        What could not be compared, and why.
    next_moves : tuple of Move
        Those still worth making, in the order to turn them.
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
        """The total error after, plus its 95 % half width."""
        return self.after.total_error + self.after.t_limit * self.after.left

    @property
    def within_limit(self) -> bool:
        """Whether the axis is shown to be within the limit: the upper end of the 95 % interval is."""
        return bool(self.upper_total <= self.limit)

    @property
    def changes_arcmin(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """For each of the two axis terms how far it moved, and the standard error of that, arcmin."""
        to_arcmin = float(np.degrees(1.0) * 60.0)
        first, second = (
            (float(b - a) * to_arcmin, float(np.hypot(ea, eb)) * to_arcmin)
            for a, b, ea, eb in zip(
                (self.before.first_rad, self.before.second_rad),
                (self.after.first_rad, self.after.second_rad),
                self.before.stderr_rad,
                self.after.stderr_rad,
                strict=True,
            )
        )
        return first, second

    @property
    def disturbed(self) -> tuple[Change, ...]:
        """Terms beside the axis that changed beyond chance: nobody was asked to touch them."""
        axis = () if self.after.model is None else self.after.model.axis_terms
        return tuple(each for each in self.changes if each.beyond_chance and each.term not in axis)

    @property
    def terms(self) -> QTable:
        """One row a term: before and after with standard errors, the change, its p and its verdict."""
        from astropy import units as u
        from astropy.table import QTable

        rows = [
            (
                each,
                *(model.value(each.term).value for model in (self.before.model, self.after.model) if model),
            )
            for each in self.changes
        ]
        return QTable(
            {
                "term": [each.term for each, *_ in rows],
                "before": np.array([before for _, before, _ in rows], float) * u.arcsec,
                "after": np.array([after for _, _, after in rows], float) * u.arcsec,
                "change": np.array([each.change_rad / ARCSEC for each, *_ in rows], float) * u.arcsec,
                "stderr": np.array([each.stderr_rad / ARCSEC for each, *_ in rows], float) * u.arcsec,
                "p": np.array([each.p for each, *_ in rows], float),
                "verdict": [each.verdict for each, *_ in rows],
            }
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the bolts did, what else changed, and what is worth doing next."""
        said = [f"{each.sentence[0].upper()}{each.sentence[1:]}." for each in self.adjusters]
        said += [f"Also changed: {each.sentence}." for each in self.disturbed]
        if self.changes and not self.disturbed:
            said.append("No other term changed beyond chance (family-wise 5 %).")
        said += [f"{each[0].upper()}{each[1:]}." for each in self.reservations]
        return (*said, self.next_sentence) if self.next_sentence else tuple(said)

    def __str__(self) -> str:
        verdict = "within" if self.within_limit else "not shown to be within"
        return (
            f"The axis was {self.before.total_error.value:.2f}' off and is now {self.after.total_error.value:.2f}'"
            f" +- {self.after.left.value:.2f}': {verdict} {self.limit.value:g}'."
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
        What was asked of the bolts is recomputed from `before`. Anything called missed, crept or changed is held to a
        family-wise 5 % by Holm's step-down over both adjusters and every term.

    Raises
    ------
    InputError
        If the two are of different mounts, are one run, or are swapped in time; or the limit is not a positive angle.
    """
    from astropy import units as u

    bound = u.Quantity(DEFAULT_LIMIT_ARCMIN * u.arcmin if limit is None else limit)
    if (
        not bound.unit.is_equivalent(u.arcmin)
        or not bound.isscalar
        or not 0.0 < bound.to_value(u.arcmin) < np.inf
    ):
        raise InputError(f"limit must be an angle above zero; got {limit}", key="limit")
    if before.kind != after.kind or before.site.location != after.site.location:
        raise InputError(
            "before and after are of different mounts or places; compare runs of one telescope", key="after"
        )
    _check_order(before, after)
    changes, reservations = _changes(before, after)
    adjusters = asked_and_made(before, after)
    # One family: everything that could be said to have gone wrong, or to have changed.
    beyond = holm([*(each.p for each in adjusters), *(each.p for each in changes)])
    next_moves, next_sentence = worth_making(after, float(bound.to_value(u.arcmin)))
    models = tuple(each.model for each in (before, after) if each.model is not None)
    return Comparison(
        before,
        after,
        bound.to(u.arcmin),
        adjusters=tuple(
            replace(each, beyond_chance=bool(found)) for each, found in zip(adjusters, beyond, strict=False)
        ),
        changes=tuple(
            replace(each, beyond_chance=True, sentence=worded(each, models, _MOMENTS)) if found else each
            for each, found in zip(changes, beyond[len(adjusters) :], strict=True)
        ),
        reservations=reservations,
        next_moves=next_moves,
        next_sentence=next_sentence,
    )


def _check_order(before: PolarAlignment, after: PolarAlignment) -> None:
    if before.model is None or after.model is None:
        return
    one, other = before.model.run, after.model.run
    if one.fingerprint == other.fingerprint:
        raise InputError("before and after are one run; name the run taken after the adjustment", key="after")
    if one.start_utc and other.start_utc and other.start_utc < one.start_utc:
        raise InputError(
            f"the run after the adjustment ({other.start_utc[:16]}) was taken before the other ({one.start_utc[:16]});"
            " swap them",
            key="after",
        )


def _changes(before: PolarAlignment, after: PolarAlignment) -> tuple[list[Change], tuple[str, ...]]:
    """Every term's change between the two models, and what could not be compared."""
    if before.model is None or after.model is None:
        return [], ()
    if before.model.names != after.model.names:
        odd = sorted({*before.model.names} ^ {*after.model.names})
        return [], (
            f"the terms are not compared: the models differ in {', '.join(odd)}; fit both runs with the same terms",
        )
    changes, said = changes_between(before.model, after.model, *_MOMENTS, set())
    return changes, tuple(said)

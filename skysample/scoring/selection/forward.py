"""The rounds of a selection: test all candidates together, add the best, exchange and drop what it makes redundant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.listeners import tell
from skysample.scoring.selection.candidates import Screening, linearise
from skysample.scoring.selection.largest_t import Family

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.fitting.gauss_newton import Observations
    from skysample.geometry import Array
    from skysample.plugins.contracts import Term

_AS_WELL = 3.84
"""Twice the difference of log-likelihoods below which two candidates do equally well (chi-square, one degree, 95 %)."""

_SPARE = 6
"""Degrees of freedom that the widest model leaves: with fewer Student's t alone would make intervals useless."""

_ALIKE = 0.5
"""Correlation from which two candidates that do equally well explain the same thing."""


@dataclass(frozen=True, slots=True)
class Added:
    """A term that was added, as it stands beside the rest of the final model.

    Attributes
    ----------
    name : str
    t, adjusted_p, threshold : float
        Its t, the chance that noise alone makes the largest |t| as large, and what noise exceeds in 5 % of nights.
    loo_before_rad, loo_after_rad : float
        Leave-one-out RMS without and with it.
    rivals : tuple of str
        Candidates like it that would do as well in its place.
    """

    name: str
    t: float
    adjusted_p: float
    threshold: float
    loo_before_rad: float
    loo_after_rad: float
    rivals: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Selected:
    """Candidates as they stand beside a fit.

    Attributes
    ----------
    beside : Screening
    dropped : mapping of str to str
        Terms that were added and that a later one made redundant, with that one's name; empty if that went too.
    tested : ndarray of bool, shape (m,)
        Which candidates are tested.
    family : Family or None
        Of those; None where there are none, or no degrees of freedom.
    added : tuple of Added
        Once the selection is done.
    widest : Screening or None
        Beside it, once that is done and something was added: the fit that carries all candidates too, as far as
        the points separate them.
    """

    beside: Screening
    dropped: Mapping[str, str]
    tested: NDArray[np.bool_]
    family: Family | None
    added: tuple[Added, ...] = ()
    widest: Screening | None = None

    @property
    def t(self) -> Array:
        """Student's t of each candidate, shape (m,); nan where not tested."""
        t = np.full(len(self.tested), np.nan)
        if self.family is not None:
            t[self.tested] = self.family.t(self.beside.residuals)
        return t

    def best(self) -> str | None:
        """The candidate to add: its t is beyond chance, and it lowers the leave-one-out error."""
        if self.family is None:
            return None
        t = np.abs(self.t)
        index = int(np.nanargmax(t))
        passes = t[index] > self.family.threshold and self.beside.gains_by(index)
        return self.beside.candidates[index] if passes else None

    def on(self, name: str) -> Added:
        """How one of the candidates would do; nan where it is not tested."""
        index = self.beside.candidates.index(name)
        t, before = float(self.t[index]), self.beside.loo_rms()
        if self.family is None or np.isnan(t):
            return Added(name, t, np.nan, np.nan, before, np.nan, ())
        p, after = self.family.adjusted_p(t), self.beside.loo_rms(index)
        return Added(name, t, p, self.family.threshold, before, after, self._rivals(index))

    def _rivals(self, index: int) -> tuple[str, ...]:
        beside, dof = self.beside, self.beside.dof
        others = self.tested.copy()
        others[index] = False
        gain = dof * np.log1p(self.t**2 / (dof - 1))
        own = beside.directions(np.arange(len(others)) == index)
        alike = np.abs(beside.directions(others).T @ own)[:, 0] > _ALIKE
        as_well = gain[index] - gain[others] < _AS_WELL
        return tuple(np.array(beside.candidates)[others][as_well & alike].tolist())


def choose(
    model: FittedModel,
    stays: Sequence[str],
    data: Observations,
    available: Mapping[str, Term],
    seed: int,
) -> Selected:
    """Choose terms for some points.

    Parameters
    ----------
    model : FittedModel
        Where the geometry is linearised: near what will be chosen, best of all with its terms.
    stays : sequence of str
        Terms of the model that are not up for choice.
    data : Observations
    available : mapping of str to Term
        Displacements; those that do not stay are candidates.
    seed : int

    Returns
    -------
    Selected
        Beside the final fit.
    """
    optional = [name for name in available if name not in stays]
    everything = linearise(model, optional, data, available)
    added: tuple[str, ...] = ()
    dropped: dict[str, str] = {}

    def tested(names: tuple[str, ...]) -> Selected:
        tell("choosing terms", len(names), len(optional))
        beside = everything.beside((*stays, *names))
        chosen = beside.separable & ~np.isin(beside.candidates, [*dropped]) & (beside.dof >= 2)
        family = Family(beside.directions(chosen), beside.dof, seed) if chosen.any() else None
        return Selected(beside, dict(dropped), chosen, family)

    while True:
        selected = tested(added)
        best = selected.best()
        if best is not None:
            added = _exchanged(everything, stays, (*added, best), dropped)
            continue
        confirmed = tuple(tested(_without(added, name)).on(name) for name in added)
        weak = next((each for each in confirmed if not abs(each.t) > each.threshold), None)
        if weak is None:
            widest = _widest(everything, selected) if confirmed else None
            return replace(selected, added=confirmed, widest=widest)
        added = _without(added, weak.name)
        dropped[weak.name] = added[-1] if added else ""


def _widest(everything: Screening, selected: Selected) -> Screening:
    """Carry the candidates too, the likeliest first, each that the points separate from those before it.

    Those that were dropped as well: what was judged redundant may yet be there.
    """
    wide = selected.beside
    for index in np.argsort(-np.nan_to_num(np.abs(selected.t), nan=-1.0), kind="stable"):
        name = selected.beside.candidates[index]
        if wide.dof > _SPARE and wide.separable[wide.candidates.index(name)]:
            wide = everything.beside((*wide.present, name))
    return wide


def _exchanged(
    everything: Screening, stays: Sequence[str], added: tuple[str, ...], dropped: Mapping[str, str]
) -> tuple[str, ...]:
    """Replace single terms by candidates that fit better in their place, until none does."""
    while len(added) > 1:
        beside = everything.beside((*stays, *added))
        found = ((old, beside.better_than(old, dropped)) for old in added)
        old, new = next(((old, new) for old, new in found if new is not None), ("", None))
        if new is None:
            break
        added = (*_without(added, old), new)
    return added


def _without(names: tuple[str, ...], name: str) -> tuple[str, ...]:
    return tuple(each for each in names if each != name)

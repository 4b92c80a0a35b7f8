"""Choose which further terms a model should carry: forward, by leave-one-out, at a family-wise 5 %.

Each round fits the present terms and looks at every candidate that the points separate from them. The one with the
largest |t| is added if pure noise reaches that in fewer than 5 % of nights (`largest_t`), and if the
leave-one-out RMS falls. The terms that the selection starts from all stay.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError
from skysample.fitting import FittedModel, fit
from skysample.geometry import arcsec
from skysample.plugins.registry import default_registry
from skysample.scoring.selection.candidates import (
    Candidate,
    detectable_rad,
    judged_candidates,
    judged_terms,
)
from skysample.scoring.selection.forward import Selected, choose
from skysample.scoring.selection.largest_t import POWER
from skysample.scoring.term_evidence import TermEvidence, term_evidence, used_points

if TYPE_CHECKING:
    from collections.abc import Sequence

    from astropy.table import QTable
    from astropy.units import Quantity

    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.site import Site

__all__ = ["POWER", "Candidate", "TermSelection", "select_terms"]

_ROUNDS = 5
"""How often points and terms are judged in turn before what stands is taken."""


@dataclass(frozen=True)
class TermSelection:
    """What a selection of terms came to; made by `skysample.select_terms`.

    Attributes
    ----------
    model : FittedModel
        With the terms that were chosen; its `selected` names those that were added.
    started_from : tuple of str
        The terms that were not up for choice.
    run : Run
        What it was chosen on.
    selected : Selected
        The candidates beside the final fit.
    """

    model: FittedModel
    started_from: tuple[str, ...]
    run: Run
    selected: Selected

    @property
    def added(self) -> tuple[str, ...]:
        """The terms that were added, in that order."""
        return tuple(each.name for each in self.selected.added)

    @property
    def limits(self) -> Array:
        """How many standard errors half a 95 % interval of each of the model's terms spans, shape (p,).

        Where nothing was added, Student's t. Where something was, a run with unnamed errors may hold more of them than
        were found: half an interval is then as wide as in the fit that carries every candidate that the points
        separate. An added term may stand for others: half its interval also spans what noise makes of the largest
        of all candidates in 5 % of nights, and the interval that it has in that fit.
        """
        plain = np.full(len(self.model.names), self.model.t_limit)
        widest = self.selected.widest
        if widest is None:
            return plain
        from scipy.special import stdtrit

        at = [widest.present.index(name) for name in self.model.names]
        half = float(stdtrit(widest.dof, 0.975)) * widest.stderr[at]
        added = {each.name: each.threshold for each in self.selected.added}
        chosen = np.array([added.get(name, 0.0) for name in self.model.names])
        here = self.selected.beside
        shift = np.abs(
            widest.values[at] - here.values[[here.present.index(name) for name in self.model.names]]
        )
        half += np.where(chosen > 0.0, shift, 0.0)
        return np.asarray(np.maximum(np.maximum(plain, chosen), half / self.model.stderr_rad))

    @cached_property
    def evidence(self) -> tuple[TermEvidence, ...]:
        """Every term of the model, judged; intervals by `limits`."""
        return judged_terms(term_evidence(self.model, self.run), self.limits, self.selected, self.model)

    @cached_property
    def candidates(self) -> tuple[Candidate, ...]:
        """Every term that was not in the model from the start: what became of it, and the size that would be found."""
        return judged_candidates(self.selected, self.model)

    @property
    def testable(self) -> tuple[str, ...]:
        """The candidates that were tested beside the final model and not added."""
        selected = self.selected
        return tuple(np.array(selected.beside.candidates)[selected.tested].tolist())

    def detectable(self, name: str) -> Quantity:
        """Size of a candidate that would be found, under its own name, in 80 % of nights like this one.

        It counts this run's points and noise, that all candidates are looked at, that others resemble it, and that the
        noise is itself an estimate.

        Parameters
        ----------
        name : str
            A candidate that was tested and not added.

        Returns
        -------
        Quantity
            Arcsec.

        Raises
        ------
        InputError
            If it is none.
        """
        if name not in self.testable:
            raise InputError(
                f"{name!r} was not tested beside this model; tested: {', '.join(self.testable) or 'none'}",
                key="name",
            )
        index = self.selected.beside.candidates.index(name)
        return arcsec(detectable_rad(self.selected, index))

    @property
    def terms(self) -> QTable:
        """The model's terms, one row each: the attributes of `TermEvidence`, angles in arcsec."""
        return _table(self.evidence, TermEvidence.__slots__)

    @property
    def tried(self) -> QTable:
        """The candidates, one row each: the attributes of `Candidate`, angles in arcsec."""
        return _table(self.candidates, Candidate.__slots__)

    @property
    def table(self) -> QTable:
        """The same as `tried`."""
        return self.tried

    @property
    def note(self) -> str:
        """How the intervals are to be read."""
        if not self.added:
            return "The 95 % intervals are the usual ones: nothing was added."
        return (
            "The 95 % intervals allow for the selection: they are as wide as if every candidate that these points can"
            " separate were in the model. An added term may stand in for a similar one, or for noise; then its interval"
            " does not cover the true value."
        )

    def summary(self) -> str:
        """How many candidates were tested, and which were added."""
        count = len(self.selected.beside.candidates) + len(self.added)
        tested = len(self.testable) + len(self.added)
        what = f"added {', '.join(self.added)}" if self.added else "none added"
        return f"{count} candidate terms, {tested} testable with these points: {what}"

    def __str__(self) -> str:
        return self.summary()


def select_terms(
    run: Run,
    site: Site,
    terms: Sequence[str] | None = None,
    *,
    seed: int = 0,
    registry: Registry | None = None,
) -> TermSelection:
    """Choose which further terms a run calls for, and fit them.

    Candidates are all displacements that core and plugins offer for the mount and that `terms` does not hold.
    Points are judged anew with the terms that were chosen, and terms with the points, until neither changes.

    Parameters
    ----------
    run : Run
    site : Site
    terms : sequence of str, optional
        What to start from, and what stays; default: the standard set for the mount kind.
    seed : int
        Of the draws behind thresholds and detectable sizes; the same seed gives the same answer.
    registry : Registry, optional
        Where displacements come from; default: everything installed.

    Returns
    -------
    TermSelection

    Raises
    ------
    NotDetermined, InputError, NoSolution
        As `skysample.fit` does.
    """
    available = (registry or default_registry()).terms(site.mount, site.plugins)
    model = fit(run, site, terms, registry=registry)
    stays = model.names
    for _ in range(_ROUNDS):
        selected = choose(model, stays, used_points(model, run), available, seed)
        chosen = {*stays, *(each.name for each in selected.added)}
        if chosen == {*model.names}:
            break
        model = fit(run, site, sorted(chosen), registry=registry)
    model = replace(model, selected=tuple(each.name for each in selected.added))
    return TermSelection(model, stays, run, selected)


def _table(rows: Sequence[TermEvidence | Candidate], fields: Sequence[str]) -> QTable:
    from astropy.table import QTable

    columns: dict[str, Any] = {}
    for name in fields:
        values = [getattr(row, name) for row in rows]
        if name.endswith("_rad"):
            columns[name.removesuffix("_rad")] = arcsec(values)
        else:
            columns[name] = ["" if value is None else value for value in values]
    return QTable(columns)

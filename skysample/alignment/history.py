"""What moved between two or more models of one telescope: metal, or only the zero of an encoder.

What is called moved is held to a family-wise 5 % by Holm's step-down over all that is compared.
"""

from __future__ import annotations

import html
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.axis_movement import AxisMovement, alignments, axis_movement
from skysample.errors import InputError, NotDetermined
from skysample.fitting.multiple_tests import holm
from skysample.geometry import ARCSEC
from skysample.plugins.guarded_calls import is_own
from skysample.scoring.changes import Change, changes_between, worded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from astropy.table import QTable

    from skysample.fitting import FittedModel
    from skysample.site import Site

__all__ = ["AxisMovement", "Change", "History", "history"]


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
    aimed, reservations = alignments(ordered, moments)
    skipped = set() if aimed else set(ordered[0].axis_terms)

    changes: list[Change] = []
    for first, last in spans:
        found, said = changes_between(ordered[first], ordered[last], moments[first], moments[last], skipped)
        changes += found
        reservations += said
    beyond = holm([each.p for each in changes])
    judged = [
        replace(each, beyond_chance=True, sentence=worded(each, ordered, moments)) if beyond[index] else each
        for index, each in enumerate(changes)
    ]
    axis = [
        axis_movement(aimed[first], aimed[last], moments[first], moments[last])
        for first, last in spans
        if aimed
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
        theirs = [each.name for each in model.function.terms if not is_own(each)]
        if theirs and model.plugins != first.plugins:
            raise InputError(
                f"{_named(model)} and {_named(first)} have {', '.join(theirs)} of a plugin, and differ in the tables"
                " [plugins] of the site file; fit both runs with one site file",
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

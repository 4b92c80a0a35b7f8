"""What moved between two or more models of one telescope: the mechanics, or only the zero of an encoder.

Everything reported as moved is held to a family-wise 5 % by Holm's step-down over all changes compared.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.alignment.axis_movement import AxisMovement, alignments, axis_movement
from skysample.errors import InputError, NotDetermined
from skysample.fitting.multiple_tests import holm
from skysample.geometry import ARCSEC
from skysample.plugins.guarded_calls import is_own
from skysample.scoring.changes import Change, changes_between, worded_changes

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
        Day of each run, with the time of day if two runs are of one day.
    changes : tuple of Change
        From each model to the next, and from the first to the last if there are more than two.
    axis : tuple of AxisMovement
        For the same pairs; empty if the axis is not determined.
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
        """Mechanical changes beyond chance."""
        return tuple(each for each in self.changes if each.moved)

    @property
    def axis_moved(self) -> bool:
        """Whether the primary axis moved."""
        return bool(self._axis_spans)

    @property
    def _axis_spans(self) -> set[tuple[str, str]]:
        """The pairs of moments between which the primary axis moved."""
        axis = self.models[0].axis_terms
        return {(each.since, each.until) for each in self.moved if each.term in axis}

    @property
    def sentences(self) -> tuple[str, ...]:
        """What moved, or that nothing did, and what could not be compared."""
        found = [each.sentence for each in self.changes if each.beyond_chance]
        found += [
            f"on the sky the axis moved {each.total.value:.2f}' +- {each.stderr.value:.2f}' between {each.since}"
            f" and {each.until}"
            for each in self.axis
            if (each.since, each.until) in self._axis_spans
        ]
        if not self.moved:
            found.append(
                f"no mechanical change detected ({len(self.changes)} changes compared, 5 % level for all together)"
            )
        return (*found, *self.reservations)

    @property
    def table(self) -> QTable:
        """One row per term and pair of models."""
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

    def summary(self) -> str:
        """What moved, in words."""
        return "\n".join(f"{each[0].upper()}{each[1:]}." for each in self.sentences)

    def __str__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(str(self))}</p>{self.table._repr_html_()}"


def history(models: Sequence[FittedModel], site: Site | None = None) -> History:
    """Find what moved between models of one telescope.

    Parameters
    ----------
    models : sequence of FittedModel
        Two or more, fitted with the same terms to different runs; in any order if every run has times.
    site : Site, optional
        To check that the models belong to it.

    Returns
    -------
    History

    Raises
    ------
    InputError
        If there are fewer than two models, two are of one run, or they differ in mount, latitude or terms.
    NotDetermined
        If a pointing model was active in the mount during a run: its terms then do not describe the mechanics.
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
        found, lost = changes_between(ordered[first], ordered[last], moments[first], moments[last], skipped)
        changes += found
        reservations += lost
    return History(
        models=ordered,
        moments=moments,
        changes=worded_changes(changes, holm([each.p for each in changes]), ordered, moments),
        axis=tuple(
            axis_movement(aimed[first], aimed[last], moments[first], moments[last])
            for first, last in spans
            if aimed
        ),
        reservations=tuple(reservations),
    )


def _in_time(models: Sequence[FittedModel]) -> tuple[FittedModel, ...]:
    if len(models) < 2:
        raise InputError(f"{len(models)} model cannot show what moved; give two or more", key="models")
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
                f"{_named(model)} and {_named(first)} have different terms ({', '.join(odd)}), so their values cannot"
                " be compared; fit both runs with the same --terms",
                key="models",
            )
        theirs = [each.name for each in model.function.terms if not is_own(each)]
        if theirs and model.plugins != first.plugins:
            raise InputError(
                f"{_named(model)} and {_named(first)} have {', '.join(theirs)} of a plugin, and differ in the tables"
                " [plugins] of the site file; fit both runs with the same site file",
                key="models",
            )
        if any(model.run.fingerprint == other.run.fingerprint for other in models[:number]):
            raise InputError(
                f"{_named(model)} is given twice, or two models are of the same run; give models of different runs",
                key="models",
            )
        if model.run.axes_kind == "corrected" or model.run.old_model == "on":
            raise NotDetermined(
                f"not determined: a pointing model was active in the mount during the run of {_named(model)}, so its"
                " terms show only what that model leaves; give models fitted to raw readings"
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

"""A model's file: JSON that reads back to the same predictions."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Annotated, Any

import msgspec
import numpy as np

from skysample.errors import InputError
from skysample.files.structs import typed
from skysample.files.whole_files import check_format, read_json, write_json
from skysample.fitting.model import FittedModel, Rejection, RunSummary, WeakPair
from skysample.fitting.pointing import PointingFunction
from skysample.geometry import ARCSEC
from skysample.plugins.contracts import ROTATIONS
from skysample.plugins.registry import default_registry
from skysample.runs import AxesKind, OldModel
from skysample.site import Mount
from skysample.site.reading import check_mount

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry

__all__ = ["MODEL_FORMAT", "load_model", "save_model"]

MODEL_FORMAT, VERSION = "skysample-model", 1


MOST_ARCSEC = 1e8
"""Several dozen turns: what a coefficient may be, and more than any can be."""

NotNegative = Annotated[float, msgspec.Meta(ge=0.0)]
Count = Annotated[int, msgspec.Meta(ge=0, le=1_000_000_000)]


class _SavedTerm(msgspec.Struct, frozen=True):
    name: str
    value_arcsec: Annotated[float, msgspec.Meta(ge=-MOST_ARCSEC, le=MOST_ARCSEC)]
    stderr_arcsec: NotNegative


class _SavedRejection(msgspec.Struct, frozen=True):
    row: Count
    frame: str | None
    reason: str


class _SavedRun(msgspec.Struct, frozen=True):
    source: str
    points: Count
    used: Count
    rejected: list[_SavedRejection]
    rows: list[Count]
    rms_arcsec: NotNegative
    axes: AxesKind
    old_model: OldModel
    session: str
    fingerprint: str
    start_utc: str
    end_utc: str


class _SavedModel(msgspec.Struct, frozen=True):
    format: str
    version: int
    mount: Mount
    latitude_deg: Annotated[float, msgspec.Meta(ge=-90.0, le=90.0)]
    terms: list[_SavedTerm]
    covariance_arcsec2: list[list[float]]
    sigma_arcsec: NotNegative
    dof: Annotated[int, msgspec.Meta(ge=1, le=1_000_000_000)]
    condition: NotNegative
    weak_pairs: list[tuple[str, str, float]]
    run: _SavedRun
    selected: list[str] = []
    plugins: dict[str, dict[str, Any]] = {}


def save_model(model: FittedModel, path: str | os.PathLike[str]) -> None:
    """Write a model, whole or not at all.

    Raises
    ------
    InputError
        If a plugin's table in the site holds what JSON cannot (a number that is not finite).
    """
    run = model.run
    saved = _SavedModel(
        format=MODEL_FORMAT,
        version=VERSION,
        mount=model.mount,
        latitude_deg=float(np.degrees(model.function.latitude_rad)),
        terms=[
            _SavedTerm(name, float(value / ARCSEC), float(error / ARCSEC))
            for name, value, error in zip(model.names, model.values_rad, model.stderr_rad, strict=True)
        ],
        covariance_arcsec2=(model.covariance_rad2 / ARCSEC**2).tolist(),
        sigma_arcsec=float(model.sigma_rad / ARCSEC),
        dof=model.dof,
        condition=model.condition,
        weak_pairs=[(*weak.pair, min(weak.condition, 1e300)) for weak in model.weak_pairs],
        run=_SavedRun(
            source=run.source,
            points=run.points,
            used=run.used,
            rejected=[_SavedRejection(each.row, each.frame, each.reason) for each in run.rejected],
            rows=list(run.rows),
            rms_arcsec=run.rms_rad / ARCSEC,
            axes=run.axes_kind,
            old_model=run.old_model,
            session=run.session,
            fingerprint=run.fingerprint,
            start_utc=run.start_utc,
            end_utc=run.end_utc,
        ),
        selected=list(model.selected),
        plugins={name: dict(table) for name, table in model.plugins.items()},
    )
    try:
        write_json(path, msgspec.to_builtins(saved))
    except InputError:
        raise
    except ValueError as error:
        raise InputError(
            f"the model cannot be written ({error}): a table [plugins.NAME] of the site holds what JSON cannot; correct"
            " it",
            key="plugins",
        ) from error


def load_model(path: str | os.PathLike[str], *, registry: Registry | None = None) -> FittedModel:
    """Read a model that `FittedModel.save` wrote.

    Parameters
    ----------
    path : path-like
    registry : Registry, optional
        Where the terms' code is looked up; default: everything installed.

    Returns
    -------
    FittedModel

    Raises
    ------
    InputError
        If the file is not a model, was written by a newer version, or carries a term that no installed plugin offers.
    """
    name = os.fspath(path)
    content = read_json(path)
    check_format(content, MODEL_FORMAT, VERSION, name)
    saved = typed(content, _SavedModel, file=name)
    check_mount(saved.mount, name)
    names = tuple(term.name for term in saved.terms)
    if not names or len(set(names)) < len(names):
        raise InputError(
            "is damaged (it has no terms, or one of them twice); save the model again", file=name, key="terms"
        )
    covariance = _covariance(saved, name)
    rotations = ROTATIONS[saved.mount.kind]
    if names != tuple(
        sorted(names, key=lambda each: rotations.index(each) if each in rotations else len(rotations))
    ):
        raise InputError(
            "is damaged (its rotations are out of order); save the model again", file=name, key="terms"
        )
    try:
        available = (registry or default_registry()).terms(saved.mount, saved.plugins)
    except InputError as error:
        raise InputError(error.message, file=name, key=error.key) from error
    missing = [each for each in names if each not in rotations and each not in available]
    if missing:
        raise InputError(
            f"carries the term {missing[0]!r}, which no installed plugin offers; install it",
            file=name,
            key="terms",
        )
    function = PointingFunction(
        saved.mount.kind,
        float(np.radians(saved.latitude_deg)),
        names,
        tuple(available[each] for each in names if each not in rotations),
    )
    run = saved.run
    return FittedModel(
        mount=saved.mount,
        function=function,
        values_rad=np.array([term.value_arcsec for term in saved.terms]) * ARCSEC,
        covariance_rad2=covariance * ARCSEC**2,
        sigma_rad=saved.sigma_arcsec * ARCSEC,
        dof=saved.dof,
        condition=saved.condition,
        weak_pairs=tuple(WeakPair((a, b), condition) for a, b, condition in saved.weak_pairs),
        run=RunSummary(
            run.source,
            run.points,
            run.used,
            tuple(Rejection(each.row, each.frame, each.reason) for each in run.rejected),
            tuple(run.rows),
            run.rms_arcsec * ARCSEC,
            run.axes,
            run.old_model,
            run.session,
            run.fingerprint,
            run.start_utc,
            run.end_utc,
        ),
        selected=_selected(saved, name),
        plugins=saved.plugins,
    )


def _selected(saved: _SavedModel, name: str) -> tuple[str, ...]:
    """Terms that a selection added: some of the model's own."""
    if not {*saved.selected} <= {term.name for term in saved.terms}:
        raise InputError(
            "is damaged (it names a selected term that it does not have); save the model again",
            file=name,
            key="selected",
        )
    return tuple(saved.selected)


def _covariance(saved: _SavedModel, name: str) -> Array:
    """Covariance of the terms, arcsec squared: square, symmetric, no variance below zero, and that of the errors."""
    rows, errors = saved.covariance_arcsec2, np.array([term.stderr_arcsec for term in saved.terms])
    count = len(errors)

    def damaged(what: str) -> InputError:
        return InputError(
            f"is damaged (its covariance is not {what}); save the model again",
            file=name,
            key="covariance_arcsec2",
        )

    if len(rows) != count or any(len(row) != count for row in rows):
        raise damaged(f"{count} by {count}")
    covariance = np.array(rows, float).reshape(count, count)
    if not np.allclose(np.sqrt(np.maximum(np.diag(covariance), 0.0)), errors, rtol=1e-6, atol=1e-12):
        raise damaged("that of its standard errors")
    scale = np.where(errors > 0.0, errors, 1.0)
    correlation = covariance / np.outer(scale, scale)
    if not np.allclose(correlation, correlation.T, atol=1e-6) or np.linalg.eigvalsh(correlation)[0] < -1e-6:
        raise damaged("one that errors can have")
    return covariance

"""Read a model's file back, and refuse a damaged one."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.files.structs import typed
from skysample.files.whole_files import check_format, read_json
from skysample.fitting.model import FittedModel, Rejection, RunSummary, WeakPair
from skysample.fitting.model_file import MODEL_FORMAT, VERSION, SavedModel
from skysample.fitting.pointing import PointingFunction
from skysample.geometry import ARCSEC
from skysample.plugins.contracts import ROTATIONS
from skysample.plugins.registry import default_registry
from skysample.site.reading import check_mount

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry

__all__ = ["load_model"]


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
    saved = typed(content, SavedModel, file=name)
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


def _selected(saved: SavedModel, name: str) -> tuple[str, ...]:
    """Terms that a selection added: some of the model's own."""
    if not {*saved.selected} <= {term.name for term in saved.terms}:
        raise InputError(
            "is damaged (it names a selected term that it does not have); save the model again",
            file=name,
            key="selected",
        )
    return tuple(saved.selected)


def _covariance(saved: SavedModel, name: str) -> Array:
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

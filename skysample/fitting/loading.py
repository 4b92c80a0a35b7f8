"""Read a model's file back, and refuse a damaged one."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.files.structs import typed
from skysample.files.whole_files import check_format, read_json
from skysample.fitting.model import FittedModel, Rejection, RunSummary, WeakPair
from skysample.fitting.model_file import MODEL_FORMAT, RUN_KEYS, VERSION, SavedModel
from skysample.fitting.pointing import PointingFunction
from skysample.geometry import ARCSEC
from skysample.plugins.contracts import ROTATIONS
from skysample.plugins.registry import default_registry
from skysample.site.reading import check_mount

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry


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
        raise _damaged("it has no terms, or one of them twice", name, "terms")
    covariance = _covariance(saved, name)
    rotations = ROTATIONS[saved.mount.kind]
    if names[: len({*names} & {*rotations})] != tuple(each for each in rotations if each in names):
        raise _damaged("its rotations are out of order", name, "terms")
    if not {*saved.selected} <= {*names}:
        raise _damaged("it names a selected term that it does not have", name, "selected")
    try:
        available = (registry or default_registry()).terms(saved.mount, saved.plugins)
    except InputError as error:
        raise InputError(error.message, file=name, key=error.key) from error
    missing = [each for each in names if each not in rotations and each not in available]
    if missing:
        raise InputError(
            f"has the term {missing[0]!r}, which no installed plugin offers; install that plugin",
            file=name,
            key="terms",
        )
    latitude_rad, run = float(np.radians(saved.latitude_deg)), saved.run
    return FittedModel(
        mount=saved.mount,
        function=PointingFunction.of(saved.mount.kind, latitude_rad, names, available),
        values_rad=np.array([term.value_arcsec for term in saved.terms]) * ARCSEC,
        covariance_rad2=covariance * ARCSEC**2,
        sigma_rad=saved.sigma_arcsec * ARCSEC,
        dof=saved.dof,
        condition=saved.condition,
        weak_pairs=tuple(WeakPair((a, b), condition) for a, b, condition in saved.weak_pairs),
        run=RunSummary(
            rejected=tuple(Rejection(each.row, each.frame, each.reason) for each in run.rejected),
            rows=tuple(run.rows),
            rms_rad=run.rms_arcsec * ARCSEC,
            axes_kind=run.axes,
            **{name: getattr(run, name) for name in RUN_KEYS},
        ),
        selected=tuple(saved.selected),
        plugins=saved.plugins,
    )


def _damaged(what: str, name: str, key: str) -> InputError:
    return InputError(f"is damaged ({what}); save the model again", file=name, key=key)


def _covariance(saved: SavedModel, name: str) -> Array:
    """Covariance of the terms, arcsec squared: square, symmetric, no variance below zero, and that of the errors."""
    rows, errors = saved.covariance_arcsec2, np.array([term.stderr_arcsec for term in saved.terms])
    count = len(errors)
    if len(rows) != count or any(len(row) != count for row in rows):
        raise _damaged(f"its covariance is not {count} by {count}", name, "covariance_arcsec2")
    covariance = np.array(rows, float).reshape(count, count)
    if not np.allclose(np.sqrt(np.maximum(np.diag(covariance), 0.0)), errors, rtol=1e-6, atol=1e-12):
        raise _damaged("its covariance does not match its standard errors", name, "covariance_arcsec2")
    scale = np.where(errors > 0.0, errors, 1.0)
    correlation = covariance / np.outer(scale, scale)
    if not np.allclose(correlation, correlation.T, atol=1e-6) or np.linalg.eigvalsh(correlation)[0] < -1e-6:
        raise _damaged("its covariance is not one that errors can have", name, "covariance_arcsec2")
    return covariance

"""The points of a run that a model was fitted to, as the fit saw them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.fitting import fingerprint, moment_of
from skysample.fitting.outliers import Observations

if TYPE_CHECKING:
    from skysample.fitting import FittedModel
    from skysample.runs import Run

__all__ = ["used_points"]


def used_points(model: FittedModel, run: Run) -> Observations:
    """Readings, solved directions, weights (1 / sigma, or ones) and moments of the n points that a model uses.

    Parameters
    ----------
    model : FittedModel
    run : Run
        The one that the model was fitted to.

    Returns
    -------
    Observations

    Raises
    ------
    InputError
        If it is another run.
    """
    if fingerprint(run) != model.run.fingerprint:
        raise InputError(
            f"this run is not the one that the model was fitted to"
            f" ({model.run.source or 'a run from memory'}); fit it first",
            key="run",
        )
    used = np.isin(run.rows, model.run.rows)
    weights = np.ones(int(used.sum())) if run.sigma_arcsec is None else 1.0 / run.sigma_arcsec[used]
    return Observations(run.axes[used], run.directions[used], weights, moment_of(run, used))

"""What a model's file holds, and how it is written: JSON that reads back to the same predictions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import msgspec
import numpy as np

from skysample.errors import InputError
from skysample.files.whole_files import write_json
from skysample.geometry import ARCSEC
from skysample.runs import AxesKind, OldModel
from skysample.site import Mount

if TYPE_CHECKING:
    import os

    from skysample.fitting.model import FittedModel

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
    trust: str = ""


RUN_KEYS = (
    "source",
    "points",
    "used",
    "old_model",
    "session",
    "fingerprint",
    "start_utc",
    "end_utc",
    "trust",
)
"""Keys of the run that stand in the file as they stand in the model."""


class SavedModel(msgspec.Struct, frozen=True):
    """A model's file: every attribute is a key."""

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
    saved = SavedModel(
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
            rejected=[_SavedRejection(each.row, each.frame, each.reason) for each in run.rejected],
            rows=list(run.rows),
            rms_arcsec=run.rms_rad / ARCSEC,
            axes=run.axes_kind,
            **{name: getattr(run, name) for name in RUN_KEYS},
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
            f"the model cannot be written ({error}): correct the table [plugins.NAME] of the site file that JSON cannot"
            " hold",
            key="plugins",
        ) from error

"""Sample the usable sky, order the points, fit and judge a telescope's pointing model, and say what to turn.

The public names are loaded when first used, so that importing this package costs little more than importing numpy.
"""

from __future__ import annotations

import logging
import sys
from importlib import import_module
from pkgutil import resolve_name
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from skysample.alignment import PolarAlignment, polar
    from skysample.alignment.comparing import Comparison, compare
    from skysample.alignment.history import History, history
    from skysample.alignment.star import AdjustingStar, adjusting_star
    from skysample.astrometry.observed_place import icrs_place, observed_place
    from skysample.errors import (
        InputError,
        NoSolution,
        NotDetermined,
        PluginError,
        SkysampleError,
        SkysampleWarning,
    )
    from skysample.fitting import FittedModel, fit, load_model
    from skysample.listeners import listening
    from skysample.planning import plan
    from skysample.planning.plan_file import read_plan
    from skysample.planning.plan_table import Plan
    from skysample.planning.resuming import resume
    from skysample.planning.session import Session
    from skysample.plugins import build_registry
    from skysample.runs import Run, read_run
    from skysample.runs.gathering import gather
    from skysample.runs.points_done import PointsDone, read_points_done
    from skysample.sampling import Grid, sample
    from skysample.scoring import Score, score
    from skysample.scoring.residual_tests import Structure, structure
    from skysample.scoring.selection import TermSelection, select_terms
    from skysample.site import Site, load_site
    from skysample.sizing import LearningCurve, PointsNeeded, learning_curve, points_needed
    from skysample.sizing.stopping import RunProgress, progress
    from skysample.sky import UsableSky, usable_sky
    from skysample.tracking_errors.log import TrackingLog, read_tracking_log
    from skysample.tracking_errors.quality import Tracking, tracking
    from skysample.tracking_errors.trails import Trails, trail
    from skysample.trust import Cause, Trust, check
    from skysample.version import __version__

_PUBLIC = {
    "alignment": ("PolarAlignment", "polar"),
    "alignment.comparing": ("Comparison", "compare"),
    "alignment.history": ("History", "history"),
    "alignment.star": ("AdjustingStar", "adjusting_star"),
    "astrometry.observed_place": ("icrs_place", "observed_place"),
    "errors": (
        "InputError",
        "NoSolution",
        "NotDetermined",
        "PluginError",
        "SkysampleError",
        "SkysampleWarning",
    ),
    "fitting": ("FittedModel", "fit", "load_model"),
    "listeners": ("listening",),
    "planning": ("plan",),
    "planning.plan_file": ("read_plan",),
    "planning.plan_table": ("Plan",),
    "planning.resuming": ("resume",),
    "planning.session": ("Session",),
    "plugins": ("build_registry",),
    "runs": ("Run", "read_run"),
    "runs.gathering": ("gather",),
    "runs.points_done": ("PointsDone", "read_points_done"),
    "sampling": ("Grid", "sample"),
    "scoring": ("Score", "score"),
    "scoring.residual_tests": ("Structure", "structure"),
    "scoring.selection": ("TermSelection", "select_terms"),
    "site": ("Site", "load_site"),
    "sizing": ("LearningCurve", "PointsNeeded", "learning_curve", "points_needed"),
    "sizing.stopping": ("RunProgress", "progress"),
    "sky": ("UsableSky", "usable_sky"),
    "tracking_errors.log": ("TrackingLog", "read_tracking_log"),
    "tracking_errors.quality": ("Tracking", "tracking"),
    "tracking_errors.trails": ("Trails", "trail"),
    "trust": ("Cause", "Trust", "check"),
    "version": ("__version__",),
}
"""Public names by the module they come from."""

_HOMES = {name: module for module, names in _PUBLIC.items() for name in names}

__all__ = [
    "AdjustingStar",
    "Cause",
    "Comparison",
    "FittedModel",
    "Grid",
    "History",
    "InputError",
    "LearningCurve",
    "NoSolution",
    "NotDetermined",
    "Plan",
    "PluginError",
    "PointsDone",
    "PointsNeeded",
    "PolarAlignment",
    "Run",
    "RunProgress",
    "Score",
    "Session",
    "Site",
    "SkysampleError",
    "SkysampleWarning",
    "Structure",
    "TermSelection",
    "Tracking",
    "TrackingLog",
    "Trails",
    "Trust",
    "UsableSky",
    "__version__",
    "adjusting_star",
    "build_registry",
    "check",
    "compare",
    "fit",
    "gather",
    "history",
    "icrs_place",
    "learning_curve",
    "listening",
    "load_model",
    "load_site",
    "observed_place",
    "plan",
    "points_needed",
    "polar",
    "progress",
    "read_plan",
    "read_points_done",
    "read_run",
    "read_tracking_log",
    "resume",
    "sample",
    "score",
    "select_terms",
    "structure",
    "tracking",
    "trail",
    "usable_sky",
]

_MOVED = {
    "adjustment": "alignment.adjustment",
    "camera_view": "alignment.star.camera",
    "gathering": "runs.gathering",
    "leftovers": "scoring.residual_tests",
    "moon_place": "astrometry.moon",
    "movements": "alignment.history",
    "movements.axis": "alignment.axis_movement",
    "movements.terms": "scoring.changes",
    "resuming": "planning.resuming",
    "resuming:read_plan": "planning.plan_file:read_plan",
    "resuming:read_progress": "runs.points_done:read_points_done",
    "run_progress": "runs.points_done",
    "run_progress:Progress": "runs.points_done:PointsDone",
    "run_progress:read_progress": "runs.points_done:read_points_done",
    "selection": "scoring.selection",
    "selection.forward": "scoring.selection.forward",
    "selection.verdicts": "scoring.selection.candidates",
    "session": "planning.session",
    "star_steps": "alignment.star.steps",
    "terms": "fitting.terms",
    "tracking_drift": "tracking_errors.trails",
    "tracking_quality": "tracking_errors.quality",
    "wedge": "alignment.wedge",
}
"""Modules and names that were documented elsewhere in version 0.1, and where they are now."""


class _MovedModule(ModuleType):
    """An earlier module: each name comes from where it is now."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        old = self.__name__.removeprefix("skysample.")
        return resolve_name(f"skysample.{_MOVED.get(f'{old}:{name}', f'{_MOVED[old]}:{name}')}")


sys.modules.update({f"skysample.{old}": _MovedModule(f"skysample.{old}") for old in _MOVED if ":" not in old})

logging.getLogger("skysample").addHandler(logging.NullHandler())


def __getattr__(name: str) -> Any:
    if name in _MOVED:
        return sys.modules[f"skysample.{name}"]
    if name not in _HOMES:
        raise AttributeError(f"module 'skysample' has no attribute {name!r}")
    value = getattr(import_module(f"skysample.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

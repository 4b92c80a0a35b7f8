"""Sample the usable sky, order the points, fit and judge a telescope's pointing model, and say what to turn.

The public names are loaded when first used, so that importing this package costs little more than importing numpy.
"""

from __future__ import annotations

import logging
from importlib import import_module
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
    from skysample.planning.plan_table import Plan
    from skysample.planning.session import Session
    from skysample.runs import Run, read_run
    from skysample.runs.gathering import gather
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

__version__ = "0.1.0"

_HOMES = {
    "AdjustingStar": "alignment.star",
    "Comparison": "alignment.comparing",
    "FittedModel": "fitting",
    "Grid": "sampling",
    "History": "alignment.history",
    "InputError": "errors",
    "LearningCurve": "sizing",
    "NoSolution": "errors",
    "NotDetermined": "errors",
    "Plan": "planning.plan_table",
    "PluginError": "errors",
    "PointsNeeded": "sizing",
    "PolarAlignment": "alignment",
    "Run": "runs",
    "RunProgress": "sizing.stopping",
    "Score": "scoring",
    "Session": "planning.session",
    "Site": "site",
    "SkysampleError": "errors",
    "SkysampleWarning": "errors",
    "Structure": "scoring.residual_tests",
    "TermSelection": "scoring.selection",
    "Tracking": "tracking_errors.quality",
    "TrackingLog": "tracking_errors.log",
    "Trails": "tracking_errors.trails",
    "UsableSky": "sky",
    "adjusting_star": "alignment.star",
    "compare": "alignment.comparing",
    "fit": "fitting",
    "gather": "runs.gathering",
    "history": "alignment.history",
    "icrs_place": "astrometry.observed_place",
    "learning_curve": "sizing",
    "listening": "listeners",
    "load_model": "fitting",
    "load_site": "site",
    "observed_place": "astrometry.observed_place",
    "plan": "planning",
    "points_needed": "sizing",
    "polar": "alignment",
    "progress": "sizing.stopping",
    "read_run": "runs",
    "read_tracking_log": "tracking_errors.log",
    "sample": "sampling",
    "score": "scoring",
    "select_terms": "scoring.selection",
    "structure": "scoring.residual_tests",
    "tracking": "tracking_errors.quality",
    "trail": "tracking_errors.trails",
    "usable_sky": "sky",
}

__all__ = [
    "AdjustingStar",
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
    "UsableSky",
    "__version__",
    "adjusting_star",
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
    "read_run",
    "read_tracking_log",
    "sample",
    "score",
    "select_terms",
    "structure",
    "tracking",
    "trail",
    "usable_sky",
]

logging.getLogger("skysample").addHandler(logging.NullHandler())


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'skysample' has no attribute {name!r}")
    value = getattr(import_module(f"skysample.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

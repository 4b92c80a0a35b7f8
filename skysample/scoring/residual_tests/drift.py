"""A drift with time: the axis or the tube moves steadily while the run goes on (added-variable F)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.scoring.residual_tests.residual_space import Examined
from skysample.scoring.residual_tests.wording import likelier_motion

if TYPE_CHECKING:
    from skysample.scoring.residual_tests.residual_space import Leftovers

__all__ = ["drift"]


def drift(left: Leftovers) -> Examined:
    """Ask whether axis and tube move in proportion to the time: four columns more."""
    name = "drift"
    if left.hours is None:
        return Examined(name, None, None, "the run has no times")
    span = float(np.ptp(left.hours))
    if span == 0.0:
        return Examined(name, None, None, "all points have the same time")
    course = (left.hours - left.hours.mean()) / span
    found = left.added(left.motion * course[:, None, None])
    if np.isnan(found.p):
        return Examined(name, None, None, "too few points")
    moved, cure = likelier_motion(left, course)
    return Examined(
        name,
        found.f,
        found.p,
        f"the points drift with time, as if {moved} within {span:.1f} h: {cure}",
        course,
    )

"""Points that move with the temperature: metal that grows, a mirror cell that tightens (added-variable F)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.scoring.residual_tests.residual_space import Examined
from skysample.scoring.residual_tests.wording import likelier_motion

if TYPE_CHECKING:
    from skysample.scoring.residual_tests.residual_space import Leftovers

__all__ = ["temperature"]

_TOGETHER = 0.8
"""Correlation from which on temperature and time are said to go together."""


def temperature(left: Leftovers) -> Examined:
    """Ask whether axis and tube move in proportion to the temperature: four columns more."""
    name = "temperature"
    warmth = left.temperature_c
    if warmth is None:
        return Examined(name, None, None, "not every point has a temperature")
    span = float(np.ptp(warmth))
    if span == 0.0:
        return Examined(name, None, None, "all points have the same temperature")
    course = (warmth - warmth.mean()) / span
    found = left.added(left.motion * course[:, None, None])
    if np.isnan(found.p):
        return Examined(name, None, None, "too few points")
    moved, _ = likelier_motion(left, course)
    together = ""
    if left.hours is not None and np.ptp(left.hours) > 0.0:
        correlation = float(np.corrcoef(left.hours, warmth)[0, 1])
        if abs(correlation) > _TOGETHER:
            together = f"; temperature and time went together ({correlation:+.2f}), so it may be a drift"
    return Examined(
        name,
        found.f,
        found.p,
        f"the points move with the temperature, as if {moved} over its {span:.1f} degrees: let tube and mount"
        f" come to the night's air before a run, or offer a term for it (a plugin){together}",
        course,
    )

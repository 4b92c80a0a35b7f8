"""A zero offset that looks like a slip of the clock or of the map, named."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from skysample.fitting.model import FittedModel
    from skysample.site import Site

__all__ = ["zero_hints"]

_NEAR_DEG = 0.75
_HOUR_DEG = 15.0411
"""How far the sky turns in an hour of clock time."""


def zero_hints(model: FittedModel, site: Site) -> tuple[str, ...]:
    """Sentences about a primary zero offset that is near whole hours of hour angle, or twice the longitude.

    Parameters
    ----------
    model : FittedModel
    site : Site

    Returns
    -------
    tuple of str
        Empty for `altaz`, where neither slip is a mere zero offset.
    """
    if model.kind == "altaz" or "primary_zero" not in model.names:
        return ()
    zero = float(np.degrees(model.values_rad[model.names.index("primary_zero")]))
    zero = (zero + 180.0) % 360.0 - 180.0
    if abs(zero) < 2.0 * _NEAR_DEG:
        return ()
    hints = []
    for sign in (1.0, -1.0):
        twice = (sign * 2.0 * site.location.longitude_deg + 180.0) % 360.0 - 180.0
        if abs(twice) > 2.0 * _NEAR_DEG and abs(zero - twice) < _NEAR_DEG:
            hints.append(
                f"the primary zero is {zero:+.2f} deg, twice the longitude: is the sign of the longitude right?"
            )
            break
    hours = round(zero / _HOUR_DEG)
    if hours and abs(zero - hours * _HOUR_DEG) < _NEAR_DEG:
        hints.append(
            f"the primary zero is {zero:+.2f} deg, the sky's turn in {hours:+d} h: was local time logged for UTC?"
        )
    return tuple(hints)

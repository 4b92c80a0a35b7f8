"""How far the primary axis itself moved, by the directions that it aimed at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment import polar
from skysample.errors import NotDetermined
from skysample.geometry import ARCSEC, separation, wrap_pi
from skysample.site import Location, Site

if TYPE_CHECKING:
    from astropy.units import Quantity

    from skysample.alignment import PolarAlignment
    from skysample.fitting import FittedModel

__all__ = ["AxisMovement", "alignments", "axis_movement"]


@dataclass(frozen=True, slots=True)
class AxisMovement:
    """How far the primary axis itself moved: the angle between where it aimed and where it aims.

    Attributes
    ----------
    since, until : str
    total, stderr : Quantity
        Arcmin on the sky; `total` is at least 0 and so exceeds the truth where that is near 0.
    """

    since: str
    until: str
    total: Quantity
    stderr: Quantity


def alignments(
    models: tuple[FittedModel, ...], moments: tuple[str, ...]
) -> tuple[list[PolarAlignment], list[str]]:
    """Where the axis aimed in each model; nothing but the reason if one of them does not determine it."""
    found = []
    for model, moment in zip(models, moments, strict=True):
        # The longitude is not in a model, and where the axis aims does not depend on it.
        place = Location(latitude_deg=float(np.degrees(model.function.latitude_rad)), longitude_deg=0.0)
        try:
            found.append(polar(model, Site(location=place, mount=model.mount)))
        except NotDetermined as error:
            return [], [f"the primary axis is not compared, by {moment}: {error}"]
    return found, []


def axis_movement(before: PolarAlignment, after: PolarAlignment, since: str, until: str) -> AxisMovement:
    """Angle between the axis before and after, with the error of the step along which it went."""
    from astropy import units as u

    total = float(separation(before.axis, after.axis))
    shrink = np.array([1.0, np.sin(np.arccos(before.axis[2])) if before.equatorial else 1.0])
    move = shrink * np.array(
        [after.first_rad - before.first_rad, wrap_pi(after.second_rad - before.second_rad)]
    )
    covariance = np.outer(shrink, shrink) * (before.covariance_rad2 + after.covariance_rad2)
    length = float(np.linalg.norm(move))
    along = move / length if length > 0.0 else np.array([1.0, 0.0])
    to_arcmin = 1.0 / ARCSEC / 60.0
    return AxisMovement(
        since,
        until,
        total * to_arcmin * u.arcmin,
        float(np.sqrt(along @ covariance @ along)) * to_arcmin * u.arcmin,
    )

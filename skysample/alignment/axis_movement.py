"""How far the primary axis moved on the sky."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.alignment import polar
from skysample.alignment.wedge import ARCMIN
from skysample.errors import NotDetermined
from skysample.geometry import separation, wrap_pi
from skysample.site import Location, Site

if TYPE_CHECKING:
    from astropy.units import Quantity

    from skysample.alignment import PolarAlignment
    from skysample.fitting import FittedModel


@dataclass(frozen=True, slots=True)
class AxisMovement:
    """Angle on the sky between the primary axis of an earlier and of a later model.

    Attributes
    ----------
    since, until : str
        Days of the two runs.
    total, stderr : Quantity
        Arcmin on the sky; `total` cannot be negative, so it is biased high near 0.
    """

    since: str
    until: str
    total: Quantity
    stderr: Quantity


def alignments(
    models: tuple[FittedModel, ...], moments: tuple[str, ...]
) -> tuple[list[PolarAlignment], list[str]]:
    """Alignment of each model; if one of them does not determine the axis, none and the reason."""
    found = []
    for model, moment in zip(models, moments, strict=True):
        # A model holds no longitude, and the axis does not depend on it.
        place = Location(latitude_deg=float(np.degrees(model.function.latitude_rad)), longitude_deg=0.0)
        try:
            found.append(polar(model, Site(location=place, mount=model.mount)))
        except NotDetermined as error:
            return [], [f"the primary axis is not compared; {moment}: {error}"]
    return found, []


def axis_movement(before: PolarAlignment, after: PolarAlignment, since: str, until: str) -> AxisMovement:
    """Angle between the axis before and after, with the error along the direction in which it moved."""
    total = float(separation(before.axis, after.axis))
    shrink = np.array([1.0, np.sin(np.arccos(before.axis[2])) if before.equatorial else 1.0])
    move = shrink * wrap_pi(np.subtract(after.aim, before.aim))
    covariance = np.outer(shrink, shrink) * (before.covariance_rad2 + after.covariance_rad2)
    length = float(np.linalg.norm(move))
    along = move / length if length > 0.0 else np.array([1.0, 0.0])
    stderr = float(np.sqrt(along @ covariance @ along))
    return AxisMovement(since, until, total / ARCMIN * u.arcmin, stderr / ARCMIN * u.arcmin)

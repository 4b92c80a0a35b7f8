"""Levelling the base of an alt-azimuth mount: how far each foot, or the shim under it, has to lift it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.site import Wedge


@dataclass(frozen=True, slots=True)
class FootMove:
    """How far one foot has to lift the base.

    Attributes
    ----------
    az_deg : float
        Azimuth at which the foot stands, from the middle of the base.
    raise_mm : float
        Never negative: the foot that stands highest stays, the others come up to it.
    stderr_mm : float
        Against the foot that stays.
    turns : float or None
        Of its screw, where the site file describes it.
    bolt : str or None
        "clockwise" or "counter-clockwise".
    """

    az_deg: float
    raise_mm: float
    stderr_mm: float
    turns: float | None = None
    bolt: Literal["clockwise", "counter-clockwise"] | None = None

    def __str__(self) -> str:
        where = f"Foot at azimuth {self.az_deg:g}"
        if self.raise_mm == 0.0:
            return f"{where}: leave it as it is"
        text = f"{where}: raise by {self.raise_mm:.2f} mm +- {self.stderr_mm:.2f} mm"
        return text if self.turns is None else f"{text}: {self.turns:.2f} turns {self.bolt}"


def foot_moves(
    north_rad: float, east_rad: float, covariance_rad2: Array, wedge: Wedge | None
) -> tuple[FootMove, ...]:
    """How far each foot has to rise until the azimuth axis is upright.

    A base that leans by the rotation vector w = (-north, east, 0) carries a foot at p to height -(w x p) sin|w| / |w|
    below where it belongs (the vertical part of Rodrigues' formula, exact); all are counted from the highest.

    Parameters
    ----------
    north_rad, east_rad : float
        Lean of the azimuth axis.
    covariance_rad2 : ndarray, shape (2, 2)
        Of the two.
    wedge : Wedge or None
        For where the feet stand.

    Returns
    -------
    tuple of FootMove
        In the order of the site file; empty where it does not describe the feet.
    """
    if wedge is None or wedge.feet_az_deg is None or wedge.feet_radius_mm is None:
        return ()
    azimuth = np.radians(wedge.feet_az_deg)
    lever = wedge.feet_radius_mm * np.stack([np.cos(azimuth), np.sin(azimuth)], axis=-1)
    low = lever @ np.array([north_rad, east_rad]) * np.sinc(np.hypot(north_rad, east_rad) / np.pi)
    highest = int(np.argmin(low))
    lift, against = low - low[highest], lever - lever[highest]
    stderr = np.sqrt(np.einsum("fi,ij,fj->f", against, covariance_rad2, against))
    return tuple(
        _foot(az, float(mm), float(error), wedge)
        for az, mm, error in zip(wedge.feet_az_deg, lift, stderr, strict=True)
    )


def _foot(az_deg: float, raise_mm: float, stderr_mm: float, wedge: Wedge) -> FootMove:
    if wedge.feet_pitch_mm is None:
        return FootMove(az_deg, raise_mm, stderr_mm)
    bolt: Literal["clockwise", "counter-clockwise"] = (
        "clockwise" if wedge.feet_clockwise == "raise" else "counter-clockwise"
    )
    return FootMove(az_deg, raise_mm, stderr_mm, raise_mm / wedge.feet_pitch_mm, bolt)

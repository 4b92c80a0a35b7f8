"""Azimuth wobble: a bearing or track that is not flat rocks an alt-az twice a turn (elementary geometry).

Once a turn is the lean of the axis (`tilt_north`, `tilt_east`); twice is the first thing that is left: a saddle, as a
track sags between its supports or three feet and two rails do not agree.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing


@dataclass(frozen=True)
class AzimuthWobble:
    """A mount that nods, or rolls, by the coefficient times sin or cos of twice the azimuth reading.

    Parameters
    ----------
    motion : {"nod", "roll"}
        A nod leans the axis back, away from where the tube looks: the tube goes up. A roll leans it to the right of
        that: the tube goes clockwise by the sine of the altitude, as by `axis_skew`.
    part : {"sin", "cos"}
    """

    motion: Literal["nod", "roll"]
    part: Literal["sin", "cos"]
    name: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", f"azimuth_{self.motion}_{self.part}")

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement per radian, shape (n, 2): clockwise and up."""
        twice = 2.0 * pointing.primary
        wave = np.sin(twice) if self.part == "sin" else np.cos(twice)
        zero = np.zeros_like(wave)
        components = [zero, wave] if self.motion == "nod" else [wave * np.sin(pointing.alt), zero]
        return np.stack(components, axis=-1)

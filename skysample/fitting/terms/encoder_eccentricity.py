"""Encoder errors: a scale off its axis misreads by a sine of the reading, an oval one by that of twice the reading.

Elementary geometry. Two reading heads opposite each other, averaged, cancel the first and leave the second.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from skysample.fitting.terms.axis_slip import axis_slip

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing


@dataclass(frozen=True)
class EncoderEccentricity:
    """The true angle of one axis exceeds the reading by the coefficient times sin or cos of (twice) the reading.

    Parameters
    ----------
    kind : str
        Of mount.
    axis : {"primary", "secondary"}
        Whose encoder.
    part : {"sin", "cos"}
        Of the mechanical reading.
    periods : {1, 2}
        In one turn: 1 for a scale off its centre, 2 for an oval one.
    """

    kind: str
    axis: Literal["primary", "secondary"]
    part: Literal["sin", "cos"]
    periods: Literal[1, 2] = 1
    name: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", f"{self.axis}_{self.part}{'_twice' if self.periods == 2 else ''}")

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement per radian, shape (n, 2)."""
        reading = self.periods * (pointing.primary if self.axis == "primary" else pointing.secondary)
        wave = np.sin(reading) if self.part == "sin" else np.cos(reading)
        return axis_slip(self.kind, self.axis, wave, pointing)

"""Encoder eccentricity: a scale centred off its axis misreads by a sine of the reading (elementary geometry)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing

__all__ = ["EncoderEccentricity"]


@dataclass(frozen=True)
class EncoderEccentricity:
    """The true angle of one axis exceeds the reading by the coefficient times sin or cos of the reading.

    Parameters
    ----------
    kind : str
        Of mount.
    axis : {"primary", "secondary"}
        Whose encoder.
    part : {"sin", "cos"}
        Of the mechanical reading.
    """

    kind: str
    axis: Literal["primary", "secondary"]
    part: Literal["sin", "cos"]
    name: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", f"{self.axis}_{self.part}")

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement per radian, shape (n, 2); a growing secondary angle moves a flipped tube the other way."""
        reading = pointing.primary if self.axis == "primary" else pointing.secondary
        wave = np.sin(reading) if self.part == "sin" else np.cos(reading)
        zero = np.zeros_like(wave)
        if self.axis == "primary":
            height = pointing.alt if self.kind == "altaz" else pointing.dec
            return np.stack([wave * np.cos(height), zero], axis=-1)
        return np.stack([zero, wave * pointing.pier], axis=-1)

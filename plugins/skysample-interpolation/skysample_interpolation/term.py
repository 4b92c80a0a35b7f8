"""Interpolation error of a two-channel encoder: once per signal period from offsets, twice from gain and phase.

Source: Heydemann, "Determination and correction of quadrature fringe measurement errors in interferometers", Applied
Optics 20, 3382 (1981), for the two distorted channels (cited from memory); the first order is worked out in README.md.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Literal

import msgspec
import numpy as np

from skysample.fitting.terms import axis_slip

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.geometry import Array
    from skysample.plugins import Pointing

__all__ = ["Interpolation", "InterpolationSettings", "interpolation_terms"]

# Once and twice per turn are skysample's own terms. Beyond 100 periods the error is no longer smooth from one pointing
# to the next (`skysample.testing.check_term`), and a tracking exposure covers a good part of a period.
Periods = Annotated[int, msgspec.Meta(ge=3, le=100)]


class InterpolationSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`[plugins.interpolation]` of the site file: signal periods per turn of each axis."""

    primary_periods: Periods | None = None
    secondary_periods: Periods | None = None


@dataclass(frozen=True)
class Interpolation:
    """The axis is beyond its reading by the coefficient times the sine or cosine of (twice) the signal phase.

    Parameters
    ----------
    kind : str
        Kind of mount.
    axis : {"primary", "secondary"}
        Axis of the encoder.
    part : {"sin", "cos"}
        Of the phase, which is the mechanical reading times the periods.
    periods : int
        Signal periods per turn of the axis.
    times : {1, 2}
        Cycles per period: 1 for an offset of a channel, 2 for different gains or phases.
    """

    kind: str
    axis: Literal["primary", "secondary"]
    part: Literal["sin", "cos"]
    periods: int
    times: Literal[1, 2]
    name: str = field(init=False)

    def __post_init__(self) -> None:
        twice = "_twice" if self.times == 2 else ""
        object.__setattr__(self, "name", f"{self.axis}_interpolation_{self.part}{twice}")

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement per radian, shape (n, 2)."""
        reading = pointing.primary if self.axis == "primary" else pointing.secondary
        phase = self.times * self.periods * reading
        wave = np.sin(phase) if self.part == "sin" else np.cos(phase)
        return axis_slip(self.kind, self.axis, wave, pointing)


def interpolation_terms(kind: str, settings: InterpolationSettings) -> Iterator[Interpolation]:
    """Yield the four terms of each axis whose periods are given."""
    axes: tuple[tuple[Literal["primary", "secondary"], int | None], ...] = (
        ("primary", settings.primary_periods),
        ("secondary", settings.secondary_periods),
    )
    for axis, periods in axes:
        if periods is not None:
            yield from (
                Interpolation(kind, axis, part, periods, times) for times in (1, 2) for part in ("sin", "cos")
            )

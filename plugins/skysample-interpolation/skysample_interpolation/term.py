"""Interpolation error of a two-channel encoder: once a signal period by offsets, twice by unequal gain and phase.

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

# Once and twice a turn are the core's own terms. Beyond 100 periods the error changes by more from one pointing to the
# next than `skysample.testing.check_term` calls smooth, and a tracking exposure runs through a good part of a period.
Periods = Annotated[int, msgspec.Meta(ge=3, le=100)]


class InterpolationSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`[plugins.interpolation]` of the site file: signal periods in one turn of each axis."""

    primary_periods: Periods | None = None
    secondary_periods: Periods | None = None


@dataclass(frozen=True)
class Interpolation:
    """The axis stands beyond its reading by the coefficient times sin or cos of (twice) the signal's phase.

    Parameters
    ----------
    kind : str
        Of mount.
    axis : {"primary", "secondary"}
        Whose encoder.
    part : {"sin", "cos"}
        Of the phase, which is the mechanical reading times the periods.
    periods : int
        Of the signal in one turn of the axis.
    times : {1, 2}
        In one period: 1 where a channel has an offset, 2 where gain or phase of the channels differ.
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
    """Make the four terms of each axis whose periods are given."""
    axes: tuple[tuple[Literal["primary", "secondary"], int | None], ...] = (
        ("primary", settings.primary_periods),
        ("secondary", settings.secondary_periods),
    )
    for axis, periods in axes:
        if periods is not None:
            yield from (
                Interpolation(kind, axis, part, periods, times) for times in (1, 2) for part in ("sin", "cos")
            )

"""Two runs, one before and one after the bolts were turned: did the adjustment work."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError

if TYPE_CHECKING:
    from astropy.units import Quantity

    from skysample.polar_axis import PolarAlignment

__all__ = ["DEFAULT_LIMIT_ARCMIN", "Comparison", "compare"]

DEFAULT_LIMIT_ARCMIN = 30.0
"""Within which an axis is brought easily (common practice, no source)."""


@dataclass(frozen=True)
class Comparison:
    """What an adjustment did.

    Attributes
    ----------
    before, after : PolarAlignment
    limit : Quantity
        On the total error, arcmin.
    """

    before: PolarAlignment
    after: PolarAlignment
    limit: Quantity

    @property
    def upper_total(self) -> Quantity:
        """The total error after, plus its 95 % half width."""
        return self.after.total_error + self.after.t_limit * self.after.left

    @property
    def within_limit(self) -> bool:
        """Whether the axis is shown to be within the limit: the upper end of the 95 % interval is."""
        return bool(self.upper_total <= self.limit)

    @property
    def changes_arcmin(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """For each of the two axis terms how far it moved, and the standard error of that, arcmin."""
        to_arcmin = float(np.degrees(1.0) * 60.0)
        first, second = (
            (float(b - a) * to_arcmin, float(np.hypot(ea, eb)) * to_arcmin)
            for a, b, ea, eb in zip(
                (self.before.first_rad, self.before.second_rad),
                (self.after.first_rad, self.after.second_rad),
                self.before.stderr_rad,
                self.after.stderr_rad,
                strict=True,
            )
        )
        return first, second

    def __str__(self) -> str:
        verdict = "within" if self.within_limit else "not shown to be within"
        return (
            f"The axis was {self.before.total_error.value:.2f}' off and is now {self.after.total_error.value:.2f}'"
            f" +- {self.after.left.value:.2f}': {verdict} {self.limit.value:g}'."
        )


def compare(before: PolarAlignment, after: PolarAlignment, limit: Quantity | None = None) -> Comparison:
    """Compare the axis before and after an adjustment.

    Parameters
    ----------
    before, after : PolarAlignment
        Of the same mount.
    limit : Quantity, optional
        What the total error has to be within; default 30 arcmin.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If the two are of different mounts, or the limit is not a positive angle.
    """
    from astropy import units as u

    bound = u.Quantity(DEFAULT_LIMIT_ARCMIN * u.arcmin if limit is None else limit)
    if not bound.unit.is_equivalent(u.arcmin) or not bound.isscalar or not 0.0 < bound.to_value(u.arcmin) < np.inf:
        raise InputError(f"limit must be an angle above zero; got {limit}", key="limit")
    if before.kind != after.kind or before.site.location != after.site.location:
        raise InputError(
            "before and after are of different mounts or places; compare runs of one telescope", key="after"
        )
    return Comparison(before, after, bound.to(u.arcmin))

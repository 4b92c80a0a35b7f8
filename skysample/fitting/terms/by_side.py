"""Pier-side dependence: what the tube's weight pulls the other way after a flip (common practice, no source)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.terms.tube_flexure import TubeFlexure

if TYPE_CHECKING:
    from collections.abc import Callable

    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing


def _west(pointing: Pointing) -> Array:
    return np.stack([np.cos(pointing.dec), np.zeros_like(pointing.dec)], axis=-1)


def _north(pointing: Pointing) -> Array:
    return np.stack([np.zeros_like(pointing.dec), pointing.pier * np.ones_like(pointing.dec)], axis=-1)


def _east(pointing: Pointing) -> Array:
    return np.stack([-pointing.pier * np.ones_like(pointing.dec), np.zeros_like(pointing.dec)], axis=-1)


def _down(pointing: Pointing) -> Array:
    return TubeFlexure("german").displacement(pointing)


BY_SIDE: dict[str, Callable[[Pointing], Array]] = {
    # Imbalance or a clutch that yields: the primary axis rests against the other flank of its gear after a flip.
    "primary_zero": _west,
    # The same of the secondary axis.
    "secondary_zero": _north,
    # A mirror that rests against the other side of its cell after a flip.
    "cone": _east,
    # A focuser, camera or mirror that hangs otherwise after a flip.
    "tube_flexure": _down,
}
"""What may differ between the sides, as displacement per radian of the term itself, to first order."""


@dataclass(frozen=True)
class BySide:
    """Half of what a term is larger by with the tube east of the pier than with it west (`german`).

    Parameters
    ----------
    term : str
        One of `BY_SIDE`.
    """

    term: str

    @property
    def name(self) -> str:
        """The term's name and `_by_side`."""
        return f"{self.term}_by_side"

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement per radian, shape (n, 2): that of the term, the other way with the tube west of the pier."""
        return BY_SIDE[self.term](pointing) * np.asarray(pointing.pier)[..., None]

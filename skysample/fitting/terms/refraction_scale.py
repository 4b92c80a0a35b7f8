"""Refraction scale: air or wavelength other than assumed scale refraction, ~ cot(altitude) (plane-parallel atmosphere).

The first of the two terms of ERFA's `refco`, which the observed place is made with; the second is below 1 % of it above
18 degrees of altitude (`tests/fitting/test_terms.py::test_refraction_in_other_air_differs_as_its_scale_does`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.terms.tube_flexure import TubeFlexure

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.plugins.contracts import Pointing

_LOWEST = np.sin(np.radians(5.0))
"""Below this altitude cot no longer describes refraction, and no pointing is trusted: the term grows no further."""


@dataclass(frozen=True)
class RefractionScale:
    """Refraction that exceeds the computed one by the coefficient at 45 degrees of altitude.

    A tube at a given altitude then looks at a star whose computed place is lower: the displacement is straight down.

    Parameters
    ----------
    kind : str
        Of mount: it settles in which components the vertical is expressed.
    """

    kind: str
    name: str = "refraction_scale"

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement per radian, shape (n, 2): straight down by cot(altitude)."""
        down_cos = TubeFlexure(self.kind).displacement(pointing)
        return down_cos / np.maximum(np.sin(pointing.alt), _LOWEST)[..., None]

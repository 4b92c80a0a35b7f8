"""What the two bolts do to a star: the wedge on its way to the pole, and how an error of the star grows in the axis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.moved_mount import MovedMount
from skysample.alignment.wedge import adjuster_angles, move_rotation, move_vectors
from skysample.geometry import cross, rotation
from skysample.site import Wedge

if TYPE_CHECKING:
    from skysample.alignment import PolarAlignment
    from skysample.fitting import FittedModel
    from skysample.geometry import Array

__all__ = ["BoltsUnderWay", "amplification"]


def amplification(directions: Array, levers: Array) -> Array:
    """How much an error in a star's place grows in the rotation that the bolts make.

    A small turn (a, b) about the levers u (azimuth stage) and e (hinge) moves a star at s by a u x s + b e x s. The
    smallest singular value of that map says the worst case. For a level wedge u and e are square to each other and
    the singular values are 1 and |s . (u x e)| = |cos alt cos(az - axis az)|: their squares add up to
    |u x s|^2 + |e x s|^2 = 1 + (s . (u x e))^2, and their product is the determinant.

    Parameters
    ----------
    directions : ndarray, shape (n, 3)
        Unit vectors.
    levers : ndarray, shape (2, 3)
        The lines that the two adjusters turn about, unit vectors.

    Returns
    -------
    ndarray, shape (n,)
        Never below 1; infinite where the bolts move the star along one line only.
    """
    moved = cross(levers, directions[:, None, :])
    smallest = np.linalg.svd(moved, compute_uv=False)[:, -1]
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / smallest)


@dataclass(frozen=True)
class BoltsUnderWay:
    """A wedge between where it stands and the pole.

    Attributes
    ----------
    model : FittedModel
    wedge : Wedge
    axis : ndarray, shape (3,)
        Where the elevated end aims now.
    hemisphere : int
    raise_rad, east_rad : float
        The whole move of each adjuster.
    first : str
        The adjuster that is turned first.
    """

    model: FittedModel
    wedge: Wedge
    axis: Array
    hemisphere: int
    raise_rad: float
    east_rad: float
    first: str

    @classmethod
    def of(cls, alignment: PolarAlignment, model: FittedModel) -> BoltsUnderWay:
        """Read the whole move off an alignment."""
        wedge = alignment.site.wedge or Wedge()
        hemisphere = alignment.site.location.hemisphere
        angles = adjuster_angles(alignment.axis, alignment.pole, wedge, hemisphere)
        return cls(model, wedge, alignment.axis, hemisphere, *angles, alignment.moves[0].adjuster)

    def mount(self, first_share: float, second_share: float) -> MovedMount:
        """The mount with so much of the move of the first and of the second adjuster made."""
        altitude, azimuth = (
            (first_share, second_share) if self.first == "altitude" else (second_share, first_share)
        )
        turned = move_rotation(
            self.axis, self.wedge, self.hemisphere, altitude * self.raise_rad, azimuth * self.east_rad
        )
        return MovedMount.by(self.model, turned)

    @property
    def levers(self) -> Array:
        """The lines about which azimuth and altitude turn once the axis is on the pole, shape (2, 3)."""
        stage, hinge = move_vectors(self.axis, self.wedge, self.hemisphere)
        if self.wedge.hinge == "ground":
            return np.stack([rotation(hinge, self.raise_rad) @ stage, hinge])
        return np.stack([stage, rotation(stage, -self.hemisphere * self.east_rad) @ hinge])

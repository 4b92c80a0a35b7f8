"""What the two bolts do to a star: the mount on its turned wedge, and how an error of the star grows in the axis."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.wedge import adjuster_angles, move_rotation, move_vectors
from skysample.fitting.pointing import Moment
from skysample.geometry import alt_az, cross, rotation, wrap_pi
from skysample.site import Wedge

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.alignment import PolarAlignment
    from skysample.fitting import FittedModel
    from skysample.geometry import Array


def amplification(directions: Array, levers: Array) -> Array:
    """How much an error in a star's position grows in the rotation that the bolts make.

    A small turn (a, b) about the levers u (azimuth stage) and e (hinge) moves a star at s by a u x s + b e x s. The
    smallest singular value of that map gives the worst case. For a level wedge u and e are square to each other and
    the singular values are 1 and |s . (u x e)| = |cos alt cos(az - axis az)|: their squares add up to
    |u x s|^2 + |e x s|^2 = 1 + (s . (u x e))^2, and their product is the determinant.

    Parameters
    ----------
    directions : ndarray, shape (n, 3)
        Unit vectors.
    levers : ndarray, shape (2, 3)
        Axes of the two adjusters, unit vectors.

    Returns
    -------
    ndarray, shape (n,)
        Never below 1; infinite if both bolts move the star along the same line.
    """
    moved = cross(levers, directions[:, None, :])
    smallest = np.linalg.svd(moved, compute_uv=False)[:, -1]
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / smallest)


@dataclass(frozen=True)
class MovedMount:
    """An equatorial mount whose base was turned as a whole; zeros, cone, skew and flexures are the model's.

    Turning the base may turn it about the polar axis too, which is the same as a change of the primary zero:
    Rz(roll) Rz(-(p + zero)) = Rz(-(p + zero - roll)).

    Attributes
    ----------
    model : FittedModel
    values_rad : ndarray, shape (p,)
        Coefficients, with the axis terms of the turned base.
    roll_rad : float
        About the north end of the axis, right-handed.
    """

    model: FittedModel
    values_rad: Array = field(repr=False)
    roll_rad: float

    @classmethod
    def by(cls, model: FittedModel, turned: Array) -> MovedMount:
        """The mount of a model, its base turned by a rotation of shape (3, 3) in east-north-up."""
        function, chain = model.function, model.function.chain
        base = turned @ chain.base(function.rotation_angles(model.values_rad)[:2])[0]
        elevated = chain.hemisphere * chain.frame[:, 2]
        altitude, azimuth = alt_az(base @ elevated)
        turned_rad = wrap_pi(azimuth if chain.hemisphere > 0 else azimuth - np.pi)
        aim = np.array([altitude - abs(function.latitude_rad), chain.hemisphere * turned_rad])
        values = np.array(model.values_rad)
        values[[model.names.index(name) for name in model.axis_terms]] = aim
        twist = chain.frame.T @ chain.base(aim)[0].T @ base @ chain.frame
        return cls(model, values, float(np.arctan2(twist[1, 0], twist[0, 0])))

    def _unrolled(self, axes: Array) -> Array:
        return np.asarray(axes - np.array([self.roll_rad, 0.0]))

    def tube(self, axes: Array, when: Time | None = None) -> Array:
        """Directions of the tube, unit vectors (n, 3), at mechanical readings (n, 2)."""
        return self.model.function.predict(self.values_rad, self._unrolled(axes), Moment(when))

    def axes_for(self, directions: Array, side: NDArray[np.int64], when: Time | None = None) -> Array:
        """Mechanical readings (n, 2) that point the tube along unit vectors (n, 3), the inverse of `tube`."""
        axes = self.model.function.axes_for(self.values_rad, directions, side, Moment(when))
        return np.stack([wrap_pi(axes[:, 0] + self.roll_rad), axes[:, 1]], axis=-1)

    def design(self, axes: Array, when: Time | None = None) -> Array:
        """Derivatives of the tube's direction with respect to each coefficient, shape (n, 2, p)."""
        return self.model.function.predict_with_design(self.values_rad, self._unrolled(axes), Moment(when))[1]

    def ahead(self, axes: Array) -> Array:
        """Directions in which the tube moves as the mechanical secondary increases, unit vectors (n, 3)."""
        function = self.model.function
        tube, turning = function.chain.tube_and_axes(
            function.rotation_angles(self.values_rad), self._unrolled(axes)
        )
        onward = cross(turning[:, 3], tube)
        return np.asarray(onward / np.linalg.norm(onward, axis=-1, keepdims=True))


@dataclass(frozen=True)
class BoltsUnderWay:
    """A wedge between where it stands and the pole.

    Attributes
    ----------
    alignment : PolarAlignment
        Its axis, site, model, and the order of its moves.
    """

    alignment: PolarAlignment

    @cached_property
    def _whole(self) -> Array:
        """The whole move of each adjuster, raise and east, radians."""
        axis, wedge, hemisphere = self._built
        return np.array(adjuster_angles(axis, self.alignment.pole, wedge, hemisphere))

    @property
    def _built(self) -> tuple[Array, Wedge, int]:
        site = self.alignment.site
        return self.alignment.axis, site.wedge or Wedge(), site.location.hemisphere

    def mount(self, first_share: float, second_share: float) -> MovedMount:
        """The mount with these shares of the first and of the second adjuster's move made."""
        shares = np.array([first_share, second_share])
        if self.alignment.moves[0].adjuster != "altitude":
            shares = shares[::-1]
        return MovedMount.by(self.alignment.model, move_rotation(*self._built, *(shares * self._whole)))

    @property
    def levers(self) -> Array:
        """Axes about which azimuth and altitude turn once the axis is on the pole, shape (2, 3)."""
        stage, hinge = move_vectors(*self._built)
        raise_rad, east_rad = self._whole
        if self._built[1].hinge == "ground":
            return np.stack([rotation(hinge, raise_rad) @ stage, hinge])
        return np.stack([stage, rotation(stage, -self._built[2] * east_rad) @ hinge])

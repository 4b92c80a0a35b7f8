"""A fitted mount after its wedge was turned: everything that the model knows, on another base."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.pointing import Moment
from skysample.geometry import alt_az, cross, wrap_pi
from skysample.site.mount_axes import tube_side

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.geometry import Array

__all__ = ["MovedMount"]


@dataclass(frozen=True)
class MovedMount:
    """An equatorial mount whose base was turned bodily; zeros, cone, skew and flexures are the model's.

    Turning the base may turn it about the polar axis too, which is the same as another zero of the primary:
    Rz(roll) Rz(-(p + zero)) = Rz(-(p + zero - roll)).

    Attributes
    ----------
    model : FittedModel
    values_rad : ndarray, shape (p,)
        Its coefficients, with the axis terms of the turned base.
    roll_rad : float
        About the north end of the axis, right-handed.
    """

    model: FittedModel
    values_rad: Array = field(repr=False)
    roll_rad: float

    @classmethod
    def by(cls, model: FittedModel, turned: Array) -> MovedMount:
        """Turn the base of a model by a rotation of shape (3, 3), in east-north-up."""
        function, chain = model.function, model.function.chain
        base = turned @ chain.base(function.rotation_angles(model.values_rad)[:2])[0]
        elevated = chain.hemisphere * chain.frame[:, 2]
        altitude, azimuth = (float(angle) for angle in alt_az(base @ elevated))
        north = 0.0 if chain.hemisphere > 0 else np.pi
        aim = np.array(
            [
                altitude - abs(function.latitude_rad),
                chain.hemisphere * float(wrap_pi(azimuth - north)),
            ]
        )
        values = np.array(model.values_rad)
        values[[model.names.index(name) for name in model.axis_terms]] = aim
        twist = chain.frame.T @ chain.base(aim)[0].T @ base @ chain.frame
        return cls(model, values, float(np.arctan2(twist[1, 0], twist[0, 0])))

    def _unrolled(self, axes: Array) -> Array:
        return np.asarray(axes - np.array([self.roll_rad, 0.0]))

    def tube(self, axes: Array, when: Time | None = None) -> Array:
        """Where the tube points, unit vectors (n, 3), for mechanical readings (n, 2)."""
        return self.model.function.predict(self.values_rad, self._unrolled(axes), Moment(when))

    def axes_for(self, directions: Array, side: NDArray[np.int64], when: Time | None = None) -> Array:
        """Mechanical readings (n, 2) that point the tube along unit vectors (n, 3): the inverse of `tube`."""
        axes = self.model.function.axes_for(self.values_rad, directions, side, Moment(when))
        return np.stack([wrap_pi(axes[:, 0] + self.roll_rad), axes[:, 1]], axis=-1)

    def design(self, axes: Array, when: Time | None = None) -> Array:
        """How the tube moves with each coefficient, shape (n, 2, p)."""
        return self.model.function.predict_with_design(self.values_rad, self._unrolled(axes), Moment(when))[1]

    def ahead(self, axes: Array) -> Array:
        """Where the tube goes when the mechanical secondary grows, unit vectors (n, 3): fixed in the tube."""
        function = self.model.function
        tube, turning = function.chain.tube_and_axes(
            function.rotation_angles(self.values_rad), self._unrolled(axes)
        )
        onward = cross(turning[:, 3], tube)
        return np.asarray(onward / np.linalg.norm(onward, axis=-1, keepdims=True))

    def side(self, axes: Array) -> NDArray[np.int64]:
        """Side of the pier that readings (n, 2) say, the zero of the secondary put in."""
        zero = self.model.function.rotation_angles(self.values_rad)[3]
        return tube_side(axes + np.array([0.0, zero]))

"""Where a mount with given coefficients points: rotations, small displacements on top, and their derivatives."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.observed_place import hour_angle_dec
from skysample.errors import PluginError
from skysample.fitting.rotations import Chain
from skysample.geometry import alt_az, cross, displace, offset, tangent_basis
from skysample.plugins.contracts import ROTATIONS, Pointing
from skysample.plugins.guarded_calls import guarded_call, is_own
from skysample.site.mount_axes import mount_frame, tube_side

if TYPE_CHECKING:
    from collections.abc import Mapping

    from astropy.time import Time
    from numpy.typing import ArrayLike, NDArray

    from skysample.geometry import Array
    from skysample.plugins.contracts import Term

_SETTLED = 1e-15
_STEP_RAD = 1e-6
_HOOK = "skysample_terms"


@dataclass(frozen=True, slots=True)
class Moment:
    """When, and in what air, n pointings happen; terms may use it."""

    time: Time | None = None
    temperature_c: Array | None = None

    def repeated(self, times: int) -> Moment:
        """The same for these pointings so many times over, one set after the other."""
        if self.time is None and self.temperature_c is None:
            return self
        temperature = None if self.temperature_c is None else np.tile(self.temperature_c, times)
        if self.time is None or self.time.isscalar:
            return Moment(self.time, temperature)
        return Moment(self.time[np.tile(np.arange(len(self.time)), times)], temperature)


@dataclass(frozen=True)
class PointingFunction:
    """A mount's pointing as a function of its coefficients.

    Attributes
    ----------
    kind : str
        Of mount.
    latitude_rad : float
    names : tuple of str
        The terms that carry a coefficient: rotations first, in the order of `skysample.plugins.contracts.ROTATIONS`.
    terms : tuple of Term
        The displacements, in the order of the rest of `names`.
    """

    kind: str
    latitude_rad: float
    names: tuple[str, ...]
    terms: tuple[Term, ...]

    @classmethod
    def of(
        cls, kind: str, latitude_rad: float, names: tuple[str, ...], available: Mapping[str, Term]
    ) -> PointingFunction:
        """Look the displacements among `names` up among what is on offer."""
        terms = tuple(available[name] for name in names if name not in ROTATIONS[kind])
        return cls(kind, latitude_rad, names, terms)

    @cached_property
    def chain(self) -> Chain:
        """The rotations of this mount."""
        hemisphere = 1 if self.latitude_rad >= 0.0 else -1
        return Chain(mount_frame(self.kind, self.latitude_rad), self.kind == "altaz", hemisphere)

    @cached_property
    def pole(self) -> Array:
        """The pole that components count from: north celestial pole, or zenith, shape (3,)."""
        return mount_frame(self.kind, self.latitude_rad)[:, 2]

    @cached_property
    def rotation_slots(self) -> list[int]:
        """For each rotation among `names`, its place among the six."""
        return [ROTATIONS[self.kind].index(name) for name in self.names if name in ROTATIONS[self.kind]]

    def rotation_angles(self, values: Array) -> Array:
        """All six rotation angles, shape (..., 6), of coefficients, shape (..., p); those not in `names` are zero."""
        slots = self.rotation_slots
        angles = np.zeros((*values.shape[:-1], 6))
        angles[..., slots] = values[..., : len(slots)]
        return angles

    def displacements(self, axes: Array, tube: Array, side: NDArray[np.int64], moment: Moment) -> Array:
        """Displacement by each term per radian of its coefficient.

        Parameters
        ----------
        axes : ndarray, shape (n, 2)
        tube : ndarray, shape (n, 3)
            The rotated directions.
        side : ndarray of int, shape (n,)
            Of the pier; counts for `german`.
        moment : Moment

        Returns
        -------
        ndarray, shape (n, 2, number of terms)

        Raises
        ------
        PluginError
            If a term raises, or returns what does not fit.
        """
        if not self.terms:
            return np.zeros((len(axes), 2, 0))
        altitude, azimuth = alt_az(tube)
        hour_angle, dec = hour_angle_dec(tube, self.latitude_rad)
        # Views, read-only: a term that writes to them would change the fit's own readings.
        read, pier = axes.view(), (side if self.kind == "german" else np.ones(len(axes), np.int64)).view()
        for each in (read, pier, altitude, azimuth, hour_angle, dec):
            each.flags.writeable = False
        pointing = Pointing(
            primary=read[:, 0],
            secondary=read[:, 1],
            alt=altitude,
            az=azimuth,
            hour_angle=hour_angle,
            dec=dec,
            pier=pier,
            latitude=self.latitude_rad,
            time=moment.time,
            temperature_c=moment.temperature_c,
        )
        return np.stack([_displacement(term, pointing, len(axes)) for term in self.terms], axis=-1)

    def predict(self, values: Array, axes: Array, moment: Moment) -> Array:
        """Where the tube points, shape (n, 3), for mechanical readings of shape (n, 2)."""
        angles = self.rotation_angles(values)
        tube = self.chain.tube(angles, axes)
        return self._displaced(tube, axes, values[len(self.rotation_slots) :], _side(angles, axes), moment)

    def predict_with_design(self, values: Array, axes: Array, moment: Moment) -> tuple[Array, Array]:
        """Where the tube points, and how that moves with each coefficient.

        Parameters
        ----------
        values : ndarray, shape (p,) or (n, p)
            Coefficients, for all readings or for each its own.
        axes : ndarray, shape (n, 2)
        moment : Moment

        Returns
        -------
        ndarray, shape (n, 3)
        ndarray, shape (n, 2, p)
            Components at the predicted place (west and north, or clockwise and up) per radian of coefficient. That
            a displacement is looked up elsewhere when a rotation changes is taken from differences, as plugins
            offer no derivative.
        """
        angles = self.rotation_angles(values)
        if values.ndim == 1:
            tube, turning = self.chain.tube_and_axes(angles, axes)
        else:
            tube, turning = (each[:, 0] for each in self.chain.tube_and_axes(angles, axes[:, None]))
        basis = tangent_basis(tube, self.pole)
        motion = cross(turning[:, self.rotation_slots], tube[:, None, :])
        by_rotation = basis @ motion.transpose(0, 2, 1)
        if not self.terms:
            return tube, by_rotation
        side = _side(angles, axes)
        by_term = self.displacements(axes, tube, side, moment)
        coefficients = np.broadcast_to(values[..., len(self.rotation_slots) :], (len(axes), len(self.terms)))
        predicted = displace(tube, basis, _summed(by_term, coefficients))
        at_end = tangent_basis(predicted, self.pole)
        nearby = np.concatenate([displace(tube, basis, along) for along in _STEP_RAD * np.eye(2)])
        moved = self._displaced(
            nearby, np.tile(axes, (2, 1)), np.tile(coefficients, (2, 1)), np.tile(side, 2), moment.repeated(2)
        )
        carried = (moved.reshape(2, -1, 3).transpose(1, 2, 0) - predicted[..., None]) / _STEP_RAD
        by_rotation = at_end @ carried @ by_rotation
        by_term = at_end @ basis.transpose(0, 2, 1) @ by_term
        return predicted, np.concatenate([by_rotation, by_term], axis=-1)

    def _displaced(
        self, tube: Array, axes: Array, coefficients: Array, side: NDArray[np.int64], moment: Moment
    ) -> Array:
        shift = _summed(self.displacements(axes, tube, side, moment), coefficients)
        return displace(tube, tangent_basis(tube, self.pole), shift)

    def residuals(self, predicted: Array, observed: Array) -> Array:
        """Observed minus predicted, shape (n, 2): west and north, or clockwise and up, radians."""
        return offset(predicted, tangent_basis(predicted, self.pole), observed)

    def axes_for(self, values: Array, directions: Array, side: ArrayLike, moment: Moment) -> Array:
        """Mechanical readings that point the tube in given directions of shape (n, 3): the inverse of `predict`.

        The rotations are undone exactly; the displacements by fixed-point steps, each of which shrinks the error by
        about the size of the displacements in radians.
        """
        angles = self.rotation_angles(values)
        sides = np.broadcast_to(np.asarray(side, int), len(directions))
        rotated = directions
        axes = self.chain.axes_for(angles, rotated, side)
        for _ in range(20):
            reached = self._displaced(rotated, axes, values[len(self.rotation_slots) :], sides, moment)
            miss = offset(reached, tangent_basis(reached, self.pole), directions)
            rotated = displace(rotated, tangent_basis(rotated, self.pole), miss)
            axes = self.chain.axes_for(angles, rotated, side)
            if not np.any(np.abs(miss) > _SETTLED):
                break
        return axes


def _side(angles: Array, axes: Array) -> NDArray[np.int64]:
    """Side of the pier by the true secondary angle: an encoder that was never homed does not say it."""
    true = axes.copy()
    true[:, 1] += angles[..., 3]
    return tube_side(true)


def _summed(by_term: Array, coefficients: Array) -> Array:
    """Displacement by all terms, shape (n, 2); coefficients for all readings (t,), or for each its own (n, t)."""
    if coefficients.ndim == 1:
        return np.asarray(by_term @ coefficients)
    return np.asarray((by_term @ coefficients[:, :, None])[..., 0])


def _displacement(term: Term, pointing: Pointing, count: int) -> Array:
    """What a term answers, checked."""
    with guarded_call(term.name, _HOOK, "its displacement()", own=is_own(term)):
        answer = np.asarray(term.displacement(pointing))
    problem = ""
    if answer.shape != (count, 2) or answer.dtype.kind not in "fiu":
        returned = f"an array of {answer.dtype} of shape {answer.shape}"
        problem = (
            f"its displacement() returned {returned}; it must return one of floats of shape {(count, 2)}"
        )
    elif not np.all(np.isfinite(answer)):
        problem = "its displacement() returned values that are not finite"
    if problem:
        raise PluginError(problem, plugin=term.name, hook=_HOOK)
    return answer.astype(float)

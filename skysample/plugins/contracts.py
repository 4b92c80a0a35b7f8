"""What a plugin hands over: obstructions, orderings and terms, and what they are given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    import numpy as np
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem

__all__ = ["AXIS_TERMS", "RESERVED", "ROTATIONS", "TERM_SETS", "Obstruction", "Ordering", "Pointing", "Term"]

AXIS_TERMS = {
    "fork": ("polar_altitude", "polar_azimuth"),
    "german": ("polar_altitude", "polar_azimuth"),
    "altaz": ("tilt_north", "tilt_east"),
}
"""The two terms that say where the primary axis is aimed."""

ROTATIONS = {
    kind: (*axis, "primary_zero", "secondary_zero", "axis_skew", "cone") for kind, axis in AXIS_TERMS.items()
}
"""The terms that are true rotations, in the order in which the model composes them."""

TERM_SETS = ("standard", "extended")
"""Names that stand for several terms."""

RESERVED = {kind: frozenset({*TERM_SETS, *names}) for kind, names in ROTATIONS.items()}
"""Names that no displacement may have."""


@runtime_checkable
class Obstruction(Protocol):
    """Something that keeps a part of the sky from being used."""

    @property
    def name(self) -> str:
        """How the user and the plan name it."""

    def blocks(self, directions: Array, when: Time | None) -> NDArray[np.bool_]:
        """Say which directions cannot be used.

        Parameters
        ----------
        directions : ndarray, shape (n, 3)
            Unit vectors, east-north-up, as observed (refraction included).
        when : astropy.time.Time or None
            Scalar, or shape (n,): the moment, where one is known.

        Returns
        -------
        ndarray of bool, shape (n,)
            True: cannot be used.
        """


@runtime_checkable
class Ordering(Protocol):
    """A way to order the points of a plan."""

    @property
    def name(self) -> str:
        """How the user and the plan name it."""

    def order(self, problem: OrderingProblem) -> NDArray[np.int64]:
        """Return a permutation of range(problem.points): the order in which to visit them."""


@dataclass(frozen=True, slots=True)
class Pointing:
    """Where a mount points, as terms see it: n pointings, angles in radians.

    Attributes
    ----------
    primary, secondary : ndarray, shape (n,)
        Mechanical angles that the axes read (past +-90 degrees of the secondary after a flip).
    alt, az : ndarray, shape (n,)
        The rotated direction: where the tube points once the rotations are done.
    hour_angle, dec : ndarray, shape (n,)
        The same direction by the site's latitude.
    pier : ndarray of int, shape (n,)
        1: tube east of the pier, or a mount that does not flip; -1: west.
    latitude : float
        Of the site.
    time : astropy.time.Time, shape (n,), or None
        None where a prediction is asked for no moment in particular.
    temperature_c : ndarray, shape (n,), or None
        Air temperature, where known.
    """

    primary: Array
    secondary: Array
    alt: Array
    az: Array
    hour_angle: Array
    dec: Array
    pier: NDArray[np.int64]
    latitude: float
    time: Time | None = None
    temperature_c: Array | None = None


@runtime_checkable
class Term(Protocol):
    """A small displacement of the tube, proportional to one coefficient."""

    @property
    def name(self) -> str:
        """How tables and `--terms` name it."""

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement of the tube per radian of coefficient.

        Returns
        -------
        ndarray, shape (n, 2)
            West and north (equatorial mounts), or clockwise and up (`altaz`), radians per radian.
        """

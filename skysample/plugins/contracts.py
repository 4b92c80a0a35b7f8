"""What plugins return: obstructions, orderings and terms, and what these receive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.runs.log import Log
    from skysample.site import Site

__all__ = [
    "AXIS_TERMS",
    "CAUSES",
    "RESERVED",
    "ROTATIONS",
    "TERM_SETS",
    "Mistake",
    "Obstruction",
    "Ordering",
    "Pointing",
    "Term",
]

AXIS_TERMS = {
    "fork": ("polar_altitude", "polar_azimuth"),
    "german": ("polar_altitude", "polar_azimuth"),
    "altaz": ("tilt_north", "tilt_east"),
}
"""The two terms for the direction of the primary axis."""

ROTATIONS = {
    kind: (*axis, "primary_zero", "secondary_zero", "axis_skew", "cone") for kind, axis in AXIS_TERMS.items()
}
"""The terms that are rotations, in the order in which the model applies them."""

TERM_SETS = ("standard", "extended")
"""Names of sets of terms."""

RESERVED = {kind: frozenset({*TERM_SETS, *names}) for kind, names in ROTATIONS.items()}
"""Names that no displacement term may have."""


CAUSES = (
    "clock", "date", "longitude", "latitude", "coordinates of date", "units", "axes", "rows", "pier", "kind", "air",
    "model active", "slip", "drift", "camera", "limits", "noise", "unknown",
)  # fmt: skip
"""What may be wrong with a run, its site file or the mount."""


@runtime_checkable
class Obstruction(Protocol):
    """Something that blocks a part of the sky."""

    @property
    def name(self) -> str:
        """Its name in plans and for the user."""

    def blocks(self, directions: Array, when: Time | None) -> NDArray[np.bool_]:
        """Return which directions are blocked.

        Parameters
        ----------
        directions : ndarray, shape (n, 3)
            Unit vectors, east-north-up, as observed (refraction included).
        when : astropy.time.Time or None
            Scalar, or shape (n,); None if the time is unknown.

        Returns
        -------
        ndarray of bool, shape (n,)
            True: blocked.
        """


@runtime_checkable
class Ordering(Protocol):
    """A way to order the points of a plan."""

    @property
    def name(self) -> str:
        """Its name in plans and for the user."""

    def order(self, problem: OrderingProblem) -> NDArray[np.int64]:
        """Return a permutation of range(problem.points): the order in which to visit them."""


@dataclass(frozen=True, slots=True)
class Pointing:
    """Where a mount points, as terms receive it: n pointings, angles in radians.

    Attributes
    ----------
    primary, secondary : ndarray, shape (n,)
        Mechanical axis readings (secondary past +-90 degrees after a flip).
    alt, az : ndarray, shape (n,)
        Direction of the tube after the rotation terms.
    hour_angle, dec : ndarray, shape (n,)
        The same direction, in equatorial coordinates.
    pier : ndarray of int, shape (n,)
        1: tube east of the pier, or a mount that does not flip; -1: west.
    latitude : float
        Of the site.
    time : astropy.time.Time, shape (n,), or None
        None in a prediction for no particular time.
    temperature_c : ndarray, shape (n,), or None
        Air temperature, if known.
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
        """Its name in tables and for `--terms`."""

    def displacement(self, pointing: Pointing) -> Array:
        """Displacement of the tube per radian of coefficient.

        Returns
        -------
        ndarray, shape (n, 2)
            West and north (equatorial mounts), or clockwise and up (`altaz`), radians per radian.
        """


@dataclass(frozen=True)
class Mistake:
    """Something in run or site file that may be wrong.

    Attributes
    ----------
    name : str
        Its own, unlike any other mistake's.
    cause : str
        One of `CAUSES`.
    sentence : str
        What would be wrong, for whoever took the run.
    fix : str
        How to find out, and what to correct.
    undo : callable
        Takes the `Log` of a run and its `Site` as they stand; returns both as they would be without the mistake, or
        None where it cannot have been made.
    log_odds : float
        Natural logarithm of how likely it is before the data are seen; -5 is one run in 150.
    near : bool
        Whether it changes directions or axes by so little that the coefficients of the run as it stands will do as a
        start of the fit.
    """

    name: str
    cause: str
    sentence: str
    fix: str
    undo: Callable[[Log, Site], tuple[Log, Site] | None]
    log_odds: float = -5.0
    near: bool = False

    def __post_init__(self) -> None:
        if self.cause not in CAUSES:
            raise ValueError(f"cause {self.cause!r} is not one of {', '.join(CAUSES)}")

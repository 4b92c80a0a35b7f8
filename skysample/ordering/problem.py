"""What an ordering is asked to solve: stops, what the mount needs between them, and where the dome may stand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Dome, Mount

__all__ = ["OrderingProblem"]


@dataclass(frozen=True, slots=True)
class OrderingProblem:
    """An open path: from the present state through every point once, ending anywhere.

    Attributes
    ----------
    axes : ndarray, shape (n, 2)
        Mechanical angles of the points, radians (the primary in [-pi, pi); whole turns are the mount's choice).
    turns : ndarray, shape (n, k)
        Every position of the primary axis that its limits allow for the point, radians, nan-padded.
    start_axes : ndarray, shape (2,)
        Where the mount stands, radians, whole turns counted.
    azimuth : ndarray, shape (n,)
        Of the points, radians.
    arcs : tuple of ndarray, shape (k_i, 2)
        For each point the azimuths at which the dome may stand: start and width of each arc, radians. A width of
        2 pi means anywhere. Empty tuple where there is no dome.
    start_dome : float
        Where the dome stands, radians.
    mount : Mount
        Rates, accelerations and settling.
    dome : Dome or None
        The same for the dome.
    seed : int
        For whatever is random: the same seed gives the same order on every machine.
    """

    axes: Array
    turns: Array
    start_axes: Array
    azimuth: Array
    arcs: tuple[Array, ...]
    start_dome: float
    mount: Mount
    dome: Dome | None = None
    seed: int = 0

    @property
    def points(self) -> int:
        """How many points there are to visit."""
        return len(self.axes)

    @property
    def numbers(self) -> NDArray[np.int64]:
        """The points' numbers, 0..n-1."""
        import numpy as np

        return np.arange(self.points)

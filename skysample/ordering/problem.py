"""The problem that an ordering solves: the stops, how the mount moves, and where the dome may stand."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError, NoSolution

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Dome, Mount

DOME_POLICIES = ("timely", "lazy")
_MOVE_WORTH_S, _DEGREE_WORTH_S = 10.0, 1.0


@dataclass(frozen=True, slots=True)
class OrderingProblem:
    """An open path: from the present state through every point once, ending anywhere.

    Attributes
    ----------
    axes : ndarray, shape (n, 2)
        Mechanical angles of the points, radians (the primary in [-pi, pi); whole turns are the mount's
        choice).
    turns : ndarray, shape (n, k)
        Every position of the primary axis that its limits allow for the point, radians, nan-padded.
    start_axes : ndarray, shape (2,)
        Where the mount stands, radians, whole turns counted.
    azimuth : ndarray, shape (n,)
        Of the points, radians.
    arcs : tuple of ndarray, shape (k_i, 2)
        For each point the azimuths at which the dome may stand: start and width of each arc, radians. A
        width of 2 pi means anywhere. Empty tuple where there is no dome.
    start_dome : float
        Where the dome stands, radians.
    mount : Mount
        Rates, accelerations and settling.
    dome : Dome or None
        The same for the dome.
    seed : int
        For whatever is random: the same seed gives the same order.
    dome_policy : {"timely", "lazy"}
        When the dome turns. Either way it stands still, where it serves, from the mount's arrival at a stop
        until the exposure's end. "timely": on any leg and as early as it likes, so that the mount rarely
        waits. "lazy": only when it no longer serves the next stop, and then as far as serves the longest run.
    dome_weight : float
        From 0 (least time) to 1 (least dome): the search trades time for `move_worth_s` and
        `degree_worth_s`.
    dome_head_start_s : float
        Seconds by which the dome may leave before the mount, except on the first leg: the camera's read-out,
        with the shutter closed.

    Raises
    ------
    InputError
        If the parts do not fit together.
    NoSolution
        If the limits of the mount or the slit of the dome leave a point out of reach.
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
    dome_policy: str = "timely"
    dome_weight: float = 0.0
    dome_head_start_s: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a problem that no order could solve."""
        if self.dome_policy not in DOME_POLICIES:
            raise InputError(f"dome_policy {self.dome_policy!r} is not one of {', '.join(DOME_POLICIES)}")
        if not 0.0 <= self.dome_weight <= 1.0:
            raise InputError(f"dome_weight is {self.dome_weight!r}; give a number from 0 to 1")
        if not 0.0 <= self.dome_head_start_s < np.inf:
            raise InputError(f"dome_head_start_s is {self.dome_head_start_s!r}; give seconds >= 0")
        self._check_mount()
        if self.dome is not None:
            self._check_dome()

    def _check_mount(self) -> None:
        n = len(self.axes)
        shapes = [np.shape(each) for each in (self.axes, self.start_axes, self.azimuth, self.turns)]
        if shapes[:3] != [(n, 2), (2,), (n,)] or len(shapes[3]) != 2 or shapes[3][0] != n:
            raise InputError(
                f"axes, start_axes, azimuth, turns have shapes {shapes}; give (n, 2), (2,), (n,), (n, k)"
            )
        if not all(np.isfinite(each).all() for each in (self.axes, self.start_axes, self.azimuth)):
            raise InputError("axes, start_axes or azimuth hold values that are not finite; leave them out")
        out_of_reach = np.flatnonzero(~np.isfinite(self.turns).any(axis=1))
        if len(out_of_reach):
            raise NoSolution(
                f"the primary axis cannot reach point {out_of_reach[0]}; leave it out or widen the limits"
            )

    def _check_dome(self) -> None:
        if len(self.arcs) != self.points or not np.isfinite(self.start_dome):
            raise InputError(
                f"a dome needs a finite start_dome and the arcs of each of the {self.points} points "
                f"({len(self.arcs)} given)"
            )
        for number, arcs in enumerate(self.arcs):
            if np.size(arcs) == 0:
                raise NoSolution(f"no dome azimuth serves point {number}; leave it out")
            if np.shape(arcs)[1:] != (2,) or not np.isfinite(arcs).all() or (arcs[:, 1] < 0.0).any():
                raise InputError(
                    f"the arcs of point {number} are not rows of start and width (>= 0), in radians"
                )

    def read_only(self) -> OrderingProblem:
        """Return the same problem with read-only arrays, for an ordering from a plugin."""
        axes, turns, start_axes, azimuth, *arcs = (
            _read_only(each) for each in (self.axes, self.turns, self.start_axes, self.azimuth, *self.arcs)
        )
        return replace(self, axes=axes, turns=turns, start_axes=start_axes, azimuth=azimuth, arcs=tuple(arcs))

    @property
    def points(self) -> int:
        """How many points there are to visit."""
        return len(self.axes)

    @property
    def numbers(self) -> NDArray[np.int64]:
        """The points' numbers, 0..n-1."""
        return np.arange(self.points)

    @property
    def move_worth_s(self) -> float:
        """Seconds that saving one dome move is worth: 10 at a weight of 1."""
        return _MOVE_WORTH_S * self.dome_weight

    @property
    def degree_worth_s(self) -> float:
        """Seconds that saving one degree of dome rotation is worth: 1 at a weight of 1."""
        return _DEGREE_WORTH_S * self.dome_weight


def _read_only(array: Array) -> Array:
    view = np.asarray(array).view()
    view.flags.writeable = False
    return view

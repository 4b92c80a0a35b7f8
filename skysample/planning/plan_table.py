"""A plan: points over the usable sky in the order to take them, with the dome's azimuth at each."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.geometry import Array, alt_az
from skysample.ordering import DEFAULT_ORDERING, FrontPoint, front
from skysample.site.mount_axes import ideal_axes, mount_frame, side_names, sky_reading
from skysample.version import __version__

if TYPE_CHECKING:
    import os

    from astropy.table import QTable
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.ordering.problem import OrderingProblem
    from skysample.ordering.schedules import Schedule
    from skysample.runs.points_done import PointsDone
    from skysample.sampling import Grid
    from skysample.site import Site
    from skysample.sky import UsableSky

__all__ = ["PLAN_FORMAT", "PLAN_VERSION", "Plan"]

PLAN_FORMAT, PLAN_VERSION = "skysample-plan", 1
_NO_GAP = 0.0005
_TRADED_OFF_UP_TO = 400


@dataclass(frozen=True, eq=False)
class Plan:
    """Points in the order to take them.

    Attributes
    ----------
    site : Site
    grid : Grid
        The points, in their own numbering.
    order : ndarray of int, shape (n,)
        Indices into the grid, in the order to take them.
    ordering : str
        Name of the ordering used.
    schedule : Schedule
        Motion of mount and dome, in the order of `order`.
    bound_s : float or None
        Proven lower bound on `slew_s` over every order, every turn of the primary axis and every way to move the dome
        that keeps it still during exposures; None if unknown.
    start : Time or None
        Start of the first slew.
    model : FittedModel or None
        If there is one, `table` has the axis readings for each point.
    grid_numbers : tuple of int or None
        Stable numbers of the grid's points; None: 1 to n. Given in a resumed plan.
    problem : OrderingProblem or None
        The problem that the ordering solved.
    first : Plan or None
        The first plan, of which this one is the rest; None if this is the first.
    progress : PointsDone or None
        What had been taken of the first plan.
    """

    site: Site
    grid: Grid
    order: NDArray[np.int64]
    ordering: str
    schedule: Schedule
    bound_s: float | None
    start: Time | None = None
    model: FittedModel | None = None
    grid_numbers: tuple[int, ...] | None = None
    problem: OrderingProblem | None = None
    first: Plan | None = field(default=None, repr=False)
    progress: PointsDone | None = None

    @property
    def numbers(self) -> NDArray[np.int64]:
        """Stable numbers of the points, in the order to take them."""
        if self.grid_numbers is None:
            return np.asarray(self.order) + 1
        return np.array(self.grid_numbers)[self.order]

    @property
    def points(self) -> int:
        """Number of points."""
        return len(self.order)

    @property
    def sky(self) -> UsableSky:
        """The usable sky that the points cover."""
        return self.grid.sky

    @property
    def dome_weight(self) -> float:
        """From 0 (least time) to 1 (least dome motion), see `OrderingProblem`."""
        return 0.0 if self.problem is None else self.problem.dome_weight

    @property
    def slew_s(self) -> float:
        """Time spent slewing: mount, dome and settling."""
        return self.schedule.total_slew_s

    @property
    def total_s(self) -> float:
        """Slewing, exposures and overhead."""
        camera = self.site.camera
        return self.slew_s + self.points * (camera.exposure_s + camera.overhead_s)

    @property
    def gap(self) -> float | None:
        """Largest fraction by which `slew_s` can exceed that of the best order: slew_s / bound_s - 1."""
        return self.slew_s / self.bound_s - 1.0 if self.bound_s else None

    @property
    def exposure_start_s(self) -> Array:
        """Seconds from the start of the first slew to the start of each exposure, in the order of the plan."""
        camera = self.site.camera
        return np.cumsum(self.schedule.slew_s) + np.arange(self.points) * (
            camera.exposure_s + camera.overhead_s
        )

    def trade_off(self) -> list[FrontPoint]:
        """Show what less dome motion would cost: this plan, and one or two with less of it, from a short search.

        Returns
        -------
        list of FrontPoint
            The first is this plan, and the only one without a dome. Empty if the plan has a dome weight already, was
            read from a file, has an ordering that does not search, or has more than 400 points (too slow).
        """
        if (
            self.problem is None
            or self.ordering != DEFAULT_ORDERING
            or self.problem.dome_weight > 0.0
            or self.points > _TRADED_OFF_UP_TO
        ):
            return []
        return front(self.problem, quickest=self.order.tolist())

    @property
    def sun_checked(self) -> bool:
        """Whether the Sun was avoided: only a plan with a start time can do that."""
        return self.start is not None

    @property
    def table(self) -> QTable:
        """One row per point, in the order to take them, with the columns of a plan file."""
        from astropy.table import QTable

        return QTable(self._columns)

    @cached_property
    def _columns(self) -> dict[str, NDArray[Any]]:
        grid, order, moves = self.grid, self.order, self.schedule
        directions, side = grid.directions[order], grid.sides[order]
        altitude, azimuth = alt_az(directions)
        frame = mount_frame("fork", self.site.location.latitude_rad)
        equatorial = np.degrees(sky_reading(ideal_axes(frame, directions)))
        ra, dec = np.full((2, self.points), np.nan)
        start = [""] * self.points
        if self.start is not None:
            from astropy import units as u

            from skysample.astrometry.observed_place import to_icrs
            from skysample.astrometry.times import iso

            times = self.start + self.exposure_start_s * u.s
            ra, dec = (np.degrees(each) for each in to_icrs(self.site, times, directions))
            start = [str(each) for each in iso(times)]
        columns: dict[str, NDArray[Any]] = {
            "point": self.numbers,
            "alt_deg": np.degrees(altitude),
            "az_deg": np.degrees(azimuth),
            "hour_angle_deg": equatorial[:, 0],
            "dec_deg": equatorial[:, 1],
            "ra_icrs_deg": ra,
            "dec_icrs_deg": dec,
            "pier": np.array(side_names(self.site.mount.kind, side)),
            "start_utc": np.array(start),
            "slew_s": moves.slew_s,
            "dome_az_deg": np.degrees(moves.dome_az),
            "dome_move_deg": np.degrees(moves.dome_move_rad),
            "dome_s": moves.dome_s,
        }
        if self.model is not None:
            reading = sky_reading(self.model.axes_for(directions, side))
            columns["primary_deg"], columns["secondary_deg"] = np.degrees(reading).T
        return columns

    @property
    def rows(self) -> list[dict[str, Any]]:
        """The table as plain values; None where unknown."""
        columns = [column.tolist() for column in self._columns.values()]
        return [
            {name: _plain(value) for name, value in zip(self._columns, row, strict=True)}
            for row in zip(*columns, strict=True)
        ]

    def write(self, path: str | os.PathLike[str]) -> None:
        """Write the plan as ECSV, whole or not at all."""
        from astropy.time import Time

        from skysample.astrometry.times import iso
        from skysample.files.tables import table_of, write_table

        meta = {
            "site": self.site.name,
            "made_utc": str(iso(Time.now())),
            "made_by": f"skysample {__version__}",
            "design": self.grid.design,
            "order": self.ordering,
            "slew_s": round(self.slew_s, 1),
            "total_s": round(self.total_s, 1),
            "dome_deg": round(float(np.degrees(self.schedule.dome_rad)), 1),
            "dome_moves": int(self.schedule.dome_moves),
            "bound_s": None if self.bound_s is None else round(self.bound_s, 1),
            "dome_weight": self.dome_weight,
            "sun_checked": self.sun_checked,
        }
        columns = {name: list(map(_plain, column.tolist())) for name, column in self._columns.items()}
        write_table(path, table_of(columns, meta), expected=PLAN_FORMAT, version=PLAN_VERSION)

    def summary(self) -> str:
        """Say how long the plan takes, and how much less another order could take."""
        text = "" if self.sun_checked else "The Sun was not checked: no start time was given (--when).\n"
        text += (
            f"{self.points} points, {self.total_s / 60.0:.1f} min, {self.slew_s / 60.0:.1f} min of it slewing"
        )
        if self.site.dome is not None:
            turned = np.degrees(self.schedule.dome_rad)
            text += f"; the dome moves {self.schedule.dome_moves} times, {turned:.0f} deg in all"
        if self.gap is not None and self.gap < _NO_GAP:
            text += "; no other order is quicker"
        elif self.gap is not None:
            text += f"; no other order could save more than {100.0 * self.gap / (1.0 + self.gap):.0f} % of the slewing"
        return text + "."

    def __str__(self) -> str:
        return self.summary()


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 6) if np.isfinite(value) else None
    return value if value != "" else None

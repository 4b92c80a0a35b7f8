"""A plan: points over the usable sky, in the order to take them, each with where the dome stands."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.dome import dome_arcs
from skysample.errors import InputError, NoSolution
from skysample.geometry import Array, alt_az
from skysample.mount_axes import (
    SIDE_NAMES,
    ideal_axes,
    limits,
    mount_frame,
    primary_turns,
    sky_reading,
    tube_origin,
    within_limits,
)
from skysample.ordering import DEFAULT_ORDERING, FrontPoint, best_order, front
from skysample.ordering.bound import mount_bound
from skysample.ordering.problem import OrderingProblem
from skysample.ordering.schedules import Schedule, schedule
from skysample.plugins.registry import default_registry
from skysample.sampling import Grid, sample
from skysample.sky import UsableSky, blocked_by, usable_sky

if TYPE_CHECKING:
    import os
    from collections.abc import Sequence

    from astropy.table import QTable
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.plugins.registry import Registry
    from skysample.run_progress import Progress
    from skysample.sampling.informed import Places
    from skysample.site import Site

__all__ = [
    "GUESSED_LEG_S",
    "PLAN_FORMAT",
    "PLAN_VERSION",
    "Plan",
    "check_times",
    "moments",
    "ordering_problem",
    "plan",
]

PLAN_FORMAT, PLAN_VERSION = "skysample-plan", 1
GUESSED_LEG_S = 10.0
_CHECK_EVERY_S = 600.0
_NO_GAP = 0.0005
_TRADED_OFF_UP_TO = 400


@dataclass(frozen=True)
class Plan:
    """Points in the order to take them.

    Attributes
    ----------
    site : Site
    grid : Grid
        The points in their own numbering.
    order : ndarray of int, shape (n,)
        Indices into the grid, in the order to take them.
    ordering : str
        Name of the ordering that found it.
    schedule : Schedule
        What mount and dome do, in the order of `order`.
    bound_s : float or None
        Proven lower bound on `slew_s` over every order, every turn of the axis and every dome policy that stands still
        during exposures; None where none is known.
    start : Time or None
        When the first slew starts.
    model : FittedModel or None
        With one, `table` says what the axes have to read.
    grid_numbers : tuple of int or None
        Stable numbers of the grid's points, where they are not simply 1 to n: in a plan that was resumed.
    problem : OrderingProblem or None
        What the ordering was asked.
    first : Plan or None
        The plan that this one is the rest of, as it was made first; None where this is the first.
    progress : Progress or None
        How far the first one had been taken.
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
    progress: Progress | None = None

    @property
    def numbers(self) -> NDArray[np.int64]:
        """The points' stable numbers, in the order to take them."""
        if self.grid_numbers is None:
            return np.asarray(self.order) + 1
        return np.array(self.grid_numbers)[self.order]

    @property
    def points(self) -> int:
        """How many."""
        return len(self.order)

    @property
    def sky(self) -> UsableSky:
        """The usable sky that the points cover."""
        return self.grid.sky

    @property
    def dome_weight(self) -> float:
        """From 0 (least time) to 1 (least dome), see `OrderingProblem`."""
        return 0.0 if self.problem is None else self.problem.dome_weight

    @property
    def slew_s(self) -> float:
        """All motion: mount, dome, settling."""
        return self.schedule.total_slew_s

    @property
    def total_s(self) -> float:
        """Motion, exposures and overhead."""
        camera = self.site.camera
        return self.slew_s + self.points * (camera.exposure_s + camera.overhead_s)

    @property
    def gap(self) -> float | None:
        """By how much, at most, a better plan could be quicker in motion: slew_s / bound_s - 1."""
        return self.slew_s / self.bound_s - 1.0 if self.bound_s else None

    @property
    def exposure_start_s(self) -> Array:
        """Seconds from the start of the first slew to the start of each exposure, in the order of the plan."""
        camera = self.site.camera
        return np.cumsum(self.schedule.slew_s) + np.arange(self.points) * (
            camera.exposure_s + camera.overhead_s
        )

    def trade_off(self) -> list[FrontPoint]:
        """Say what less dome would cost: this plan, and one or two that spare the dome, from a short search.

        Returns
        -------
        list of FrontPoint
            The first is this plan. Empty where the plan spares the dome already, was read from a file, comes from
            an ordering that does not search, or has more than 400 points, for which it takes too long; only this
            plan where there is no dome.
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
        """Whether the Sun's place was known: only a plan with a time can keep away from it."""
        return self.start is not None

    @property
    def table(self) -> QTable:
        """One row a point, in the order to take them, with the columns of a plan file."""
        from astropy.table import QTable

        grid, order, moves = self.grid, self.order, self.schedule
        directions, side = grid.directions[order], grid.sides[order]
        altitude, azimuth = alt_az(directions)
        frame = mount_frame("fork", self.site.location.latitude_rad)
        equatorial = np.degrees(sky_reading(ideal_axes(frame, directions)))
        ra, dec = np.full((2, self.points), np.nan)
        start = [""] * self.points
        if self.start is not None:
            from astropy import units as u

            from skysample.frames import to_icrs
            from skysample.times import iso

            times = self.start + self.exposure_start_s * u.s
            ra, dec = (np.degrees(each) for each in to_icrs(self.site, times, directions))
            start = [str(each) for each in iso(times)]
        german = self.site.mount.kind == "german"
        table = QTable(
            {
                "point": self.numbers,
                "alt_deg": np.degrees(altitude),
                "az_deg": np.degrees(azimuth),
                "hour_angle_deg": equatorial[:, 0],
                "dec_deg": equatorial[:, 1],
                "ra_icrs_deg": ra,
                "dec_icrs_deg": dec,
                "pier": [SIDE_NAMES[int(each)] if german else "" for each in side],
                "start_utc": start,
                "slew_s": moves.slew_s,
                "dome_az_deg": np.degrees(moves.dome_az),
                "dome_move_deg": np.degrees(moves.dome_move_rad),
                "dome_s": moves.dome_s,
            }
        )
        if self.model is not None:
            reading = sky_reading(self.model.axes_for(directions, side))
            table["primary_deg"], table["secondary_deg"] = (
                np.degrees(reading[:, 0]),
                np.degrees(reading[:, 1]),
            )
        return table

    @property
    def rows(self) -> list[dict[str, Any]]:
        """The table as plain values; what is not known is None."""
        table = self.table
        columns = {name: table[name].tolist() for name in table.colnames}
        return [{name: _plain(columns[name][i]) for name in columns} for i in range(self.points)]

    def write(self, path: str | os.PathLike[str]) -> None:
        """Write the plan as ECSV, whole or not at all."""
        from astropy.time import Time

        from skysample import __version__
        from skysample.tables import table_of, write_table
        from skysample.times import iso

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
        rows = self.rows
        columns = {name: [row[name] for row in rows] for name in rows[0]}
        write_table(path, table_of(columns, meta), expected=PLAN_FORMAT, version=PLAN_VERSION)

    def __str__(self) -> str:
        text = f"{self.points} points, {self.total_s / 60.0:.1f} min, of which {self.slew_s / 60.0:.1f} min are motion"
        if self.site.dome is not None:
            turned = np.degrees(self.schedule.dome_rad)
            text += f"; the dome moves {self.schedule.dome_moves} times, {turned:.0f} deg in all"
        if self.gap is not None and self.gap < _NO_GAP:
            text += "; no order is quicker"
        elif self.gap is not None:
            text += f"; no order can save more than {100.0 * self.gap / (1.0 + self.gap):.0f} % of the motion"
        if not self.sun_checked:
            text += ". No time was given: the Sun was not checked"
        return text + "."


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 6) if np.isfinite(value) else None
    return value if value != "" else None


def plan(
    site: Site,
    points: int = 15,
    when: Time | None = None,
    order: str | None = None,
    design: str = "even",
    *,
    model: FittedModel | None = None,
    terms: Sequence[str] | None = None,
    seed: int = 0,
    effort: str = "default",
    sky: UsableSky | None = None,
    registry: Registry | None = None,
    dome_weight: float = 0.0,
) -> Plan:
    """Sample the usable sky and order the points.

    Parameters
    ----------
    site : Site
    points : int
        How many.
    when : Time, optional
        When the first slew starts. Without it nothing that moves over the sky (Sun, Moon) can be kept away from.
    order : str, optional
        Name of an ordering; default "annealed".
    design : {"even", "informed"}
        See `skysample.sample`.
    model : FittedModel, optional
        To say what the axes have to read for each point.
    terms : sequence of str, optional
        What an informed design is for; default: the model's terms, or the standard set without one.
    seed : int
        The same seed gives the same plan on every machine.
    effort : str
        Of the sampling, see `skysample.sample`.
    sky : UsableSky, optional
        If it is at hand already.
    registry : Registry, optional
        Plugins to ask; default: everything installed.
    dome_weight : float
        From 0, least time, to 1, least dome: see `OrderingProblem`. `Plan.trade_off` says what it costs.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If a name or a number is not acceptable.
    NoSolution
        If nothing of the sky is usable.
    """
    plugins = registry or default_registry()
    orderings = plugins.orderings(site)
    name = order or DEFAULT_ORDERING
    if name not in orderings:
        raise InputError(f"there is no ordering {name!r}; known: {', '.join(sorted(orderings))}", key="order")
    if model is not None:
        model.check_site(site)
    if when is not None and not when.isscalar:
        raise InputError("when must be one moment", key="when")
    served: Sequence[str] | None = terms
    if design == "informed" and terms is None:
        served = ("standard",) if model is None else model.names
    camera = site.camera
    expected_s = (
        points * (camera.exposure_s + camera.overhead_s + GUESSED_LEG_S) if isinstance(points, int) else 0.0
    )
    region = sky or usable_sky(site, moments(when, expected_s), registry=plugins)
    for _ in range(4):
        grid = sample(region, points, design, terms=served, seed=seed, effort=effort, registry=plugins)
        problem = ordering_problem(site, grid, seed, dome_weight)
        sequence = best_order(problem, orderings[name])
        moves = schedule(problem, sequence)
        total_s = moves.total_slew_s + points * (camera.exposure_s + camera.overhead_s)
        if when is None or sky is not None or total_s <= expected_s:
            break
        expected_s = 1.2 * total_s
        longer = usable_sky(site, moments(when, expected_s), registry=plugins)
        if longer.same_part(region) and longer.usable(grid.directions).all():
            break
        region = longer
    bound_s = mount_bound(problem)
    found = Plan(site, grid, sequence, name, moves, bound_s, when, model, problem=problem)
    check_times(found, plugins)
    return found


def moments(when: Time | None, span_s: float) -> Time | None:
    """Times, ten minutes apart, that cover a plan: what moves over the sky has to be asked about all of them."""
    if when is None:
        return None
    from astropy import units as u

    count = int(np.ceil(span_s / _CHECK_EVERY_S)) + 1
    return when + np.linspace(0.0, span_s, count) * u.s


def check_times(found: Plan, registry: Registry) -> None:
    """Ask every obstruction once more about each point at its own time; NoSolution if one is blocked."""
    if found.start is None:
        return
    from astropy import units as u

    times = found.start + found.exposure_start_s * u.s
    directions = found.grid.directions[found.order]
    for obstruction in registry.obstructions(found.site).values():
        blocked = blocked_by(obstruction, directions, times)
        if blocked.any():
            number = int(found.numbers[int(np.argmax(blocked))])
            raise NoSolution(
                f"point {number} is blocked by {obstruction.name} at its own time; plan for another time or"
                f" fewer points"
            )


def ordering_problem(
    site: Site, grid: Grid | Places, seed: int = 0, dome_weight: float = 0.0
) -> OrderingProblem:
    """Put the order of a grid's points as a problem: axes, turns and dome arcs, from where the mount is parked."""
    frame = mount_frame(site.mount.kind, site.location.latitude_rad)
    axes = ideal_axes(frame, grid.directions, grid.sides)
    axis_limits = limits(site.mount)
    secondary_low = axis_limits[1, 0]
    axes = np.stack([axes[:, 0], secondary_low + (axes[:, 1] - secondary_low) % (2.0 * np.pi)], axis=1)
    arcs: tuple[Array, ...] = ()
    if site.dome is not None:
        arcs = dome_arcs(
            site.dome, grid.directions, tube_origin(frame, axes, site.dome.pivot_m, site.dome.tube_offset_m)
        )
    return OrderingProblem(
        axes=axes,
        turns=primary_turns(axes, axis_limits),
        start_axes=_parked(site, axis_limits),
        azimuth=alt_az(grid.directions)[1],
        arcs=arcs,
        start_dome=np.radians(site.dome.park_deg) if site.dome is not None else 0.0,
        mount=site.mount,
        dome=site.dome,
        seed=seed,
        dome_weight=dome_weight,
        dome_head_start_s=site.dome.head_start_s if site.dome is not None else 0.0,
    )


def _parked(site: Site, axis_limits: Array) -> Array:
    if site.mount.park is not None:
        parked = np.radians(np.array(site.mount.park))
        if not within_limits(parked, axis_limits):
            raise InputError(
                f"mount.park: {list(site.mount.park)} is outside the axes' limits; correct one of them",
                key="mount.park",
            )
        return np.asarray(parked)
    if site.mount.kind == "altaz":
        return np.array([0.0, np.radians(site.sky.altitude_min_deg)])
    return np.array([np.clip(0.0, *axis_limits[0]), site.location.latitude_rad])

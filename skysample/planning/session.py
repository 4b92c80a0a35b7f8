"""Take a plan point by point: each result is on disk before the next point is handed out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.times import iso
from skysample.errors import InputError
from skysample.files.tables import plain_table
from skysample.geometry import direction
from skysample.planning.resuming import known_numbers, resume
from skysample.runs import read_run, run_table, write_run
from skysample.runs.points_done import PointsDone, read_points_done
from skysample.runs.reading import DECLARATIONS, fields_of_table, read_run_table

if TYPE_CHECKING:
    import os

    from astropy.coordinates import SkyCoord
    from astropy.table import Table
    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.planning.plan_table import Plan
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.site import Site

__all__ = ["PlannedPoint", "Session"]

_COLUMNS = (
    "point", "time", "primary_deg", "secondary_deg", "target_ra_deg", "target_dec_deg", "pier", "solved_ra_deg",
    "solved_dec_deg", "status", "frame", "sigma_arcsec", "dome_az_deg",
)  # fmt: skip


@dataclass(frozen=True)
class PlannedPoint:
    """One point to take.

    Attributes
    ----------
    number : int
        Number in the plan.
    alt_deg, az_deg : float
        Observed altitude and azimuth.
    pier : str
        "east" or "west" for a `german` mount, else empty.
    dome_az_deg : float
        Azimuth that the dome needs, nan without a dome.
    site : Site
    """

    number: int
    alt_deg: float
    az_deg: float
    pier: str
    dome_az_deg: float
    site: Site

    def icrs(self, when: Time) -> SkyCoord:
        """Where to point, in ICRS, at a given time."""
        from astropy import units as u
        from astropy.coordinates import SkyCoord

        from skysample.astrometry.observed_place import to_icrs

        ra, dec = to_icrs(self.site, when, direction(np.radians(self.alt_deg), np.radians(self.az_deg)))
        return SkyCoord(ra=ra * u.rad, dec=dec * u.rad, frame="icrs")


class Session:
    """Take a plan point by point.

    Each result is in the run file, on disk, before the next point is handed out: a program that is killed loses
    nothing, and a new session on the same plan and log continues where the old one stopped. After clouds, `resume`
    plans the rest again. Only one session at a time may write to a log.

    Parameters
    ----------
    plan : Plan
        The first plan, or one resumed from it.
    log : path-like
        The run file. If it exists, its points are done.
    meta : mapping, optional
        What the run file is to declare: `axes`, `old_model`, `session`.

    Raises
    ------
    InputError
        If the log is not a run of this plan.
    """

    def __init__(
        self, plan: Plan, log: str | os.PathLike[str], *, meta: dict[str, Any] | None = None
    ) -> None:
        self._log = Path(log)
        self._meta = dict(meta or {})
        if unknown := ", ".join(sorted(set(self._meta) - set(DECLARATIONS))):
            raise InputError(f"meta has {unknown}; use only {', '.join(DECLARATIONS)}", key="meta")
        self._rows: list[dict[str, Any]] = []
        self._seen = _stamp(self._log)
        self._plan, self._points = plan, _points_of(plan)
        self._current: PlannedPoint | None = None
        if self._seen is not None:
            self._read_log()

    def _read_log(self) -> None:
        file = str(self._log)
        table = plain_table(read_run_table(self._log).table())
        if "point" not in table.colnames:
            raise InputError("has no column point; name the log of this plan, or a new file", file=file)
        known = known_numbers(self._plan, read_points_done(self._log))
        for place, number in enumerate(table["point"]):
            if int(number) not in known:
                message = f"point {number} is not in this plan; name the log of this plan, or a new file"
                raise InputError(message, file=file, row=place + 1, key="point")
        self._rows = [
            {name: None if _is_empty(row[name]) else row[name] for name in table.colnames} for row in table
        ]
        self._meta = {**dict(table.meta), **self._meta}

    @property
    def plan(self) -> Plan:
        """The plan being taken: the one given, or the rest of it since `resume`."""
        return self._plan

    @property
    def progress(self) -> PointsDone:
        """What has been taken, for `skysample.planning.resuming.resume`."""
        last = self._rows[-1] if self._rows else {}
        dome = last.get("dome_az_deg")
        return PointsDone(
            tuple(dict.fromkeys(int(row["point"]) for row in self._rows if _solved(row))),
            tuple(dict.fromkeys(self.skipped)),
            int(last["point"]) if last else None,
            None if dome is None else float(np.radians(dome)),
        )

    @property
    def done(self) -> tuple[int, ...]:
        """Numbers of the points taken or skipped, in that order."""
        return tuple(int(row["point"]) for row in self._rows)

    @property
    def skipped(self) -> tuple[int, ...]:
        """Numbers of the points without a solution."""
        return tuple(int(row["point"]) for row in self._rows if not _solved(row))

    def run(self) -> Run | None:
        """Return the run so far, read from disk; None before the first point with a solution."""
        if len(self.done) == len(self.skipped):
            return None
        return read_run(self._log, self._plan.site)

    @property
    def remaining(self) -> int:
        """Number of points still to be taken."""
        return len(self._still_to_take())

    @property
    def table(self) -> Table | None:
        """One row per point taken or skipped, with the columns of a run file; None before the first."""
        return run_table(self._columns(self._rows), self._meta) if self._rows else None

    def summary(self) -> str:
        """Say how many points are taken, skipped and left."""
        taken = len(self.done) - len(self.skipped)
        return f"{taken} points taken, {len(self.skipped)} skipped, {self.remaining} left."

    def __str__(self) -> str:
        return self.summary()

    def next(self) -> PlannedPoint | None:
        """Return the next point to take, the same one until it is recorded or skipped; None when all are done."""
        self._current = next(iter(self._still_to_take()), None)
        return self._current

    def _still_to_take(self) -> list[PlannedPoint]:
        done = set(self.done)
        return [point for point in self._points if point.number not in done]

    def resume(
        self,
        when: Time | None = None,
        *,
        order: str | None = None,
        dome_weight: float | None = None,
        registry: Registry | None = None,
    ) -> Plan:
        """Plan the rest again after clouds, see `skysample.planning.resuming.resume`.

        A skipped point is replaced by a neighbour, and the order starts from where mount and dome stood at the last
        point. The log continues. Call `next` again afterwards: another point may now be the next one.

        Parameters
        ----------
        when : Time, optional
            Now.
        order, dome_weight, registry : optional
            As for `skysample.planning.resuming.resume`.

        Returns
        -------
        Plan
            The rest, which this session now takes.

        Raises
        ------
        NoSolution
            If nothing is left to take. The session is then unchanged.
        """
        rest = resume(
            self._plan, self.progress, when, order=order, dome_weight=dome_weight, registry=registry
        )
        self._plan, self._points, self._current = rest, _points_of(rest), None
        return rest

    def record(
        self,
        solved: SkyCoord,
        time: Time,
        axes: Quantity | None = None,
        *,
        target: SkyCoord | None = None,
        frame: str | None = None,
        sigma_arcsec: float | None = None,
    ) -> None:
        """Record the result for the point handed out last.

        Parameters
        ----------
        solved : SkyCoord
            Frame centre from the plate solution.
        time : Time
            Mid-exposure.
        axes : Quantity, shape (2,), optional
            Axis readings; if not given, the target is used.
        target : SkyCoord, optional
            What the mount was asked for; default: the place of the point at that time.
        frame : str, optional
            Name of the exposure.
        sigma_arcsec : float, optional
            Noise of the solution per axis, if known.

        Raises
        ------
        InputError
            If no point is out, a place or reading is not one finite pair, or the log cannot be written or was changed
            by another program.
        """
        from astropy import units as u

        point = self._point_out()
        place = _icrs(solved, "solved")
        if not place.isscalar or not np.isfinite([place.ra.deg, place.dec.deg]).all():
            raise InputError(
                "solved is not one finite place; call skip() if there is no solution", key="solved"
            )
        row = self._row(point, time)
        row |= {
            "solved_ra_deg": float(place.ra.deg),
            "solved_dec_deg": float(place.dec.deg),
            "status": "ok",
            "frame": frame,
            "sigma_arcsec": sigma_arcsec,
        }
        if axes is not None:
            try:
                reading = u.Quantity(axes).to_value(u.deg)
            except (u.UnitsError, TypeError, ValueError):
                raise InputError(
                    "axes are not two angles with a unit; give both as a Quantity", key="axes"
                ) from None
            masked = np.any(getattr(reading, "mask", False))
            if masked or np.shape(reading) != (2,) or not np.isfinite(reading).all():
                raise InputError("axes are not two finite angles; give both", key="axes")
            row |= {"primary_deg": float(reading[0]), "secondary_deg": float(reading[1])}
        else:
            wanted = point.icrs(time) if target is None else _icrs(target, "target")
            row |= {"target_ra_deg": float(wanted.ra.deg), "target_dec_deg": float(wanted.dec.deg)}
        self._write(row)

    def skip(self, time: Time, frame: str | None = None) -> None:
        """Record that the point handed out last has no solution."""
        self._write({**self._row(self._point_out(), time), "status": "failed", "frame": frame})

    def _point_out(self) -> PlannedPoint:
        if self._current is None or self._current.number in self.done:
            raise InputError("no point is out; call next() first", key="point")
        return self._current

    def _row(self, point: PlannedPoint, time: Time) -> dict[str, Any]:
        from astropy.time import Time as Moment

        if not isinstance(time, Moment) or not time.isscalar:
            raise InputError("time must be one moment, an astropy Time", key="time")
        return dict.fromkeys(_COLUMNS) | {
            "point": point.number,
            "time": str(iso(time)),
            "pier": point.pier or None,
            "dome_az_deg": point.dome_az_deg if np.isfinite(point.dome_az_deg) else None,
        }

    def _check(self, row: dict[str, Any]) -> None:
        """Refuse what the reader of the log would refuse: one such row would spoil the whole run."""
        alone = run_table({name: [value] for name, value in row.items() if value is not None}, self._meta)
        fields_of_table(alone, self._plan.site, {}, None)
        same = ("time", "solved_ra_deg", "solved_dec_deg")
        for other in filter(_solved, self._rows):
            if all(other.get(name) == row[name] for name in same):
                raise InputError(
                    f"time and solved place are those of point {other['point']}; record each exposure once",
                    key="time",
                )
            if (other.get("sigma_arcsec") is None) != (row["sigma_arcsec"] is None):
                message = "sigma_arcsec is given for some points only; give it for all of them, or for none"
                raise InputError(message, key="sigma_arcsec")

    def _write(self, row: dict[str, Any]) -> None:
        found = _stamp(self._log)
        if found is not None and found != self._seen:
            raise InputError(
                "was changed by another program during this session; start a new session on it, and record the point"
                " again",
                file=str(self._log),
            )
        if _solved(row):
            self._check(row)
        rows = [*self._rows, row]
        write_run(self._log, run_table(self._columns(rows), self._meta))
        self._rows, self._seen = rows, _stamp(self._log)

    def _columns(self, rows: list[dict[str, Any]]) -> dict[str, list[Any]]:
        """Columns that have a value in any row, and those that every run has."""
        names = dict.fromkeys((*_COLUMNS, *(name for row in rows for name in row)))
        columns = {name: [row.get(name) for row in rows] for name in names}
        needed = ("solved_ra_deg", "solved_dec_deg")
        return {
            name: values
            for name, values in columns.items()
            if name in needed or any(value is not None for value in values)
        }


def _icrs(place: SkyCoord, key: str) -> SkyCoord:
    from astropy.coordinates import SkyCoord as Place
    from astropy.coordinates.errors import ConvertError

    try:
        found = place.icrs
    except (AttributeError, ConvertError, ValueError):
        found = None
    if not isinstance(found, Place) or np.any(getattr(found.ra, "mask", False)):
        raise InputError(f"{key} is not a SkyCoord that converts to ICRS; give one", key=key)
    return found


def _points_of(plan: Plan) -> list[PlannedPoint]:
    table = plan.table
    columns = [table[name].tolist() for name in ("point", "alt_deg", "az_deg", "pier", "dome_az_deg")]
    return [PlannedPoint(*row) for row in zip(*columns, [plan.site] * plan.points, strict=True)]


def _is_empty(cell: Any) -> bool:
    return np.ma.is_masked(cell) or (isinstance(cell, float) and bool(np.isnan(cell)))


def _solved(row: dict[str, Any]) -> bool:
    there = all(row.get(name) is not None for name in ("solved_ra_deg", "solved_dec_deg"))
    return there and str(row.get("status") or "").strip().lower() != "failed"


def _stamp(path: Path) -> tuple[int, int, int] | None:
    """Identity of a file's content, which changes when another program writes it; None if there is no file."""
    if not path.exists():
        return None
    found = path.stat()
    return found.st_ino, found.st_mtime_ns, found.st_size

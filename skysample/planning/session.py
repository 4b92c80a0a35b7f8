"""A plan as it is being taken: the next point, and each result on disk before the one after is given."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.times import iso
from skysample.errors import InputError
from skysample.files.tables import plain_table, read_table
from skysample.geometry import direction
from skysample.planning.resuming import known_numbers, resume
from skysample.runs import RUN_FORMAT, RUN_VERSION, read_run, run_table, write_run
from skysample.runs.points_done import PointsDone, read_points_done
from skysample.runs.reading import DECLARATIONS, fields_of_table

if TYPE_CHECKING:
    import os

    from astropy.coordinates import SkyCoord
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
        In the plan.
    alt_deg, az_deg : float
        Observed place.
    pier : str
        "east" or "west" for a `german` mount, else empty.
    dome_az_deg : float
        Where the dome has to stand, nan without a dome.
    site : Site
    """

    number: int
    alt_deg: float
    az_deg: float
    pier: str
    dome_az_deg: float
    site: Site

    def icrs(self, when: Time) -> SkyCoord:
        """The place to point at, in ICRS, at a moment."""
        from astropy import units as u
        from astropy.coordinates import SkyCoord

        from skysample.astrometry.observed_place import to_icrs

        ra, dec = to_icrs(self.site, when, direction(np.radians(self.alt_deg), np.radians(self.az_deg)))
        return SkyCoord(ra=ra * u.rad, dec=dec * u.rad, frame="icrs")


class Session:
    """Take a plan point by point.

    Each result is on disk, in a run file, before the next point is given: a program that dies, by whatever signal,
    loses nothing, and a new session on the same plan and log goes on where the old one stopped. After clouds,
    `resume` plans the rest anew. One session at a time writes to a log.

    Parameters
    ----------
    plan : Plan
        The first plan, or one that was resumed since.
    log : path-like
        The run file. If it is there already, its points are done.
    meta : mapping, optional
        What the run file should declare: `axes`, `old_model`, `session`.

    Raises
    ------
    InputError
        If the log holds something that is not a run of this plan.
    """

    def __init__(
        self, plan: Plan, log: str | os.PathLike[str], *, meta: dict[str, Any] | None = None
    ) -> None:
        self._log = Path(log)
        unknown = set(meta or {}) - set(DECLARATIONS)
        if unknown:
            raise InputError(
                f"meta has {', '.join(sorted(unknown))}; a run declares {', '.join(DECLARATIONS)}", key="meta"
            )
        self._meta = dict(meta or {})
        self._rows: list[dict[str, Any]] = []
        self._seen = _stamp(self._log)
        self._plan, self._points = plan, _points_of(plan)
        self._given: PlannedPoint | None = None
        if self._seen is not None:
            self._read_log()

    def _read_log(self) -> None:
        file = str(self._log)
        table = plain_table(
            read_table(
                self._log,
                text=("time", "pier", "status", "frame"),
                expected=RUN_FORMAT,
                version=RUN_VERSION,
                undeclared=True,
            ).table()
        )
        if "point" not in table.colnames:
            raise InputError("has no column point: it is not the log of a plan; name another file", file=file)
        progress = read_points_done(self._log)
        known = known_numbers(self._plan, progress)
        for place, number in enumerate(table["point"]):
            if int(number) not in known:
                raise InputError(
                    f"point {number} is not in this plan; name the log of this plan, or another file",
                    file=file,
                    row=place + 1,
                    key="point",
                )
        self._rows = [
            {name: None if _is_empty(row[name]) else row[name] for name in table.colnames} for row in table
        ]
        self._meta = {**dict(table.meta), **self._meta}

    @property
    def plan(self) -> Plan:
        """What is being taken: as given, or the rest of it since `resume`."""
        return self._plan

    @property
    def progress(self) -> PointsDone:
        """How far it has been taken, for `skysample.planning.resuming.resume`."""
        solved = [row for row in self._rows if _solved(row)]
        failed = [row for row in self._rows if not _solved(row)]
        last = self._rows[-1] if self._rows else {}
        dome = last.get("dome_az_deg")
        return PointsDone(
            tuple(dict.fromkeys(int(row["point"]) for row in solved)),
            tuple(dict.fromkeys(int(row["point"]) for row in failed)),
            int(last["point"]) if last else None,
            None if dome is None else float(np.radians(dome)),
        )

    @property
    def done(self) -> tuple[int, ...]:
        """Numbers of the points taken or skipped, in the order in which that happened."""
        return tuple(int(row["point"]) for row in self._rows)

    @property
    def skipped(self) -> tuple[int, ...]:
        """Numbers of the points that brought nothing."""
        return tuple(int(row["point"]) for row in self._rows if not _solved(row))

    def run(self) -> Run | None:
        """What is on disk so far, as a run; None before the first point with a solution."""
        if len(self.done) == len(self.skipped):
            return None
        return read_run(self._log, self._plan.site)

    @property
    def remaining(self) -> int:
        """How many points are still to be taken."""
        done = set(self.done)
        return sum(point.number not in done for point in self._points)

    def next(self) -> PlannedPoint | None:
        """The next point to take, the same one until it is recorded or skipped; None when all are done."""
        done = set(self.done)
        self._given = next((point for point in self._points if point.number not in done), None)
        return self._given

    def resume(
        self,
        when: Time | None = None,
        *,
        order: str | None = None,
        dome_weight: float | None = None,
        registry: Registry | None = None,
    ) -> Plan:
        """Plan the rest anew, after clouds: see `skysample.planning.resuming.resume`.

        A point skipped so far gives way to a neighbour; the order starts from where mount and dome stood at the
        last point. The log goes on. A point given out but neither recorded nor skipped may come later now: call
        `next`.

        Parameters
        ----------
        when : Time, optional
            Now.
        order, dome_weight, registry : optional
            As of `skysample.planning.resuming.resume`.

        Returns
        -------
        Plan
            The rest, which this session takes from here on.

        Raises
        ------
        NoSolution
            If nothing is left to take. The session is then as it was.
        """
        rest = resume(
            self._plan, self.progress, when, order=order, dome_weight=dome_weight, registry=registry
        )
        self._plan, self._points, self._given = rest, _points_of(rest), None
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
        """Write down the point given last.

        Parameters
        ----------
        solved : SkyCoord
            Frame centre from the plate solution.
        time : Time
            Mid-exposure.
        axes : Quantity, shape (2,), optional
            What the axes read; without it the target counts.
        target : SkyCoord, optional
            What the mount was asked for; default: the point's own place at that time.
        frame : str, optional
            Name of the exposure.
        sigma_arcsec : float, optional
            Noise of the solution per axis, if known.

        Raises
        ------
        InputError
            If no point was given out, a place or reading is not one finite pair, or the log cannot be written or
            was changed by someone else.
        """
        from astropy import units as u

        point = self._current()
        place = _icrs(solved, "solved")
        if not place.isscalar or not np.isfinite([place.ra.deg, place.dec.deg]).all():
            raise InputError(
                "the solved place is not one place; call skip() where there is none", key="solved"
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
                    "the reading of the axes is not two angles with their unit", key="axes"
                ) from None
            if (
                np.any(getattr(reading, "mask", False))
                or np.shape(reading) != (2,)
                or not np.isfinite(reading).all()
            ):
                raise InputError("the reading of the axes is not two finite angles; give both", key="axes")
            row |= {"primary_deg": float(reading[0]), "secondary_deg": float(reading[1])}
        else:
            wanted = point.icrs(time) if target is None else _icrs(target, "target")
            row |= {"target_ra_deg": float(wanted.ra.deg), "target_dec_deg": float(wanted.dec.deg)}
        self._write(row)

    def skip(self, time: Time, frame: str | None = None) -> None:
        """Write down that the point given last brought nothing."""
        point = self._current()
        self._write({**self._row(point, time), "status": "failed", "frame": frame})

    def _current(self) -> PlannedPoint:
        if self._given is None or self._given.number in self.done:
            raise InputError("no point is given out; call next() first", key="point")
        return self._given

    def _row(self, point: PlannedPoint, time: Time) -> dict[str, Any]:
        from astropy.time import Time as Moment

        if not isinstance(time, Moment) or not time.isscalar:
            raise InputError("time must be one moment, an astropy Time", key="time")
        row: dict[str, Any] = dict.fromkeys(_COLUMNS)
        dome = point.dome_az_deg if np.isfinite(point.dome_az_deg) else None
        return row | {
            "point": point.number,
            "time": str(iso(time)),
            "pier": point.pier or None,
            "dome_az_deg": dome,
        }

    def _check(self, row: dict[str, Any]) -> None:
        """Refuse what the reader of the log would refuse: one such row spoils the whole night."""
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
                raise InputError(
                    "sigma_arcsec has to be given for every point, or for none", key="sigma_arcsec"
                )

    def _write(self, row: dict[str, Any]) -> None:
        found = _stamp(self._log)
        if found is not None and found != self._seen:
            raise InputError(
                "was changed by someone else while this session went on; start a new session on it, and record"
                " the point again",
                file=str(self._log),
            )
        rows = [*self._rows, row]
        names = dict.fromkeys((*_COLUMNS, *(name for each in rows for name in each)))
        columns = {name: [each.get(name) for each in rows] for name in names}
        kept = {
            name: values for name, values in columns.items() if any(value is not None for value in values)
        }
        for needed in ("solved_ra_deg", "solved_dec_deg"):
            kept.setdefault(needed, columns[needed])
        if _solved(row):
            self._check(row)
        write_run(self._log, run_table(kept, self._meta))
        self._rows, self._seen = rows, _stamp(self._log)


def _icrs(place: SkyCoord, key: str) -> SkyCoord:
    from astropy.coordinates import SkyCoord as Place
    from astropy.coordinates.errors import ConvertError

    try:
        found = place.icrs
    except (AttributeError, ConvertError, ValueError):
        found = None
    if not isinstance(found, Place) or np.any(getattr(found.ra, "mask", False)):
        raise InputError(f"{key} is not a SkyCoord that has an ICRS place", key=key)
    return found


def _points_of(plan: Plan) -> list[PlannedPoint]:
    return [
        PlannedPoint(
            int(row["point"]),
            float(row["alt_deg"]),
            float(row["az_deg"]),
            str(row["pier"]),
            float(row["dome_az_deg"]),
            plan.site,
        )
        for row in plan.table
    ]


def _is_empty(cell: Any) -> bool:
    return np.ma.is_masked(cell) or (isinstance(cell, float) and bool(np.isnan(cell)))


def _solved(row: dict[str, Any]) -> bool:
    there = all(row.get(name) is not None for name in ("solved_ra_deg", "solved_dec_deg"))
    return there and str(row.get("status") or "").strip().lower() != "failed"


def _stamp(path: Path) -> tuple[int, int, int] | None:
    """What tells a file from what another program makes of it; None where there is none."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_ino, found.st_mtime_ns, found.st_size

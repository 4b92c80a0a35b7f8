"""A plan as it is being taken: the next point, and each result on disk before the one after is given."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError
from skysample.geometry import direction
from skysample.runs import RUN_FORMAT, RUN_VERSION, read_run, run_table, write_run
from skysample.tables import read_table
from skysample.times import iso

if TYPE_CHECKING:
    import os

    from astropy.coordinates import SkyCoord
    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.planning import Plan
    from skysample.runs import Run
    from skysample.site import Site

__all__ = ["PlannedPoint", "Session"]

_COLUMNS = (
    "point", "time", "primary_deg", "secondary_deg", "target_ra_deg", "target_dec_deg", "pier", "solved_ra_deg",
    "solved_dec_deg", "status", "frame", "sigma_arcsec",
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

        from skysample.frames import to_icrs

        ra, dec = to_icrs(self.site, when, direction(np.radians(self.alt_deg), np.radians(self.az_deg)))
        return SkyCoord(ra=ra * u.rad, dec=dec * u.rad, frame="icrs")


class Session:
    """Take a plan point by point.

    Each result is on disk, in a run file, before the next point is given: a program that dies loses nothing, and a
    new session on the same plan and log goes on where the old one stopped.

    Parameters
    ----------
    plan : Plan
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
        self._plan = plan
        self._log = Path(log)
        self._meta = dict(meta or {})
        self._rows: list[dict[str, Any]] = []
        table = plan.table
        self._points = [
            PlannedPoint(
                int(row["point"]),
                float(row["alt_deg"]),
                float(row["az_deg"]),
                str(row["pier"]),
                float(row["dome_az_deg"]),
                plan.site,
            )
            for row in table
        ]
        if self._log.exists():
            self._rows = self._resumed()
        self._given: PlannedPoint | None = None

    def _resumed(self) -> list[dict[str, Any]]:
        table = read_table(
            self._log,
            text=("time", "pier", "status", "frame"),
            expected=RUN_FORMAT,
            version=RUN_VERSION,
            undeclared=True,
        )
        known = {point.number for point in self._points}
        if "point" not in table.colnames:
            raise InputError(
                "has no column point: it is not the log of a plan; name another file", file=str(self._log)
            )
        rows = []
        for number, row in enumerate(table, 1):
            values = {name: None if np.ma.is_masked(row[name]) else row[name] for name in table.colnames}
            if values["point"] not in known:
                raise InputError(
                    f"point {values['point']} is not in this plan; name the log of this plan, or another file",
                    file=str(self._log),
                    row=number,
                    key="point",
                )
            rows.append({name: values.get(name) for name in _COLUMNS})
        self._meta = {**dict(table.meta), **self._meta}
        return rows

    @property
    def done(self) -> tuple[int, ...]:
        """Numbers of the points taken or skipped, in the order in which that happened."""
        return tuple(int(row["point"]) for row in self._rows)

    @property
    def plan(self) -> Plan:
        """What is being taken."""
        return self._plan

    @property
    def skipped(self) -> tuple[int, ...]:
        """Numbers of the points that brought nothing."""
        return tuple(int(row["point"]) for row in self._rows if row["status"] == "failed")

    def run(self) -> Run | None:
        """What is on disk so far, as a run; None before the first point with a solution."""
        if len(self.done) == len(self.skipped):
            return None
        return read_run(self._log, self._plan.site)

    @property
    def remaining(self) -> int:
        """How many points are still to be taken."""
        return len(self._points) - len(set(self.done))

    def next(self) -> PlannedPoint | None:
        """The next point to take, the same one until it is recorded or skipped; None when all are done."""
        done = set(self.done)
        self._given = next((point for point in self._points if point.number not in done), None)
        return self._given

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
            If no point was given out, or the log cannot be written.
        """
        from astropy import units as u

        point = self._current()
        place = solved.icrs
        row = self._row(point, time)
        row |= {
            "solved_ra_deg": float(place.ra.deg),
            "solved_dec_deg": float(place.dec.deg),
            "status": "ok",
            "frame": frame,
            "sigma_arcsec": sigma_arcsec,
        }
        if axes is not None:
            reading = u.Quantity(axes).to_value(u.deg)
            row |= {"primary_deg": float(reading[0]), "secondary_deg": float(reading[1])}
        else:
            wanted = (target or point.icrs(time)).icrs
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
        row: dict[str, Any] = dict.fromkeys(_COLUMNS)
        return row | {"point": point.number, "time": str(iso(time)), "pier": point.pier or None}

    def _write(self, row: dict[str, Any]) -> None:
        rows = [*self._rows, row]
        columns = {name: [each[name] for each in rows] for name in _COLUMNS}
        kept = {
            name: values for name, values in columns.items() if any(value is not None for value in values)
        }
        for needed in ("solved_ra_deg", "solved_dec_deg"):
            kept.setdefault(needed, columns[needed])
        write_run(self._log, run_table(kept, self._meta))
        self._rows = rows

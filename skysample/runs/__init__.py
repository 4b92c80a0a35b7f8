"""A run: the axis readings and where the tube really pointed, one row per exposure."""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from skysample.astrometry.times import iso
from skysample.errors import InputError
from skysample.files.tables import table_of, write_table
from skysample.geometry import ARCSEC, alt_az
from skysample.runs.reading import RUN_FORMAT, RUN_VERSION, fields_of_table, read_run_table
from skysample.site.mount_axes import side_names, sides, tube_side

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from astropy.table import QTable, Table
    from astropy.time import Time
    from numpy.typing import ArrayLike, NDArray

    from skysample.geometry import Array
    from skysample.runs.log import Log
    from skysample.site import Site

__all__ = ["RUN_FORMAT", "RUN_VERSION", "Run", "read_run", "run_table", "write_run"]

AxesKind = Literal["raw", "corrected", "unknown"]
OldModel = Literal["off", "on", "unknown"]


@dataclass(frozen=True, eq=False)
class Run:
    """Exposures with a plate solution: n points, angles in radians, read-only arrays.

    Attributes
    ----------
    site : Site
        Where the run was taken.
    axes : ndarray, shape (n, 2)
        Mechanical angles (see `skysample.site.mount_axes`): the axis readings, or what a perfect mount would read on
        the target.
    directions : ndarray, shape (n, 3)
        Observed direction of the solved centre, unit vectors, east-north-up.
    time : astropy.time.Time, shape (n,), or None
        Mid-exposure, UTC; None in simulations without time.
    side : ndarray of int, shape (n,)
        1: tube east of the pier, or a mount that does not flip; -1: west.
    use : ndarray of bool, shape (n,)
        False: left out of the fit by the user.
    rows : ndarray of int, shape (n,)
        Data row of the table, from 1.
    point : ndarray of int, shape (n,)
        Number in the plan, -1 if none.
    frames : tuple of (str or None), length n
        Names of the exposures.
    sigma_arcsec : ndarray, shape (n,), or None
        Known noise per axis.
    temperature_c, pressure_hpa, roll_rad : ndarray, shape (n,)
        Of the air and of the image, nan if unknown.
    solved_rad : ndarray, shape (n, 2), or None
        ICRS right ascension and declination of the solved centre.
    mirrored : bool or None
        Parity of the images; None if no row gives it, or rows differ.
    axes_kind, old_model : str
        Whether the readings are "raw" or "corrected" by a model in the mount, and whether one was "on" or "off";
        else "unknown".
    session : str or None
        Changes when the mount is re-homed or re-synced.
    source : str or None
        The file.
    failed : int
        Rows without a solution, which are not among the n.
    meta : dict
        Metadata of the table.
    log : Log or None
        The table's columns before any astronomy; None for a run from arrays.
    """

    site: Site
    axes: Array
    directions: Array
    time: Time | None
    side: NDArray[np.int64]
    use: NDArray[np.bool_]
    rows: NDArray[np.int64]
    point: NDArray[np.int64]
    frames: tuple[str | None, ...]
    sigma_arcsec: Array | None
    temperature_c: Array
    pressure_hpa: Array
    roll_rad: Array
    solved_rad: Array | None = None
    mirrored: bool | None = None
    axes_kind: AxesKind = "unknown"
    old_model: OldModel = "unknown"
    session: str | None = None
    source: str | None = None
    failed: int = 0
    meta: dict[str, Any] = field(default_factory=dict)
    log: Log | None = None

    def __post_init__(self) -> None:
        for value in vars(self).values():
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    @classmethod
    def from_table(
        cls,
        table: Table,
        site: Site,
        *,
        assume: Mapping[str, str] | None = None,
        source: str | None = None,
        any_place: bool = False,
    ) -> Run:
        """Build a run from a table with the columns of a run file.

        Parameters
        ----------
        table : astropy.table.Table or QTable
            Time as text or `Time`; angles as numbers in degrees, or as quantities.
        site : Site
            Location, air and kind of mount.
        assume : mapping, optional
            `axes`, `old_model`, `target_refraction`, `session`: override the table's metadata.
        source : str, optional
            Named in errors and reports.
        any_place : bool
            Whether to read a run whose places lie below the horizon, as a wrong clock makes them, which
            `skysample.check` explains; by default it is refused.

        Returns
        -------
        Run

        Raises
        ------
        InputError
            Names the row and the column.
        """
        fields = fields_of_table(table, site, assume or {}, source, any_place=any_place)
        return cls(site=site, source=source, **fields)

    @classmethod
    def from_arrays(
        cls,
        site: Site,
        axes: ArrayLike,
        directions: ArrayLike,
        *,
        time: Time | None = None,
        side: ArrayLike | None = None,
        sigma_arcsec: ArrayLike | None = None,
        use: ArrayLike | None = None,
        point: ArrayLike | None = None,
        frames: Iterable[str | None] | None = None,
        temperature_c: ArrayLike | None = None,
        axes_kind: AxesKind = "raw",
        old_model: OldModel = "off",
        session: str | None = None,
    ) -> Run:
        """Build a run from axis angles and observed directions, without astrometry.

        Parameters
        ----------
        site : Site
            Location and kind of mount.
        axes : array_like or Quantity, shape (n, 2)
            Mechanical angles; plain numbers are radians.
        directions : array_like, shape (n, 3)
            Unit vectors, east-north-up.
        time : astropy.time.Time, shape (n,), optional
            Mid-exposure.
        side : array_like of int, shape (n,), optional
            Side of the pier; default for a `german` mount: as the secondary axis reads.
        sigma_arcsec, use, point, frames, temperature_c, axes_kind, old_model, session : optional
            See the attributes.

        Returns
        -------
        Run

        Raises
        ------
        InputError
            If a shape, type or unit is wrong, a value is masked or not finite, or a direction is not a unit vector.
        """
        read = _floats(axes, "axes", "rad")
        places = _floats(directions, "directions", "")
        n = len(read) if read.ndim else 0
        if n == 0 or read.shape != (n, 2) or places.shape != (n, 3):
            shapes = f"axes have shape {read.shape}, directions {places.shape}; give (n, 2) and (n, 3)"
            raise InputError(shapes, key="axes")
        if not np.all(np.isfinite(read)):
            raise InputError("axes have a value that is not finite; leave that point out", key="axes")
        if not np.all(np.abs(np.sum(places**2, axis=1) - 1.0) < 1e-9):
            raise InputError("directions are not unit vectors; scale them to length 1", key="directions")
        for key, value, allowed in (
            ("axes_kind", axes_kind, get_args(AxesKind)),
            ("old_model", old_model, get_args(OldModel)),
        ):
            if value not in allowed:
                raise InputError(f"{key} is {value!r}; give {' or '.join(allowed)}", key=key)
        names = (None,) * n if frames is None else tuple(frames)
        times = _times(time)
        for key, entries in (("frames", names), ("time", names if times is None else times)):
            if len(entries) != n:
                raise InputError(
                    f"{key} has {len(entries)} entries for {n} points; give one per point", key=key
                )
        sigma = None if sigma_arcsec is None else _floats(sigma_arcsec, "sigma_arcsec", "arcsec")
        if sigma is not None and not np.all((sigma > 0.0) & np.isfinite(sigma)):
            raise InputError("sigma_arcsec must be finite and above zero at every point", key="sigma_arcsec")
        air_c = np.nan if temperature_c is None else _floats(temperature_c, "temperature_c", "deg_C")
        return cls(
            site=site,
            axes=read,
            directions=places,
            time=times,
            side=_sides(side, read, site.mount.kind),
            use=_column(True if use is None else use, n, "use", np.bool_),
            rows=np.arange(1, n + 1),
            point=_column(-1 if point is None else point, n, "point", np.int64),
            frames=names,
            sigma_arcsec=None if sigma is None else _column(sigma, n, "sigma_arcsec", np.float64),
            temperature_c=_column(air_c, n, "temperature_c", np.float64),
            pressure_hpa=np.full(n, np.nan),
            roll_rad=np.full(n, np.nan),
            axes_kind=axes_kind,
            old_model=old_model,
            session=session,
        )

    def check_site(self, site: Site) -> None:
        """Refuse a site other than that of this run: an InputError, if the kind of mount or the latitude differ."""
        mine = self.site
        apart = abs(mine.location.latitude_rad - site.location.latitude_rad)
        if mine.mount.kind != site.mount.kind or apart > ARCSEC:
            raise InputError(
                f"the run is from a {mine.mount.kind} mount at latitude {mine.location.latitude_deg:.6g}, the site has"
                f" a {site.mount.kind} at {site.location.latitude_deg:.6g}; give the run's own site",
                file=self.source,
                key="site",
            )

    def __len__(self) -> int:
        return len(self.axes)

    @property
    def points(self) -> int:
        """Number of exposures with a solution."""
        return len(self)

    def subset(self, mask: ArrayLike) -> Run:
        """Keep some of the points: `mask` is bool, shape (n,)."""
        keep = np.asarray(mask)
        if keep.dtype != bool or keep.shape != (len(self),):
            raise InputError(f"mask must be {len(self)} truth values", key="mask")
        arrays = {name: value[keep] for name, value in vars(self).items() if isinstance(value, np.ndarray)}
        frames = tuple(frame for frame, kept in zip(self.frames, keep, strict=True) if kept)
        time = None if self.time is None else self.time[keep]
        log = None if self.log is None else self.log.part(keep)
        return replace(self, **arrays, frames=frames, time=time, log=log)

    @property
    def roll_deg(self) -> Array:
        """Position angle of the image's +y axis, east of north, degrees, nan if unknown."""
        return np.degrees(self.roll_rad)

    @property
    def table(self) -> QTable:
        """One row per point, with units; if it has times and solved places, `from_table` reads it back."""
        from astropy import units as u
        from astropy.table import QTable

        columns: dict[str, Any] = {"row": self.rows}
        if np.all(self.point >= 0):
            columns["point"] = self.point
        if self.time is not None:
            columns["time"] = self.time
        angles: dict[str, Any] = {}
        if self.solved_rad is not None:
            angles["solved_ra_deg"], angles["solved_dec_deg"] = self.solved_rad.T
        angles["primary_deg"], angles["secondary_deg"] = self.axes.T
        angles["alt_deg"], angles["az_deg"] = alt_az(self.directions)
        columns |= {name: np.degrees(values) * u.deg for name, values in angles.items()}
        if len(sides(self.site.mount.kind)) > 1:
            columns["pier"] = side_names(self.site.mount.kind, self.side)
        if any(frame is not None for frame in self.frames):
            columns["frame"] = [frame or "" for frame in self.frames]
        if self.sigma_arcsec is not None:
            columns["sigma_arcsec"] = self.sigma_arcsec * u.arcsec
        for name, values, unit in (
            ("solved_roll_deg", self.roll_deg, u.deg),
            ("temperature_c", self.temperature_c, u.deg_C),
            ("pressure_hpa", self.pressure_hpa, u.hPa),
        ):
            if np.isfinite(values).any():
                columns[name] = values * unit
        columns |= {} if self.mirrored is None else {"mirrored": np.full(len(self), self.mirrored)}
        columns["use"] = self.use
        declared: dict[str, Any] = {"axes": self.axes_kind, "old_model": self.old_model}
        if self.session is not None:
            declared["session"] = self.session
        return QTable(columns, meta={**self.meta, **declared})

    def summary(self) -> str:
        """Say how many points the run has, when it was taken, and what it declares."""
        left_out = int(np.count_nonzero(~self.use))
        lines = [
            f"{len(self)} points with a solution ({left_out} left out, {self.failed} failed)"
            + (f" from {self.source}" if self.source else "")
        ]
        if self.time is not None:
            texts = sorted(iso(self.time, 0).tolist())
            lines.append(f"{texts[0]} to {texts[-1]} UTC")
        lines.append(f"axes {self.axes_kind}, model in the mount {self.old_model}")
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.summary()


def read_run(
    path: str | os.PathLike[str],
    site: Site,
    *,
    assume: Mapping[str, str] | None = None,
    any_place: bool = False,
) -> Run:
    """Read a run file, ECSV or CSV.

    Parameters
    ----------
    path : path-like
    site : Site
        Location, air and kind of mount.
    assume : mapping, optional
        `axes`, `old_model`, `target_refraction`, `session`: override the file's metadata.
    any_place : bool
        Whether to read a run whose places lie below the horizon; see `Run.from_table`.

    Returns
    -------
    Run

    Raises
    ------
    InputError
        Names the row and the column.
    """
    table = read_run_table(path)
    return Run.from_table(table, site, assume=assume, source=os.fspath(path), any_place=any_place)


def run_table(columns: Mapping[str, Iterable[Any]], meta: Mapping[str, Any] | None = None) -> Table:
    """Build the table of a run file from columns of plain values; None is an empty cell."""
    return table_of(columns, meta)


def write_run(path: str | os.PathLike[str], table: Table, meta: Mapping[str, Any] | None = None) -> None:
    """Write the table of a run file (ECSV), whole or not at all."""
    write_table(path, table, expected=RUN_FORMAT, version=RUN_VERSION, meta=meta)


def _sides(side: ArrayLike | None, axes: Array, kind: str) -> Any:
    if side is None:
        side = tube_side(axes) if len(sides(kind)) > 1 else 1
    found = _column(side, len(axes), "side", np.int64)
    if not np.isin(found, sides(kind)).all():
        allowed = " or ".join(map(str, sides(kind)))
        raise InputError(f"side of a {kind} mount is {allowed}; correct it", key="side")
    return found


def _times(time: Time | None) -> Time | None:
    """Copy of the times, which the caller cannot change."""
    from astropy.time import Time as Times

    if time is None:
        return None
    if not isinstance(time, Times) or time.isscalar:
        raise InputError("time must be an astropy Time of shape (n,)", key="time")
    return time.copy()


def _column(values: ArrayLike, n: int, key: str, kind: Any) -> Any:
    """One value per point, of the kind itself and not merely convertible to it."""
    array = np.asarray(values)
    if not np.can_cast(array.dtype, kind, "same_kind"):
        raise InputError(f"{key} holds {array.dtype}; give {np.dtype(kind).name}", key=key)
    if array.shape not in ((), (n,)):
        raise InputError(f"{key} has shape {array.shape} for {n} points; give one value per point", key=key)
    return np.array(np.broadcast_to(array, (n,)), dtype=kind)


def _floats(values: ArrayLike, key: str, unit: str) -> Any:
    """Plain floats, a Quantity converted to the unit; masked values are refused."""
    from astropy import units as u

    if np.any(getattr(values, "mask", False)):
        raise InputError(f"{key} has masked values; leave those points out", key=key)
    try:
        if isinstance(values, u.Quantity):
            values = values.to_value(unit, u.temperature() if unit == "deg_C" else [])
        return np.array(values, float)
    except (TypeError, ValueError) as error:
        wanted = f"in {unit}" if unit else "without a unit"
        raise InputError(f"{key} must be numbers {wanted} ({error})", key=key) from None

"""A fitted pointing model: its terms with their errors, and predictions both ways."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.sidereal import SIDEREAL_RAD_S
from skysample.errors import InputError
from skysample.fitting.multiple_tests import holm
from skysample.fitting.pointing import Moment, PointingFunction
from skysample.geometry import ARCSEC, alt_az, arcsec, direction, wrap_pi
from skysample.plugins.contracts import AXIS_TERMS
from skysample.site.mount_axes import (
    SIDE_NAMES,
    limits,
    mechanical,
    sky_reading,
    tube_side,
    within_limits,
)

if TYPE_CHECKING:
    import os
    from collections.abc import Mapping, Sequence

    from astropy.coordinates import SkyCoord
    from astropy.table import QTable
    from astropy.time import Time
    from astropy.units import Quantity
    from numpy.typing import ArrayLike, NDArray

    from skysample.geometry import Array
    from skysample.runs import AxesKind, OldModel
    from skysample.site import Mount, Site

_HOUR_RAD = 3600.0 * SIDEREAL_RAD_S
_SLIP_RAD = np.radians(0.75)
"""So near a whole number of hours, or twice the longitude, a zero offset looks like a slip."""


@dataclass(frozen=True, slots=True)
class Rejection:
    """A point that the fit does not use, and why."""

    row: int
    frame: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class WeakPair:
    """Two terms that the points barely separate.

    Attributes
    ----------
    pair : tuple of str
    condition : float
        Condition number of the column-scaled design.
    """

    pair: tuple[str, str]
    condition: float


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What a model was fitted to.

    Attributes
    ----------
    source : str
        File name, empty for a run from memory.
    points, used : int
        Solved points, and those that the fit uses.
    rejected : tuple of Rejection
    rows : tuple of int
        Data rows used, counted from 1.
    rms_rad : float
        Radial residual RMS of the points used.
    axes_kind, old_model, session : str
        As the run declares them.
    fingerprint : str
        Of readings and solutions, so that a score is never taken on another run.
    start_utc, end_utc : str
        ISO 8601, empty where the run has no times.
    """

    source: str
    points: int
    used: int
    rejected: tuple[Rejection, ...]
    rows: tuple[int, ...]
    rms_rad: float
    axes_kind: AxesKind
    old_model: OldModel
    session: str
    fingerprint: str
    start_utc: str
    end_utc: str


@dataclass(frozen=True, eq=False)
class FittedModel:
    """A pointing model with its errors; made by `skysample.fit` or `skysample.load_model`.

    Attributes
    ----------
    mount : Mount
        As in the site it was fitted for.
    function : PointingFunction
        Names and terms.
    values_rad : ndarray, shape (p,)
        Coefficients, in the order of `names`.
    covariance_rad2 : ndarray, shape (p, p)
        Of the coefficients, with the noise in it.
    sigma_rad : float
        Noise of one component of one point.
    dof : int
        Degrees of freedom of the noise: 2 points - terms.
    condition : float
        Condition number of the column-scaled design.
    weak_pairs : tuple of WeakPair
        Terms that the points barely separate.
    run : RunSummary
    selected : tuple of str
        Terms that a selection on this same run added (`skysample.select_terms`): their errors do not count it.
    plugins : mapping
        The plugins' own tables of the site file as they stood then: a term may depend on its own.
    """

    mount: Mount
    function: PointingFunction
    values_rad: Array
    covariance_rad2: Array
    sigma_rad: float
    dof: int
    condition: float
    weak_pairs: tuple[WeakPair, ...]
    run: RunSummary
    selected: tuple[str, ...] = ()
    plugins: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.values_rad.setflags(write=False)
        self.covariance_rad2.setflags(write=False)

    @property
    def names(self) -> tuple[str, ...]:
        """The terms, rotations first."""
        return self.function.names

    @property
    def kind(self) -> str:
        """Of mount."""
        return self.mount.kind

    def check_site(self, site: Site) -> None:
        """Raise an InputError where the site's kind of mount or latitude is not the model's."""
        latitude_rad = site.location.latitude_rad
        if self.kind != site.mount.kind or abs(self.function.latitude_rad - latitude_rad) > ARCSEC:
            raise InputError(
                f"the model is for a {self.kind} mount at latitude {np.degrees(self.function.latitude_rad):.6g}, the"
                f" site has a {site.mount.kind} at {np.degrees(latitude_rad):.6g}; give the model of this telescope",
                key="model",
            )

    @property
    def stderr_rad(self) -> Array:
        """Standard errors of the coefficients, shape (p,)."""
        return np.sqrt(np.diag(self.covariance_rad2))

    @property
    def sigma(self) -> Quantity:
        """Noise per axis, arcsec."""
        return arcsec(self.sigma_rad)

    @property
    def rms(self) -> Quantity:
        """Radial residual RMS of the points used, arcsec."""
        return arcsec(self.run.rms_rad)

    @property
    def rejected(self) -> tuple[Rejection, ...]:
        """The points not used, each with its reason."""
        return self.run.rejected

    @property
    def covariance(self) -> Quantity:
        """Covariance of the coefficients, arcsec2, shape (p, p)."""
        from astropy import units as u

        return self.covariance_rad2 / ARCSEC**2 * u.arcsec**2

    @cached_property
    def t_limit(self) -> float:
        """Student's t that 95 % of estimates stay within, for these degrees of freedom."""
        from scipy.special import stdtrit

        return float(stdtrit(self.dof, 0.975))

    @property
    def terms(self) -> QTable:
        """The terms with value, standard error, half width of the 95 % interval, t, p and verdict.

        p is two-sided, by Student's t. The verdict is `significant` where Holm's step-down keeps the whole table at a
        family-wise 5 %; `not determined` where the points cannot separate the term from another one.
        """
        from astropy.table import QTable

        t, p, verdict = self.tests
        return QTable(
            {
                "name": list(self.names),
                "value": arcsec(self.values_rad),
                "stderr": arcsec(self.stderr_rad),
                "ci95": arcsec(self.stderr_rad * self.t_limit),
                "t": t,
                "p": p,
                "verdict": verdict,
            }
        )

    @property
    def tests(self) -> tuple[Array, Array, list[str]]:
        """The columns t, p and verdict of `terms`, as plain arrays."""
        from scipy.special import stdtr

        with_error = self.stderr_rad > 0.0
        t = np.where(with_error, self.values_rad / np.where(with_error, self.stderr_rad, 1.0), np.inf)
        p = np.asarray(2.0 * stdtr(self.dof, -np.abs(t)))
        return t, p, self._verdicts(p)

    @property
    def table(self) -> QTable:
        """The same as `terms`."""
        return self.terms

    def _verdicts(self, p: Array) -> list[str]:
        undetermined = {name for weak in self.weak_pairs if weak.condition > 1e8 for name in weak.pair}
        return [
            "not determined" if name in undetermined else "significant" if stands else "not significant"
            for name, stands in zip(self.names, holm(p), strict=True)
        ]

    def value(self, name: str) -> Quantity:
        """One coefficient, arcsec."""
        if name not in self.names:
            raise InputError(f"the model has no term {name!r}; it has {', '.join(self.names)}", key="name")
        return arcsec(self.values_rad[self.names.index(name)])

    @property
    def axis_terms(self) -> tuple[str, str]:
        """The two terms that aim the primary axis."""
        return AXIS_TERMS[self.kind]

    def to_sky(
        self,
        axes: Quantity,
        pier: str | Sequence[str] | None = None,
        when: Time | None = None,
        *,
        temperature_c: ArrayLike | None = None,
    ) -> SkyCoord:
        """Observed place at which the tube points.

        Parameters
        ----------
        axes : Quantity, shape (..., 2)
            Readings: hour angle and declination, or azimuth and altitude; mechanical ones past +-90 degrees of the
            secondary are taken too.
        pier : {"east", "west"} or sequence, optional
            Side of the pier that the tube is on (`german`); None: what the reading says by itself.
        when : Time, optional
            For terms that depend on it.
        temperature_c : array_like, optional
            Of the air, degrees Celsius, one or one for each; for terms that depend on it.

        Returns
        -------
        SkyCoord
            Altitude and azimuth, in an `AltAz` frame without time and place.

        Raises
        ------
        InputError
            If readings are no finite angles of that shape, or a side has no such name.
        """
        from astropy import units as u
        from astropy.coordinates import AltAz, SkyCoord

        reading = _readings(axes)
        flat = reading.reshape(-1, 2)
        if self.kind == "german" and pier is not None:
            side = _side_numbers(pier, len(flat))
            flat = np.where((tube_side(flat) == side)[:, None], flat, mechanical(flat, side))
        altitude, azimuth = alt_az(self.predict(flat, when, temperature_c=temperature_c))
        shape = reading.shape[:-1]
        return SkyCoord(az=azimuth.reshape(shape) * u.rad, alt=altitude.reshape(shape) * u.rad, frame=AltAz())

    def to_axes(
        self,
        direction: SkyCoord,
        pier: str | Sequence[str] | None = None,
        when: Time | None = None,
        *,
        temperature_c: ArrayLike | None = None,
    ) -> Quantity:
        """Readings at which the tube points at an observed place: the inverse of `to_sky`.

        Parameters
        ----------
        direction : SkyCoord
            In an `AltAz` frame, as observed (see `skysample.observed_place`).
        pier : {"east", "west"} or sequence, optional
            Side of the pier for the tube (`german`); None: a side within the mount's limits, east where both are.
        when : Time, optional
            For terms that depend on it.
        temperature_c : array_like, optional
            Of the air, degrees Celsius, one or one for each; for terms that depend on it.

        Returns
        -------
        Quantity, shape (..., 2)
            Degrees: hour angle (-180..180) and declination, or azimuth (0..360) and altitude, to be taken together with
            `pier`; mechanical angles, which say the side by themselves, where `pier` is None. nan within the cone
            error of the pole, where no reading points.

        Raises
        ------
        InputError
            If it is no finite observed place, or a side has no such name.
        """
        from astropy import units as u

        vectors = _vectors(direction)
        flat = vectors.reshape(-1, 3)
        mechanical_asked = self.kind == "german" and pier is None
        if self.kind != "german":
            side = np.ones(len(flat), int)
        elif pier is not None:
            side = _side_numbers(pier, len(flat))
        else:
            east = self.axes_for(flat, np.ones(len(flat), int), when, temperature_c=temperature_c)
            side = np.where(within_limits(east, limits(self.mount)), 1, -1)
        axes = self.axes_for(flat, side, when, temperature_c=temperature_c)
        if self.kind == "german" and not mechanical_asked:
            axes = sky_reading(axes)
        degrees = np.degrees(axes)
        if self.kind == "altaz":
            degrees[:, 0] %= 360.0
        return degrees.reshape(*vectors.shape[:-1], 2) * u.deg

    def predict(
        self, axes: Array, when: Time | None = None, *, temperature_c: ArrayLike | None = None
    ) -> Array:
        """Where the tube points, unit vectors (n, 3), for mechanical readings (n, 2) in radians."""
        return self.function.predict(self.values_rad, axes, _moment(when, temperature_c, len(axes)))

    def axes_for(
        self,
        directions: Array,
        side: NDArray[np.int64],
        when: Time | None = None,
        *,
        temperature_c: ArrayLike | None = None,
    ) -> Array:
        """Mechanical readings (n, 2) in radians that point the tube along unit vectors (n, 3)."""
        moment = _moment(when, temperature_c, len(directions))
        return self.function.axes_for(self.values_rad, directions, side, moment)

    def design(
        self, axes: Array, when: Time | None = None, *, temperature_c: ArrayLike | None = None
    ) -> Array:
        """How the predicted place moves with each coefficient, shape (n, 2, p), for mechanical readings (n, 2)."""
        return self.function.predict_with_design(
            self.values_rad, axes, _moment(when, temperature_c, len(axes))
        )[1]

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the model as JSON, whole or not at all."""
        from skysample.fitting.model_file import save_model

        save_model(self, path)

    def zero_hints(self, site: Site) -> tuple[str, ...]:
        """What a primary zero near whole hours of hour angle, or near twice the longitude, points to.

        Returns
        -------
        tuple of str
            Sentences. Empty for `altaz`, where neither slip is a mere zero offset.
        """
        if self.kind == "altaz" or "primary_zero" not in self.names:
            return ()
        zero = float(wrap_pi(self.values_rad[self.names.index("primary_zero")]))
        if abs(zero) < 2.0 * _SLIP_RAD:
            return ()
        hints = []
        value = f"the primary zero, {np.degrees(zero):+.2f} deg,"
        twice = float(wrap_pi(2.0 * np.radians(site.location.longitude_deg)))
        if abs(twice) > 2.0 * _SLIP_RAD and abs(abs(zero) - abs(twice)) < _SLIP_RAD:
            hints.append(f"check the sign of longitude_deg in the site file: {value} is twice the longitude")
        hours = round(zero / _HOUR_RAD)
        if hours and abs(zero - hours * _HOUR_RAD) < _SLIP_RAD:
            hints.append(
                f"check the clock: {value} is what a {abs(hours)}-hour error makes (local time logged as UTC?)"
            )
        return tuple(hints)

    def summary(self) -> str:
        """Points, residuals, noise, and each coefficient with its error."""
        head = (
            f"{self.kind} mount, {self.run.used} of {self.run.points} points used:"
            f' residuals {self.run.rms_rad / ARCSEC:.2f}" RMS, noise {self.sigma_rad / ARCSEC:.2f}" per axis'
        )
        lines = [
            f'  {name:<16} {value / ARCSEC:+11.2f}" +- {error / ARCSEC:.2f}"'
            for name, value, error in zip(self.names, self.values_rad, self.stderr_rad, strict=True)
        ]
        return "\n".join([head, *lines])

    def __str__(self) -> str:
        return self.summary()


def _moment(when: Time | None, temperature_c: ArrayLike | None, count: int) -> Moment:
    if temperature_c is None:
        return Moment(when)
    return Moment(when, np.array(np.broadcast_to(np.asarray(temperature_c, float), (count,))))


def _readings(axes: Quantity) -> Array:
    from astropy import units as u

    try:
        reading = u.Quantity(axes).to_value(u.rad)
    except (u.UnitsError, TypeError) as error:
        raise InputError(f"axes must be an angle Quantity of shape (..., 2) ({error})", key="axes") from None
    if reading.ndim == 0 or reading.shape[-1] != 2:
        raise InputError(f"axes has shape {reading.shape}, not (..., 2): primary and secondary", key="axes")
    if np.any(getattr(reading, "mask", False)) or not np.isfinite(reading).all():
        raise InputError("axes holds a reading that is masked or not finite; leave it out", key="axes")
    return np.asarray(reading, float)


def _vectors(place: SkyCoord) -> Array:
    if getattr(getattr(place, "frame", None), "name", None) != "altaz":
        raise InputError(
            "direction must be a SkyCoord in an AltAz frame, as observed; skysample.observed_place makes one from ICRS",
            key="direction",
        )
    found = direction(place.alt.rad, place.az.rad)
    if np.any(getattr(place.alt, "mask", False)) or not np.isfinite(found).all():
        raise InputError(
            "direction holds a place that is masked or not finite; leave it out", key="direction"
        )
    return found


def _side_numbers(pier: str | Sequence[str], count: int) -> NDArray[np.int64]:
    numbers = {name: number for number, name in SIDE_NAMES.items()}
    names = [pier] * count if isinstance(pier, str) else list(pier)
    if len(names) != count or any(name not in numbers for name in names):
        raise InputError(f"pier must be 'east' or 'west', one or {count} of them; got {pier!r}", key="pier")
    return np.array([numbers[name] for name in names], int)

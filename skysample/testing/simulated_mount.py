"""A mount with known errors, and the run that a night with it would give.

The fit is tested against it, so it is written from the definitions of the errors alone and shares no code with the
rest of skysample. Angles are radians, vectors are right-handed east-north-up, and
rotations are right-handed and turn column vectors.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import erfa
import numpy as np

from skysample.errors import InputError
from skysample.testing.mount_errors import EAST, ERRORS, NORTH, UP, MountErrors

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]
else:
    Array = Any

HUMIDITY = 0.3
WAVELENGTH_UM = 0.6
FALSE_OFFSET_ARCMIN = (3.0, 180.0)


@dataclass(frozen=True)
class SimulatedMount:
    """A mount whose errors are set, not fitted.

    Parameters
    ----------
    kind : str
        "fork" or "german" (equatorial), or "altaz".
    latitude_deg, longitude_deg : float
        Geodetic; north and east positive.
    elevation_m, pressure_hpa, temperature_c : float
        Of the station. No pressure, no refraction. Humidity is 0.3, the wavelength 0.6 um.
    terms_arcsec : mapping of str to float
        The errors, arcseconds; those not named are zero. From the tube outwards:

        - `cone`: the tube is not perpendicular to the secondary axis. With both readings zero it moves
          east (equatorial) or west (altaz) for > 0.
        - `secondary_zero`, `primary_zero`: added to the readings.
        - `axis_skew`: the secondary axis is turned about the direction of zero readings, before the primary
          turns.
        - `polar_altitude`, `polar_azimuth` (equatorial): the elevated end of the primary axis is raised, then
          turned east about the vertical, in both hemispheres.
        - `tilt_north`, `tilt_east` (altaz): the azimuth axis leans, as one rotation.
        - `tube_flexure`: the tube points lower by this times cos(altitude).
        - `fork_flexure` (equatorial): north by this times cos(hour angle).
        - `polar_axis_flexure` (german): the same. `fork_twist`, `polar_axis_twist`: north by this times
          sin(hour angle).
        - `sideways_flexure` (equatorial): along the secondary axis, by this times the component of gravity along it.
        - `refraction_scale`: lower by this times cot(altitude), of an altitude of at least 5 degrees.
        - `primary_sin`, `primary_cos`, `secondary_sin`, `secondary_cos`: the axis stands at the reading plus
          this times the sine or cosine of the reading; with `_twice`, of twice the reading.
        - `azimuth_nod_sin`, `azimuth_nod_cos`, `azimuth_roll_sin`, `azimuth_roll_cos` (altaz): the mount leans
          back, or to its right, by this times the sine or cosine of twice the reading.
        - `primary_zero_by_side`, `secondary_zero_by_side`, `cone_by_side`, `tube_flexure_by_side` (german):
          added to the error of that name with the tube east of the pier, subtracted with the tube west.

        The flexures, refraction, nods, rolls and encoder errors are small displacements: evaluated at the rotated
        direction, summed, and applied along one great circle.

    Raises
    ------
    InputError
        Unknown kind or error, or a number out of range.
    """

    kind: str
    latitude_deg: float
    longitude_deg: float = 0.0
    elevation_m: float = 0.0
    pressure_hpa: float = 0.0
    temperature_c: float = 10.0
    terms_arcsec: Mapping[str, float] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        if self.kind not in ERRORS:
            raise InputError(f"kind is {self.kind!r}; write one of {', '.join(ERRORS)}", key="kind")
        if not -90.0 <= self.latitude_deg <= 90.0:
            raise InputError(f"latitude_deg is {self.latitude_deg}; write -90 to 90", key="latitude_deg")
        for name, value in self.terms_arcsec.items():
            if name not in ERRORS[self.kind]:
                known = ", ".join(ERRORS[self.kind])
                raise InputError(f"{name!r} is not an error of a {self.kind} mount; use {known}", key=name)
            if not np.isfinite(value):
                raise InputError(f"{name} is {value}; write a finite number of arcseconds", key=name)
        object.__setattr__(self, "terms_arcsec", dict(self.terms_arcsec))

    @property
    def errors(self) -> MountErrors:
        """The effect of the errors on a pointing."""
        return MountErrors(self.kind, self.latitude_deg, self.terms_arcsec)

    def point(self, primary_rad: ArrayLike, secondary_rad: ArrayLike) -> tuple[Array, Array]:
        """Compute where the tube really points.

        Parameters
        ----------
        primary_rad, secondary_rad : array_like
            Mechanical readings of the axes, broadcast together to shape (...).

        Returns
        -------
        alt_rad, az_rad : ndarray, shape (...)
            Observed altitude and azimuth (0..2 pi).
        """
        primary, secondary = np.broadcast_arrays(
            np.asarray(primary_rad, float), np.asarray(secondary_rad, float)
        )
        rotated = self.errors.rotated(primary.ravel(), secondary.ravel())
        shift = self.errors.displacement(rotated, primary.ravel(), secondary.ravel())
        az, alt = _angles(_along_great_circle(rotated, shift) @ np.stack([NORTH, EAST, UP], axis=1))
        return alt.reshape(primary.shape)[()], (az % (2.0 * np.pi)).reshape(primary.shape)[()]

    def reading(self, alt_rad: ArrayLike, az_rad: ArrayLike, side: ArrayLike = 1) -> tuple[Array, Array]:
        """Compute the mechanical readings of a perfect mount: what software without a model commands.

        Parameters
        ----------
        alt_rad, az_rad : array_like
            Observed altitude and azimuth, broadcast with `side` to shape (...).
        side : array_like of int
            1: tube on the east side of the pier, or a mount that does not flip; -1: on the west side.

        Returns
        -------
        primary_rad, secondary_rad : ndarray, shape (...)
            The primary in [-pi, pi).

        Raises
        ------
        InputError
            If a side is neither 1 nor -1, or -1 for a mount that does not flip.
        """
        side = np.asarray(side)
        allowed = (1, -1) if self.kind == "german" else (1,)
        if not np.isin(side, allowed).all():
            raise InputError(
                f"side of a {self.kind} mount must be {' or '.join(map(str, allowed))}", key="side"
            )
        alt, az, side = np.broadcast_arrays(np.asarray(alt_rad, float), np.asarray(az_rad, float), side)
        sky = np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=-1)
        anticlockwise, secondary = _angles(sky @ self.errors.frame())
        primary = np.where(side < 0, np.pi, 0.0) - anticlockwise
        return (primary + np.pi) % (2.0 * np.pi) - np.pi, np.where(side < 0, np.pi - secondary, secondary)

    def adjusted(
        self,
        altitude_arcsec: float = 0.0,
        azimuth_arcsec: float = 0.0,
        *,
        tilt_north_arcsec: float = 0.0,
        tilt_east_arcsec: float = 0.0,
    ) -> SimulatedMount:
        """Return the same mount after an adjustment of its wedge.

        Parameters
        ----------
        altitude_arcsec, azimuth_arcsec : float
            Equatorial: how far the elevated end of the primary axis is raised and turned east. The azimuth stage turns
            about the vertical and carries the altitude hinge, so moves add up exactly.
        tilt_north_arcsec, tilt_east_arcsec : float
            Altaz: how far the azimuth axis is tilted.

        Returns
        -------
        SimulatedMount

        Raises
        ------
        InputError
            If the mount has no such adjuster.
        """
        moves = {
            "polar_altitude": altitude_arcsec,
            "polar_azimuth": azimuth_arcsec,
            "tilt_north": tilt_north_arcsec,
            "tilt_east": tilt_east_arcsec,
        }
        new = {name: self.terms_arcsec.get(name, 0.0) + by for name, by in moves.items() if by != 0.0}
        return replace(self, terms_arcsec={**self.terms_arcsec, **new})

    def solve(
        self,
        alt_rad: ArrayLike,
        az_rad: ArrayLike,
        utc_jd1: ArrayLike,
        utc_jd2: ArrayLike,
        *,
        dut1: ArrayLike = 0.0,
        xp: ArrayLike = 0.0,
        yp: ArrayLike = 0.0,
    ) -> tuple[Array, Array]:
        """Compute the plate solution of a frame taken in an observed direction.

        Parameters
        ----------
        alt_rad, az_rad : array_like
            Observed altitude and azimuth of the frame centre.
        utc_jd1, utc_jd2 : array_like
            Mid-exposure, quasi Julian date (ERFA's) in two parts.
        dut1 : array_like
            UT1 - UTC, seconds.
        xp, yp : array_like
            Polar motion, radians.

        Returns
        -------
        ra_rad, dec_rad : ndarray
            ICRS, shape of the arguments broadcast together.

        Raises
        ------
        InputError
            If ERFA refuses a date.
        """
        ra, dec, status = erfa.ufunc.atoc13(
            b"A",
            np.asarray(az_rad, float),
            np.pi / 2.0 - np.asarray(alt_rad, float),
            utc_jd1,
            utc_jd2,
            dut1,
            np.radians(self.longitude_deg),
            np.radians(self.latitude_deg),
            self.elevation_m,
            xp,
            yp,
            self.pressure_hpa,
            self.temperature_c,
            HUMIDITY,
            WAVELENGTH_UM,
        )
        if np.any(np.asarray(status) < 0):
            raise InputError("ERFA refuses one of the dates; give quasi Julian dates of UTC", key="utc_jd1")
        return ra, dec

    def night(
        self,
        utc_jd1: ArrayLike,
        utc_jd2: ArrayLike,
        *,
        rng: np.random.Generator | int,
        readings_rad: ArrayLike | None = None,
        targets_rad: ArrayLike | None = None,
        sides: ArrayLike = 1,
        noise_arcsec: float = 0.0,
        false_share: float = 0.0,
        dut1: ArrayLike = 0.0,
        xp: ArrayLike = 0.0,
        yp: ArrayLike = 0.0,
    ) -> dict[str, NDArray[Any]]:
        """Simulate n exposures and their plate solutions.

        Parameters
        ----------
        utc_jd1, utc_jd2 : array_like, shape (n,) or ()
            Mid-exposures, quasi Julian date in two parts.
        rng : numpy.random.Generator or int
            Source of the noise, or its seed.
        readings_rad : array_like, shape (n, 2), optional
            Mechanical readings, primary and secondary. Give either these or the targets.
        targets_rad : array_like, shape (n, 2), optional
            Observed altitude and azimuth commanded by software without a model.
        sides : array_like of int, shape (n,) or ()
            Side of the pier for each target, as in `reading`.
        noise_arcsec : float
            Standard deviation of the tube's direction, for each axis on the tangent plane, Gaussian.
        false_share : float
            Share of the solutions that are false, 0 to 1, rounded to whole frames. They are off by 3' to
            3 degrees (uniform in the logarithm) in any direction.
        dut1, xp, yp : array_like
            As in `solve`.

        Returns
        -------
        dict of ndarray, shape (n,)
            `primary_deg`, `secondary_deg` (mechanical readings); `pier` ("east" or "west" for `german`, else
            empty); `solved_ra_deg`, `solved_dec_deg` (ICRS); `false` (bool).

        Raises
        ------
        InputError
            If not exactly one of readings and targets is given, or an argument is out of range.
        """
        if (readings_rad is None) == (targets_rad is None):
            raise InputError("give either readings_rad or targets_rad", key="readings_rad")
        if not 0.0 <= false_share <= 1.0:
            raise InputError(f"false_share is {false_share}; write 0 to 1", key="false_share")
        if not 0.0 <= noise_arcsec < np.inf:
            raise InputError(f"noise_arcsec is {noise_arcsec}; write 0 or more", key="noise_arcsec")
        name = "targets_rad" if readings_rad is None else "readings_rad"
        pair = np.asarray(targets_rad if readings_rad is None else readings_rad, float)
        if pair.ndim != 2 or pair.shape[1] != 2 or not np.isfinite(pair).all():
            raise InputError(f"{name} of shape {pair.shape} must be finite and of shape (n, 2)", key=name)
        primary, secondary = (
            pair.T if readings_rad is not None else self.reading(pair[:, 0], pair[:, 1], sides)
        )
        rng = np.random.default_rng(rng)
        count = len(pair)
        alt, az = self.point(primary, secondary)
        az, alt = _moved(az, alt, np.radians(noise_arcsec / 3600.0) * rng.standard_normal((count, 2)))
        ra, dec = self.solve(alt, az, utc_jd1, utc_jd2, dut1=dut1, xp=xp, yp=yp)
        ra, dec, false = _with_false_solutions(ra, dec, false_share, rng)
        pier = np.where(np.cos(secondary) < 0.0, "west", "east")
        return {
            "primary_deg": np.degrees(primary),
            "secondary_deg": np.degrees(secondary),
            "pier": pier if self.kind == "german" else np.full(count, ""),
            "solved_ra_deg": np.degrees(ra) % 360.0,
            "solved_dec_deg": np.degrees(dec),
            "false": false,
        }


def _with_false_solutions(
    ra: Array, dec: Array, share: float, rng: np.random.Generator
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Move a share of places by 3 arcmin to 3 deg, uniform in the logarithm, in any direction; and which these are."""
    count = len(ra)
    false = np.zeros(count, bool)
    false[rng.permutation(count)[: round(share * count)]] = True
    nearest, farthest = np.log(FALSE_OFFSET_ARCMIN)
    arc = np.radians(np.exp(rng.uniform(nearest, farthest, count)) / 60.0)
    towards = rng.uniform(0.0, 2.0 * np.pi, count)
    off = np.stack([arc * np.cos(towards), arc * np.sin(towards)], axis=-1)
    return *_moved(ra, dec, np.where(false[:, None], off, 0.0)), false


def _along_great_circle(start: Array, shift: Array) -> Array:
    """Move unit vectors (n, 3) along tangent vectors (n, 3), by their length."""
    arc = np.linalg.norm(shift, axis=-1, keepdims=True)
    heading = np.divide(shift, arc, out=np.zeros_like(shift), where=arc > 0.0)
    there: Array = np.cos(arc) * start + np.sin(arc) * heading
    return there


def _angles(vectors: Array) -> tuple[Array, Array]:
    """Longitude (from x towards y) and latitude of vectors of shape (..., 3)."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    return np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))


def _moved(longitude: Array, latitude: Array, by: Array) -> tuple[Array, Array]:
    """Move points of a sphere by `by`, shape (n, 2): towards larger longitude and latitude."""
    cos_lon, sin_lon = np.cos(longitude), np.sin(longitude)
    cos_lat, sin_lat = np.cos(latitude), np.sin(latitude)
    start = np.stack([cos_lat * cos_lon, cos_lat * sin_lon, sin_lat], axis=-1)
    along = np.stack([-sin_lon, cos_lon, np.zeros_like(sin_lon)], axis=-1)
    across = np.stack([-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat], axis=-1)
    return _angles(_along_great_circle(start, by[:, :1] * along + by[:, 1:] * across))

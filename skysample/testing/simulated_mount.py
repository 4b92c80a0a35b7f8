"""A telescope whose errors are known: what a night with it would bring home.

It is the truth against which the fit is tested, so it is written from the definitions of the errors alone
and shares no code with the rest of skysample. Angles are radians, vectors are right-handed east-north-up, and
rotations are right-handed and turn column vectors.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import erfa
import numpy as np
from scipy.spatial.transform import Rotation

from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]
else:
    Array = Any

__all__ = ["SimulatedMount"]

EAST, NORTH, UP = np.eye(3)
HUMIDITY = 0.3
WAVELENGTH_UM = 0.6
FALSE_OFFSET_ARCMIN = (3.0, 180.0)

_EVERY_MOUNT = (
    "primary_zero",
    "secondary_zero",
    "axis_skew",
    "cone",
    "tube_flexure",
    "primary_sin",
    "primary_cos",
    "secondary_sin",
    "secondary_cos",
    "primary_sin_twice",
    "primary_cos_twice",
    "secondary_sin_twice",
    "secondary_cos_twice",
    "refraction_scale",
)
_EQUATORIAL = ("polar_altitude", "polar_azimuth", *_EVERY_MOUNT, "fork_flexure", "sideways_flexure")
_FLIPPING = ("primary_zero_by_side", "secondary_zero_by_side", "cone_by_side", "tube_flexure_by_side")
_ROCKING = ("azimuth_nod_sin", "azimuth_nod_cos", "azimuth_roll_sin", "azimuth_roll_cos")
_TERMS = {
    "fork": (*_EQUATORIAL, "fork_twist"),
    "german": (*_EQUATORIAL, "polar_axis_flexure", "polar_axis_twist", *_FLIPPING),
    "altaz": ("tilt_north", "tilt_east", *_EVERY_MOUNT, *_ROCKING),
}


@dataclass(frozen=True)
class SimulatedMount:
    """A mount with errors that are set, not fitted.

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
        - `sideways_flexure` (equatorial): along the secondary axis, by this times the pull of gravity there.
        - `refraction_scale`: lower by this times cot(altitude), of 5 degrees at least.
        - `primary_sin`, `primary_cos`, `secondary_sin`, `secondary_cos`: the axis stands at the reading plus
          this times the sine or cosine of the reading; with `_twice`, of twice the reading.
        - `azimuth_nod_sin`, `azimuth_nod_cos`, `azimuth_roll_sin`, `azimuth_roll_cos` (altaz): the mount leans
          back, or to its right, by this times the sine or cosine of twice the reading.
        - `primary_zero_by_side`, `secondary_zero_by_side`, `cone_by_side`, `tube_flexure_by_side` (german):
          added to the error so named with the tube east of the pier, taken from it with the tube west.

        The flexures, refraction, nods, rolls and encoder errors are small displacements, looked up at the
        rotated direction, summed, and made along one great circle.

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
        if self.kind not in _TERMS:
            raise InputError(f"kind is {self.kind!r}; write one of {', '.join(_TERMS)}", key="kind")
        if not -90.0 <= self.latitude_deg <= 90.0:
            raise InputError(f"latitude_deg is {self.latitude_deg}; write -90 to 90", key="latitude_deg")
        for name, value in self.terms_arcsec.items():
            if name not in _TERMS[self.kind]:
                known = ", ".join(_TERMS[self.kind])
                raise InputError(f"{name!r} is no error of a {self.kind} mount; use {known}", key=name)
            if not np.isfinite(value):
                raise InputError(f"{name} is {value}; write a finite number of arcseconds", key=name)
        object.__setattr__(self, "terms_arcsec", dict(self.terms_arcsec))

    def point(self, primary_rad: ArrayLike, secondary_rad: ArrayLike) -> tuple[Array, Array]:
        """Where the tube really points.

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
        rotated = self._rotated(primary.ravel(), secondary.ravel())
        shift = self._displacement(rotated, primary.ravel(), secondary.ravel())
        az, alt = _angles(_along_great_circle(rotated, shift) @ np.stack([NORTH, EAST, UP], axis=1))
        return alt.reshape(primary.shape)[()], (az % (2.0 * np.pi)).reshape(primary.shape)[()]

    def reading(self, alt_rad: ArrayLike, az_rad: ArrayLike, side: ArrayLike = 1) -> tuple[Array, Array]:
        """Mechanical readings that a perfect mount would have: what software without a model commands.

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
            If a mount that does not flip is asked for the west side, or a side is neither 1 nor -1.
        """
        side = np.asarray(side)
        allowed = (1, -1) if self.kind == "german" else (1,)
        if not np.isin(side, allowed).all():
            raise InputError(
                f"side of a {self.kind} mount must be {' or '.join(map(str, allowed))}", key="side"
            )
        alt, az, side = np.broadcast_arrays(np.asarray(alt_rad, float), np.asarray(az_rad, float), side)
        sky = np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=-1)
        anticlockwise, secondary = _angles(sky @ self._frame())
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
        """Return the same mount after its wedge was turned.

        Parameters
        ----------
        altitude_arcsec, azimuth_arcsec : float
            Equatorial: by how much the elevated end of the primary axis was raised and turned east. The
            azimuth stage turns about the vertical and carries the altitude hinge: the moves add up exactly.
        tilt_north_arcsec, tilt_east_arcsec : float
            Altaz: by how much the azimuth axis was leaned.

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
        """Give the plate solution of a frame taken in an observed direction.

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
        """Take n exposures and solve them.

        Parameters
        ----------
        utc_jd1, utc_jd2 : array_like, shape (n,) or ()
            Mid-exposures, quasi Julian date in two parts.
        rng : numpy.random.Generator or int
            Source of the noise, or its seed.
        readings_rad : array_like, shape (n, 2), optional
            Mechanical readings, primary and secondary. Either these or the targets are given.
        targets_rad : array_like, shape (n, 2), optional
            Observed altitude and azimuth that software without a model is asked for.
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
        given = np.asarray(targets_rad if readings_rad is None else readings_rad, float)
        if given.ndim != 2 or given.shape[1] != 2 or not np.isfinite(given).all():
            raise InputError(f"{name} of shape {given.shape} must be finite and of shape (n, 2)", key=name)
        primary, secondary = given[:, 0], given[:, 1]
        if readings_rad is None:
            primary, secondary = self.reading(given[:, 0], given[:, 1], sides)
        rng = np.random.default_rng(rng)
        count = len(given)
        alt, az = self.point(primary, secondary)
        az, alt = _moved(az, alt, np.radians(noise_arcsec / 3600.0) * rng.standard_normal((count, 2)))
        ra, dec = self.solve(alt, az, utc_jd1, utc_jd2, dut1=dut1, xp=xp, yp=yp)
        false = np.zeros(count, bool)
        false[rng.permutation(count)[: round(false_share * count)]] = True
        nearest, farthest = np.log(FALSE_OFFSET_ARCMIN)
        arc = np.radians(np.exp(rng.uniform(nearest, farthest, count)) / 60.0)
        towards = rng.uniform(0.0, 2.0 * np.pi, count)
        off = np.stack([arc * np.cos(towards), arc * np.sin(towards)], axis=-1)
        ra, dec = _moved(ra, dec, np.where(false[:, None], off, 0.0))
        pier = np.where(np.cos(secondary) < 0.0, "west", "east")
        return {
            "primary_deg": np.degrees(primary),
            "secondary_deg": np.degrees(secondary),
            "pier": pier if self.kind == "german" else np.full(count, ""),
            "solved_ra_deg": np.degrees(ra) % 360.0,
            "solved_dec_deg": np.degrees(dec),
            "false": false,
        }

    def _rad(self, name: str) -> float:
        return float(np.radians(self.terms_arcsec.get(name, 0.0) / 3600.0))

    def _frame(self) -> Array:
        """Aligned mount's axes as columns: x where readings are zero, z along the primary, shape (3, 3)."""
        if self.kind == "altaz":
            x, z = NORTH, UP
        else:
            latitude = np.radians(self.latitude_deg)
            x = np.cos(latitude) * UP - np.sin(latitude) * NORTH
            z = np.cos(latitude) * NORTH + np.sin(latitude) * UP
        return np.stack([x, np.cross(z, x), z], axis=1)

    def _base(self) -> Rotation:
        if self.kind == "altaz":
            return Rotation.from_rotvec(self._rad("tilt_east") * NORTH - self._rad("tilt_north") * EAST)
        elevated = 1.0 if self.latitude_deg >= 0.0 else -1.0
        azimuth = Rotation.from_rotvec(-elevated * self._rad("polar_azimuth") * UP)
        return azimuth * Rotation.from_rotvec(elevated * self._rad("polar_altitude") * EAST)

    def _rotated(self, primary: Array, secondary: Array) -> Array:
        """Direction of the tube once the rotations are done, shape (n, 3)."""
        x, y, z = np.eye(3)
        side = self._side(secondary)
        tube = Rotation.from_rotvec(np.outer(self._rad("cone") + side * self._rad("cone_by_side"), z)).apply(
            x
        )
        secondary_zero = self._rad("secondary_zero") + side * self._rad("secondary_zero_by_side")
        primary_zero = self._rad("primary_zero") + side * self._rad("primary_zero_by_side")
        about_secondary = Rotation.from_rotvec(np.outer(secondary + secondary_zero, -y))
        skew = Rotation.from_rotvec(self._rad("axis_skew") * x)
        about_primary = Rotation.from_rotvec(np.outer(primary + primary_zero, -z))
        stand = self._base() * Rotation.from_matrix(self._frame())
        turned: Array = stand.apply(about_primary.apply(skew.apply(about_secondary.apply(tube))))
        return turned

    def _side(self, secondary: Array) -> Array:
        """1 with the tube east of the pier, or on a mount that does not flip; -1 with the tube west of it."""
        return np.where(np.cos(secondary + self._rad("secondary_zero")) < 0.0, -1.0, 1.0)

    def _encoder(self, axis: str, reading: Array) -> Array:
        """How far an axis stands beyond its reading."""
        once = self._rad(f"{axis}_sin") * np.sin(reading) + self._rad(f"{axis}_cos") * np.cos(reading)
        twice = self._rad(f"{axis}_sin_twice") * np.sin(2.0 * reading)
        beyond: Array = once + twice + self._rad(f"{axis}_cos_twice") * np.cos(2.0 * reading)
        return beyond

    def _displacement(self, rotated: Array, primary: Array, secondary: Array) -> Array:
        """Sum of the small displacements, as tangent vectors at the rotated directions, shape (n, 3)."""
        x, y, z = self._frame().T
        local = rotated @ self._frame()
        radius = np.hypot(local[:, 0], local[:, 1])
        longitude = np.arctan2(-local[:, 1], local[:, 0])  # hour angle, or azimuth
        outward = np.outer(np.cos(longitude), x) - np.outer(np.sin(longitude), y)
        onward = -np.outer(np.sin(longitude), x) - np.outer(np.cos(longitude), y)  # west, or clockwise
        poleward = np.outer(radius, z) - local[:, 2:] * outward  # north, or up

        secondary_slip = self._encoder("secondary", secondary)
        poleward_by = np.where(np.cos(secondary) < 0.0, -secondary_slip, secondary_slip)
        bent = self._rad("fork_flexure") + self._rad("polar_axis_flexure")
        twisted = self._rad("fork_twist") + self._rad("polar_axis_twist")
        if self.kind != "altaz":
            poleward_by = poleward_by + bent * np.cos(longitude) + twisted * np.sin(longitude)
        upward = UP - rotated[:, 2:] * rotated  # of length cos(altitude)
        droop = self._rad("tube_flexure") + self._side(secondary) * self._rad("tube_flexure_by_side")
        droop = droop + self._rad("refraction_scale") / np.maximum(rotated[:, 2], np.sin(np.radians(5.0)))
        sideways = self._rad("sideways_flexure") * (onward @ UP)
        lean_back = self._rad("azimuth_nod_sin") * np.sin(2.0 * primary)
        lean_back = lean_back + self._rad("azimuth_nod_cos") * np.cos(2.0 * primary)
        lean_right = self._rad("azimuth_roll_sin") * np.sin(2.0 * primary)
        lean_right = lean_right + self._rad("azimuth_roll_cos") * np.cos(2.0 * primary)
        rocked = lean_back[:, None] * np.cross(outward, z) + lean_right[:, None] * outward
        shift: Array = (
            (radius * self._encoder("primary", primary))[:, None] * onward
            + poleward_by[:, None] * poleward
            - droop[:, None] * upward
            - sideways[:, None] * onward
            + np.cross(rocked, rotated)
        )
        return shift


def _along_great_circle(start: Array, shift: Array) -> Array:
    arc = np.linalg.norm(shift, axis=-1, keepdims=True)
    heading = np.divide(shift, arc, out=np.zeros_like(shift), where=arc > 0.0)
    moved: Array = np.cos(arc) * start + np.sin(arc) * heading
    return moved


def _angles(vectors: Array) -> tuple[Array, Array]:
    """Longitude (from x towards y) and latitude of vectors of shape (..., 3)."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    return np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))


def _moved(longitude: Array, latitude: Array, by: Array) -> tuple[Array, Array]:
    """Go from points of a sphere by `by`, shape (n, 2): towards growing longitude and latitude."""
    cos_lon, sin_lon = np.cos(longitude), np.sin(longitude)
    cos_lat, sin_lat = np.cos(latitude), np.sin(latitude)
    start = np.stack([cos_lat * cos_lon, cos_lat * sin_lon, sin_lat], axis=-1)
    along = np.stack([-sin_lon, cos_lon, np.zeros_like(sin_lon)], axis=-1)
    across = np.stack([-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat], axis=-1)
    return _angles(_along_great_circle(start, by[:, :1] * along + by[:, 1:] * across))

"""Where the primary axis is aimed, what to turn, and what its error does to tracking."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.levelling_feet import foot_moves
from skysample.alignment.wedge import Move, polar_moves, tilt_moves
from skysample.astrometry.observed_place import refraction_at
from skysample.astrometry.sidereal import SIDEREAL_RAD_S, angle_at, north_pole, turned
from skysample.errors import NotDetermined
from skysample.fitting.rotations import Chain
from skysample.geometry import ARCSEC, direction, separation, wrap_pi
from skysample.site.mount_axes import mount_frame

if TYPE_CHECKING:
    from astropy.units import Quantity
    from numpy.typing import NDArray

    from skysample.alignment.levelling_feet import FootMove
    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.site import Site
    from skysample.sky import UsableSky

__all__ = [
    "PolarAlignment",
    "TrackingError",
    "clear_of_pole",
    "judged_places",
    "place_deg",
    "polar",
    "tracking_axis",
    "tracking_error",
]

_NEAR_ZERO_RAD = 60.0 * ARCSEC

FARTHEST_DEG = 20.0
"""Ten times what a fresh installation is off: an axis found farther away is a mistake in the input."""

TRUST_LIMIT = 50.0
"""An axis term whose error is so many times what the points could give, were the other terms known, is not quoted:
any effect left out of the model, a few arcsec of flexure say, would show in it as many times larger."""


@dataclass(frozen=True, slots=True)
class TrackingError:
    """What the axis error does while the mount tracks at the sidereal rate, at its worst over the usable sky.

    Places within 5 degrees of the pole (`altaz`: of the zenith) are left out.

    Attributes
    ----------
    drift_arcsec_per_min : float
        Without corrections by the model or a guider.
    drift_place_deg : tuple of float
        Altitude and azimuth of the worst place.
    rotation_deg_per_hour : float
        Of the field, while a guider or a model holds the star with both axes. `altaz`: what the lean adds.
    rotation_place_deg : tuple of float
    """

    drift_arcsec_per_min: float
    drift_place_deg: tuple[float, float]
    rotation_deg_per_hour: float
    rotation_place_deg: tuple[float, float]


@dataclass(frozen=True, eq=False)
class PolarAlignment:
    """Aim of the primary axis, with errors; what to turn, and what is left.

    Attributes
    ----------
    kind : str
        Of mount.
    first_rad, second_rad : float
        Altitude and azimuth error against the true pole, or lean to the north and to the east for `altaz`.
    covariance_rad2 : ndarray, shape (2, 2)
    dof : int
    t_limit : float
        Student's t of the 95 % intervals.
    refraction_rad : float
        How much higher than the true pole the refracted one stands.
    moves : tuple of Move
        In the order to turn them.
    condition : str
        What the answer rests on; empty when the run declares raw readings.
    hints : tuple of str
        Slips of the clock or of the map that a zero offset looks like.
    site : Site
    model : FittedModel or None
        What it was read from, with every other term.
    """

    kind: str
    first_rad: float
    second_rad: float
    covariance_rad2: Array
    dof: int
    t_limit: float
    refraction_rad: float
    moves: tuple[Move, ...]
    condition: str
    hints: tuple[str, ...]
    site: Site
    model: FittedModel | None = None

    @property
    def equatorial(self) -> bool:
        """Whether there is a polar axis at all."""
        return self.kind != "altaz"

    def _arcmin(self, radians: float, *, equatorial: bool) -> Quantity | None:
        from astropy import units as u

        return radians / ARCSEC / 60.0 * u.arcmin if self.equatorial == equatorial else None

    @property
    def stderr_rad(self) -> Array:
        """Standard errors of the two, shape (2,)."""
        return np.sqrt(np.diag(self.covariance_rad2))

    @property
    def altitude_error(self) -> Quantity | None:
        """Arcmin above the true elevated pole; None for `altaz`."""
        return self._arcmin(self.first_rad, equatorial=True)

    @property
    def altitude_error_refracted(self) -> Quantity | None:
        """Arcmin above the refracted elevated pole; None for `altaz`."""
        return self._arcmin(self.first_rad - self.refraction_rad, equatorial=True)

    @property
    def altitude_stderr(self) -> Quantity | None:
        """Standard error, arcmin; None for `altaz`."""
        return self._arcmin(float(self.stderr_rad[0]), equatorial=True)

    @property
    def azimuth_error(self) -> Quantity | None:
        """Arcmin to the east of the elevated pole, about the vertical; None for `altaz`."""
        return self._arcmin(self.second_rad, equatorial=True)

    @property
    def azimuth_stderr(self) -> Quantity | None:
        """Standard error, arcmin; None for `altaz`."""
        return self._arcmin(float(self.stderr_rad[1]), equatorial=True)

    @property
    def tilt_north(self) -> Quantity | None:
        """Arcmin that the azimuth axis leans to the north; None for equatorial mounts."""
        return self._arcmin(self.first_rad, equatorial=False)

    @property
    def tilt_east(self) -> Quantity | None:
        """Arcmin that the azimuth axis leans to the east; None for equatorial mounts."""
        return self._arcmin(self.second_rad, equatorial=False)

    @property
    def pole(self) -> Array:
        """Where the axis should aim, unit vector."""
        return self.site.elevated_pole if self.equatorial else np.array([0.0, 0.0, 1.0])

    @property
    def axis(self) -> Array:
        """Where the axis aims, unit vector: the elevated end."""
        if self.equatorial:
            h = self.site.location.hemisphere
            north = 0.0 if h > 0 else np.pi
            return direction(
                abs(self.site.location.latitude_rad) + self.first_rad, north + h * self.second_rad
            )
        chain = Chain(mount_frame("altaz", 0.0), altaz=True, hemisphere=1)
        return chain.base(np.array([self.first_rad, self.second_rad]))[0][:, 2]

    @property
    def total_error(self) -> Quantity:
        """Angle on the sky between the axis and the true pole (or the zenith), arcmin."""
        from astropy import units as u

        return float(separation(self.axis, self.pole)) / ARCSEC / 60.0 * u.arcmin

    @property
    def left(self) -> Quantity:
        """What measurement alone will leave after perfect moves, one standard error on the sky, arcmin."""
        from astropy import units as u

        shrink = np.array([1.0, np.cos(self.site.location.latitude_rad) if self.equatorial else 1.0])
        return float(np.linalg.norm(self.stderr_rad * shrink)) / ARCSEC / 60.0 * u.arcmin

    @property
    def feet(self) -> tuple[FootMove, ...]:
        """How far each foot of an `altaz` base has to rise; empty where the site file does not describe them."""
        if self.equatorial:
            return ()
        return foot_moves(self.first_rad, self.second_rad, self.covariance_rad2, self.site.wedge)

    @cached_property
    def sky(self) -> UsableSky:
        """The site's usable sky, by everything installed and without a time."""
        from skysample.sky import usable_sky

        return usable_sky(self.site)

    @cached_property
    def tracking(self) -> TrackingError:
        """Drift and field rotation that follow, at their worst over the usable sky."""
        return tracking_error(self, self.sky)

    def __str__(self) -> str:
        return "\n".join(str(move) for move in self.moves)


def polar(model: FittedModel, site: Site) -> PolarAlignment:
    """Say where the primary axis is aimed and what to turn.

    Parameters
    ----------
    model : FittedModel
    site : Site
        For the wedge and the refraction.

    Returns
    -------
    PolarAlignment
        Against the true pole (the celestial intermediate pole of date); `altitude_error_refracted` stands beside it.

    Raises
    ------
    NotDetermined
        If a model was active in the mount, the model lacks the axis terms, or the points do not determine them.
    InputError
        If the model is of another mount or latitude than the site.
    """
    model.check_site(site)
    names = model.axis_terms
    if model.run.axes_kind == "corrected" or model.run.old_model == "on":
        raise NotDetermined(
            "not determined: a pointing model was active in the mount, so the readings show only what is left over that"
            " model, not where the axis is; switch it off (or log raw encoder readings) and take the run again"
        )
    missing = [name for name in names if name not in model.names]
    if missing:
        raise NotDetermined(
            f"not determined: the model was fitted without {' and '.join(missing)}; fit it with them"
        )
    index = [model.names.index(name) for name in names]
    inflation = (
        model.stderr_rad[index] / model.sigma_rad * np.sqrt(model.run.used)
        if model.sigma_rad > 0.0
        else np.zeros(2)
    )
    if np.max(inflation) > TRUST_LIMIT:
        worst = names[int(np.argmax(inflation))]
        pair = next((weak.pair for weak in model.weak_pairs if worst in weak.pair), None) or (
            model.weak_pairs[0].pair if model.weak_pairs else names
        )
        raise NotDetermined(
            f"not determined: these {model.run.used} points cannot tell {pair[0]} from {pair[1]} (condition"
            f" {model.condition:.0f}, the error of {worst} is {np.max(inflation):.0f} times what spread"
            f" points would give);"
            " spread the points over the whole usable sky and take the run again",
            pair=pair,
            condition=model.condition,
        )
    first, second = (float(model.values_rad[i]) for i in index)
    if max(abs(first), abs(second)) > np.radians(FARTHEST_DEG):
        raise NotDetermined(
            f"not determined: the axis would be {np.degrees(max(abs(first), abs(second))):.0f} degrees off, which no"
            " mount that was set down is; check the mount's kind, the signs of hour angle, latitude and longitude, the"
            " unit of the readings, and that the times are UTC"
        )
    covariance = model.covariance_rad2[np.ix_(index, index)]
    latitude = site.location.latitude_rad
    altaz = model.kind == "altaz"
    moves = (
        tilt_moves(first, second, covariance)
        if altaz
        else polar_moves(first, second, covariance, latitude, site.wedge)
    )
    return PolarAlignment(
        kind=model.kind,
        first_rad=first,
        second_rad=second,
        covariance_rad2=covariance,
        dof=model.dof,
        t_limit=model.t_limit,
        refraction_rad=0.0 if altaz else refraction_at(abs(latitude), site),
        moves=moves,
        condition=_condition(model),
        hints=model.zero_hints(site),
        site=site,
        model=model,
    )


def _condition(model: FittedModel) -> str:
    if model.run.axes_kind == "raw" or model.run.old_model == "off":
        return ""
    rotations = model.values_rad[: len(model.function.rotation_slots)]
    geometric = [
        value for name, value in zip(model.names, rotations, strict=False) if not name.endswith("_zero")
    ]
    near_zero = all(abs(value) < _NEAR_ZERO_RAD for value in geometric)
    here = "as they are here, so look" if near_zero else "here they are not"
    return (
        "If no model was active in the mount: what follows holds. One that was active would show as all geometric terms"
        f" near zero ({here}); say which with --assume old_model=off or on."
    )


def tracking_axis(alignment: PolarAlignment) -> Array:
    """Elevated end of the axis about which the tube goes round while the mount tracks without a model, shape (3,).

    An equatorial mount turns about its polar axis. An `altaz` follows the places of a level mount, carried by its
    base: its tube goes round the celestial pole as that base turns it.
    """
    if alignment.equatorial:
        return alignment.axis
    chain = Chain(mount_frame("altaz", 0.0), altaz=True, hemisphere=1)
    base = chain.base(np.array([alignment.first_rad, alignment.second_rad]))[0]
    return np.asarray(base @ alignment.site.elevated_pole)


def clear_of_pole(alignment: PolarAlignment, directions: Array) -> NDArray[np.bool_]:
    """Whether unit vectors (..., 3) are more than 5 degrees from the pole, or for `altaz` from the zenith."""
    return np.asarray(directions @ alignment.pole < np.cos(np.radians(5.0)))


def judged_places(alignment: PolarAlignment, sky: UsableSky) -> Array:
    """Usable directions clear of the pole, shape (n, 3); all of them where none is clear of it."""
    clear = clear_of_pole(alignment, sky.directions)
    return sky.directions[clear] if clear.any() else sky.directions


def tracking_error(alignment: PolarAlignment, sky: UsableSky) -> TrackingError:
    """Drift and field rotation at their worst over the usable sky.

    A mount that turns about its own axis m at the Earth's rate, where the sky turns about n, lets a star at t
    drift by rate x (n - m) x t. A guider, or a model, that holds the star with both axes keeps the camera square to the
    mount's axis: the field turns as the angle at the star between pole and axis changes. For m near n and t far from
    the pole this is the usual 15.04" a second x error x cos(hour angle from the error) / cos(declination).
    An `altaz` turns the field even if level: its figure is what its lean leaves to a rotator that takes it for level.

    Parameters
    ----------
    alignment : PolarAlignment
    sky : UsableSky

    Returns
    -------
    TrackingError
    """
    pole = alignment.site.elevated_pole
    places = judged_places(alignment, sky)
    drift = SIDEREAL_RAD_S * np.cross(pole - tracking_axis(alignment), places)
    speed = np.linalg.norm(drift, axis=1)
    half_s = 0.5
    stars = turned(places, north_pole(alignment.site), [-half_s, half_s])
    angles = angle_at(stars, alignment.pole, alignment.axis)
    turning = np.abs(wrap_pi(angles[1] - angles[0])) / (2.0 * half_s)
    fastest, most = int(np.argmax(speed)), int(np.argmax(turning))
    return TrackingError(
        drift_arcsec_per_min=float(speed[fastest]) / ARCSEC * 60.0,
        drift_place_deg=place_deg(places[fastest]),
        rotation_deg_per_hour=float(np.degrees(turning[most])) * 3600.0,
        rotation_place_deg=place_deg(places[most]),
    )


def place_deg(vector: Array) -> tuple[float, float]:
    """Altitude and azimuth of a unit vector, degrees, to a tenth."""
    altitude = float(np.degrees(np.arcsin(np.clip(vector[2], -1.0, 1.0))))
    return round(altitude, 1), round(float(np.degrees(np.arctan2(vector[0], vector[1]))) % 360.0, 1)

"""Where the primary axis points, what to turn, and what its error does to tracking."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.levelling_feet import foot_moves
from skysample.alignment.wedge import ARCMIN, BaseTilt, PolarAim, polar_moves, tilt_moves
from skysample.astrometry.observed_place import refraction_at
from skysample.astrometry.sidereal import (
    SIDEREAL_ARCSEC_S,
    SIDEREAL_RAD_S,
    angle_at,
    north_pole,
    turned,
)
from skysample.errors import NotDetermined
from skysample.geometry import ARCSEC, separation, wrap_pi

if TYPE_CHECKING:
    from astropy.table import QTable
    from astropy.units import Quantity
    from numpy.typing import NDArray

    from skysample.alignment.levelling_feet import FootMove
    from skysample.alignment.wedge import Move
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
    "tracking_error",
]

_NEAR_ZERO_RAD = 60.0 * ARCSEC

_NO_AZIMUTH_DEG = 89.0
"""Latitude from which on an azimuth says nothing about an equatorial mount's axis."""

FARTHEST_DEG = 20.0
"""Ten times the error of a fresh installation: an axis farther off is a mistake in the input."""

TRUST_LIMIT = 50.0
"""Do not quote an axis term whose error is more than this many times what the points would give if the other terms
were known: any effect missing from the model, such as a few arcsec of flexure, would show in it that much enlarged."""


@dataclass(frozen=True, slots=True)
class TrackingError:
    """Effect of the axis error while the mount tracks at the sidereal rate, at its worst over the usable sky.

    Directions within 5 degrees of the pole (`altaz`: of the zenith) are left out.

    Attributes
    ----------
    drift_arcsec_per_min : float
        Without corrections by a model or a guider.
    drift_place_deg : tuple of float
        Altitude and azimuth where it is worst.
    rotation_deg_per_hour : float
        Field rotation while a model or a guider holds the star with both axes. `altaz`: what the lean adds.
    rotation_place_deg : tuple of float
        Altitude and azimuth where it is worst.
    """

    drift_arcsec_per_min: float
    drift_place_deg: tuple[float, float]
    rotation_deg_per_hour: float
    rotation_place_deg: tuple[float, float]


@dataclass(frozen=True, eq=False)
class PolarAlignment:
    """Where the primary axis points, with errors; what to turn, and what will remain.

    Attributes
    ----------
    aim : PolarAim or BaseTilt
        What was measured: altitude and azimuth error, or for `altaz` the lean to the north and to the east.
    covariance_rad2 : ndarray, shape (2, 2)
        Of the two angles of `aim`.
    moves : tuple of Move
        In the order to make them.
    site : Site
    model : FittedModel
        Source of the aim, with every other term.
    """

    aim: PolarAim | BaseTilt
    covariance_rad2: Array
    moves: tuple[Move, ...]
    site: Site
    model: FittedModel

    @property
    def kind(self) -> str:
        """Kind of mount."""
        return self.site.mount.kind

    @property
    def equatorial(self) -> bool:
        """Whether the mount has a polar axis."""
        return self.kind != "altaz"

    @property
    def first_rad(self) -> float:
        """The first angle of `aim`: altitude error, or lean to the north."""
        return self.aim[0]

    @property
    def second_rad(self) -> float:
        """The second angle of `aim`: azimuth error, or lean to the east."""
        return self.aim[1]

    @property
    def stderr_rad(self) -> Array:
        """Standard errors of the two angles of `aim`, shape (2,)."""
        return np.sqrt(np.diag(self.covariance_rad2))

    @property
    def dof(self) -> int:
        """Degrees of freedom of the fit."""
        return self.model.dof

    @property
    def t_limit(self) -> float:
        """Student's t of the 95 % intervals."""
        return self.model.t_limit

    @property
    def refraction_rad(self) -> float:
        """Height of the refracted pole above the true one; zero for `altaz`."""
        return refraction_at(abs(self.site.location.latitude_rad), self.site) if self.equatorial else 0.0

    @property
    def clock_error_arcsec_per_s(self) -> float | None:
        """East-west lean that a clock error of one second imitates; None for equatorial mounts."""
        if self.equatorial:
            return None
        return SIDEREAL_ARCSEC_S * float(np.cos(self.site.location.latitude_rad))

    @property
    def condition(self) -> str:
        """What the answer rests on; empty if the run declares raw readings."""
        run = self.model.run
        if run.axes_kind == "raw" or run.old_model == "off":
            return ""
        names = self.model.names[: len(self.model.function.rotation_slots)]
        geometric = [
            value
            for name, value in zip(names, self.model.values_rad, strict=False)
            if not name.endswith("_zero")
        ]
        near_zero = all(abs(value) < _NEAR_ZERO_RAD for value in geometric)
        return (
            "This holds only if no model was active in the mount; say which with --assume old_model=off or on. An"
            " active model leaves all geometric terms near zero"
            f" ({'as they are here: check' if near_zero else 'here they are not'})."
        )

    @property
    def hints(self) -> tuple[str, ...]:
        """Mistakes of the clock or of the longitude that the zero of the primary looks like, and what they cost."""
        hints = self.model.zero_hints(self.site)
        if not hints:
            return ()
        # Either mistake turns the whole sky about the pole by the zero, and the axis's error with it.
        zero = float(self.model.values_rad[self.model.names.index("primary_zero")])
        wrong = 2.0 * abs(np.sin(zero / 2.0)) * float(self.total_error.value)
        return tuple(
            f"{hint[0].upper()}{hint[1:]}. If so, the moves below are wrong by {wrong:.2g}'."
            for hint in hints
        )

    def _arcmin(self, radians: float, *, equatorial: bool) -> Quantity | None:
        from astropy import units as u

        return radians / ARCMIN * u.arcmin if self.equatorial == equatorial else None

    @property
    def altitude_error(self) -> Quantity | None:
        """Arcmin above the true elevated pole; None for `altaz`."""
        return self._arcmin(self.aim[0], equatorial=True)

    @property
    def altitude_error_refracted(self) -> Quantity | None:
        """Arcmin above the refracted elevated pole; None for `altaz`."""
        return self._arcmin(self.aim[0] - self.refraction_rad, equatorial=True)

    @property
    def altitude_stderr(self) -> Quantity | None:
        """Standard error, arcmin; None for `altaz`."""
        return self._arcmin(float(self.stderr_rad[0]), equatorial=True)

    @property
    def azimuth_error(self) -> Quantity | None:
        """Arcmin east of the elevated pole, about the vertical; None for `altaz`."""
        return self._arcmin(self.aim[1], equatorial=True)

    @property
    def azimuth_stderr(self) -> Quantity | None:
        """Standard error, arcmin; None for `altaz`."""
        return self._arcmin(float(self.stderr_rad[1]), equatorial=True)

    @property
    def tilt_north(self) -> Quantity | None:
        """Lean of the azimuth axis to the north, arcmin; None for equatorial mounts."""
        return self._arcmin(self.aim[0], equatorial=False)

    @property
    def tilt_east(self) -> Quantity | None:
        """Lean of the azimuth axis to the east, arcmin; None for equatorial mounts."""
        return self._arcmin(self.aim[1], equatorial=False)

    @property
    def pole(self) -> Array:
        """Where the axis should point, unit vector: the elevated pole, or for `altaz` the zenith."""
        return self.site.elevated_pole if self.equatorial else np.array([0.0, 0.0, 1.0])

    def _carried(self, level: Array) -> Array:
        """Direction in which the base as it stands holds what a perfect one would hold at `level`."""
        return np.asarray(self.model.function.chain.base(np.array(self.aim))[0] @ level)

    @property
    def axis(self) -> Array:
        """Elevated end of the primary axis, unit vector."""
        return self._carried(self.pole)

    @property
    def tracking_axis(self) -> Array:
        """Elevated end of the axis about which the tube turns while the mount tracks without a model, unit vector.

        An equatorial mount turns about its polar axis. An `altaz` follows the positions of a level mount on its own
        base, so its tube turns about the celestial pole as that base tilts it.
        """
        return self._carried(self.site.elevated_pole)

    @property
    def total_error(self) -> Quantity:
        """Angle on the sky between the axis and the true pole (or the zenith), arcmin."""
        from astropy import units as u

        return float(separation(self.axis, self.pole)) / ARCMIN * u.arcmin

    @property
    def left(self) -> Quantity:
        """Error on the sky that measurement alone leaves after perfect moves, one standard error, arcmin."""
        from astropy import units as u

        shrink = np.array([1.0, np.cos(self.site.location.latitude_rad) if self.equatorial else 1.0])
        return float(np.linalg.norm(self.stderr_rad * shrink)) / ARCMIN * u.arcmin

    @property
    def feet(self) -> tuple[FootMove, ...]:
        """How far each foot of an `altaz` base has to rise; empty if the site file does not describe the feet."""
        return (
            ()
            if self.equatorial
            else foot_moves(self.aim[0], self.aim[1], self.covariance_rad2, self.site.wedge)
        )

    @cached_property
    def sky(self) -> UsableSky:
        """The site's usable sky, with everything installed and at no particular time."""
        from skysample.sky import usable_sky

        return usable_sky(self.site)

    @cached_property
    def tracking(self) -> TrackingError:
        """Drift and field rotation from the axis error, at their worst over the usable sky."""
        return tracking_error(self, self.sky)

    @property
    def table(self) -> QTable:
        """One row per move: adjuster, direction, size, standard error, and turns of the bolt (nan if unknown)."""
        from astropy import units as u
        from astropy.table import QTable

        return QTable(
            {
                "adjuster": [move.adjuster for move in self.moves],
                "direction": [move.direction for move in self.moves],
                "size": [move.arcmin for move in self.moves] * u.arcmin,
                "stderr": [move.stderr_arcmin for move in self.moves] * u.arcmin,
                "turns": [np.nan if move.turns is None else move.turns for move in self.moves],
            }
        )

    def summary(self) -> str:
        """Words for whoever stands at the mount: where the axis points, the cautions, and what to turn."""
        from skysample.alignment.instructions import adjustment_lines, aim_sentences

        condition = [self.condition] if self.condition else []
        return "\n".join([*condition, *aim_sentences(self), *adjustment_lines(self)])

    def __str__(self) -> str:
        return "\n".join(str(move) for move in self.moves)


def polar(model: FittedModel, site: Site) -> PolarAlignment:
    """Find where the primary axis points and what to turn.

    Parameters
    ----------
    model : FittedModel
    site : Site
        Its wedge and refraction are used.

    Returns
    -------
    PolarAlignment
        Against the true pole (the celestial intermediate pole of date); `altitude_error_refracted` stands beside it.

    Raises
    ------
    NotDetermined
        If a model was active in the mount, the axis terms were not fitted, the points do not determine them, or the
        mount is equatorial and within a degree of a pole.
    InputError
        If model and site have different kinds of mount or latitudes.
    """
    model.check_site(site)
    names = model.axis_terms
    if model.run.axes_kind == "corrected" or model.run.old_model == "on":
        raise NotDetermined(
            "not determined: a pointing model was active in the mount, so the readings show only what that model"
            " leaves, not where the axis points; switch it off (or log raw encoder readings) and repeat the run"
        )
    missing = [name for name in names if name not in model.names]
    if missing:
        raise NotDetermined(
            f"not determined: the model was fitted without {' and '.join(missing)}; fit it with them"
        )
    latitude_deg = float(np.degrees(model.function.latitude_rad))
    if model.kind != "altaz" and abs(latitude_deg) > _NO_AZIMUTH_DEG:
        raise NotDetermined(
            f"not determined: azimuth has no meaning so near the pole (latitude {latitude_deg:.4g}), so its error"
            " cannot be split into altitude and azimuth; level the axis by hand along the two bolts, and repeat the run"
        )
    index = [model.names.index(name) for name in names]
    inflation = (
        model.stderr_rad[index] / model.sigma_rad * np.sqrt(model.run.used)
        if model.sigma_rad > 0.0
        else np.zeros(2)
    )
    if np.max(inflation) > TRUST_LIMIT:
        worst = names[int(np.argmax(inflation))]
        pairs = [weak.pair for weak in model.weak_pairs]
        pair = next((each for each in pairs if worst in each), pairs[0] if pairs else names)
        raise NotDetermined(
            f"not determined: these {model.run.used} points cannot separate {pair[0]} from {pair[1]} (condition"
            f" {model.condition:.0f}, the error of {worst} is {np.max(inflation):.0f} times what well-spread points"
            " would give); spread the points over the whole usable sky and repeat the run",
            pair=pair,
            condition=model.condition,
        )
    angles = model.values_rad[index]
    if np.max(np.abs(angles)) > np.radians(FARTHEST_DEG):
        raise NotDetermined(
            f"not determined: the axis would be {np.degrees(np.max(np.abs(angles))):.0f} degrees off, too far for any"
            " installed mount; check the mount's kind, the signs of hour angle, latitude and longitude, the unit of"
            " the readings, and that the times are UTC"
        )
    covariance = model.covariance_rad2[np.ix_(index, index)]
    if model.kind == "altaz":
        tilt = BaseTilt(*angles.tolist())
        return PolarAlignment(tilt, covariance, tilt_moves(*tilt, covariance), site, model)
    aim = PolarAim(*angles.tolist())
    moves = polar_moves(*aim, covariance, site.location.latitude_rad, site.wedge)
    return PolarAlignment(aim, covariance, moves, site, model)


def clear_of_pole(alignment: PolarAlignment, directions: Array) -> NDArray[np.bool_]:
    """Whether unit vectors (..., 3) are more than 5 degrees from the pole, or for `altaz` from the zenith."""
    return np.asarray(directions @ alignment.pole < np.cos(np.radians(5.0)))


def judged_places(alignment: PolarAlignment, sky: UsableSky) -> Array:
    """Usable directions clear of the pole, shape (n, 3); all usable directions if none is clear."""
    clear = clear_of_pole(alignment, sky.directions)
    return sky.directions[clear] if clear.any() else sky.directions


def tracking_error(alignment: PolarAlignment, sky: UsableSky) -> TrackingError:
    """Drift and field rotation from the axis error, at their worst over the usable sky.

    The sky turns about n and the mount about its own axis m, both at the Earth's rate, so a star at t drifts by
    rate x (n - m) x t. A guider or a model that holds the star with both axes keeps the camera square to the mount's
    axis: the field turns as the angle at the star between pole and axis changes. For m near n and t far from the pole
    this is the usual sidereal rate x error x cos(hour angle from the error) / cos(declination).
    An `altaz` rotates the field even if level: its figure is what the lean leaves after a rotator set for a level one.

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
    drift = SIDEREAL_RAD_S * np.cross(pole - alignment.tracking_axis, places)
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
    """Altitude and azimuth of a unit vector, degrees, rounded to a tenth."""
    altitude = float(np.degrees(np.arcsin(np.clip(vector[2], -1.0, 1.0))))
    return round(altitude, 1), round(float(np.degrees(np.arctan2(vector[0], vector[1]))) % 360.0, 1)

"""How far stars trail on the chip for a misaligned axis, and the misalignment that this camera does not notice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.alignment import clear_of_pole, judged_places, place_deg
from skysample.astrometry.sidereal import SIDEREAL_RAD_S, angle_at, north_pole, refraction_drift, turned
from skysample.errors import InputError
from skysample.geometry import ARCSEC, cross, direction, rotation, separation

if TYPE_CHECKING:
    from astropy.coordinates import SkyCoord
    from astropy.table import QTable
    from numpy.typing import NDArray

    from skysample.alignment import PolarAlignment
    from skysample.geometry import Array
    from skysample.site import Camera, Site
    from skysample.sky import UsableSky

__all__ = ["TOLERANCE_PX", "Trail", "Trails", "trail"]

TOLERANCE_PX = 0.5
"""A trail that no one notices: half a pixel (common practice, no source)."""

MINUTES = (1.0, 5.0, 20.0, 60.0)
"""Times that are always answered for, beside the camera's own exposure."""

_STEP_S = 300.0
_NEAREST_POLE_RAD = np.radians(1.0 / 60.0)

Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Trail:
    """What one time of tracking does to the stars on the chip, at its worst.

    Attributes
    ----------
    minutes : float
    drift_arcsec : float
        Of the star in the middle, without the model.
    drift_place_deg : tuple of float
        Altitude and azimuth at the start.
    turn_without_deg : float
        How far the field turns meanwhile, without the model.
    turn_with_deg : float
        How far it turns while the model (or a guider) holds the star with both axes; `altaz`: what the lean leaves to a
        rotator that takes the mount for level.
    turn_place_deg : tuple of float
    corner_without_arcsec, corner_with_arcsec : float or None
        How far a star in the corner of the chip trails; None where the camera is not described.
    enough_without_arcmin, enough_with_arcmin : float or None
        A misalignment below this, in whatever direction, keeps every star of the chip within `TOLERANCE_PX`.
    """

    minutes: float
    drift_arcsec: float
    drift_place_deg: Place
    turn_without_deg: float
    turn_with_deg: float
    turn_place_deg: Place
    corner_without_arcsec: float | None
    corner_with_arcsec: float | None
    enough_without_arcmin: float | None
    enough_with_arcmin: float | None


@dataclass(frozen=True, slots=True)
class Trails:
    """How far stars trail, and whether that matters.

    Attributes
    ----------
    rows : tuple of Trail
        The camera's exposure first, then 1, 5, 20 and 60 minutes; a time for which no track stays in the usable sky is
        left out.
    at_deg : tuple of float or None
        The place named; None: the worst over the usable sky more than 5 degrees from the pole (`altaz`: the zenith).
    pixel_arcsec : float or None
    refraction_arcsec_per_min : float
        What refraction adds to the drift without the model, at its worst, whatever the axis does.
    refraction_place_deg : tuple of float
    inherent_deg_per_hour : float or None
        `altaz`: how fast the field of a level mount turns, at its worst; None for equatorial mounts.
    inherent_place_deg : tuple of float or None
    total_arcmin, upper_arcmin : float
        The axis's error, and the upper end of its 95 % interval.
    """

    rows: tuple[Trail, ...]
    at_deg: Place | None
    pixel_arcsec: float | None
    refraction_arcsec_per_min: float
    refraction_place_deg: Place
    inherent_deg_per_hour: float | None
    inherent_place_deg: Place | None
    total_arcmin: float
    upper_arcmin: float

    @property
    def exposure(self) -> Trail | None:
        """The row of the camera's own exposure; None where the camera or its exposure is not described."""
        row = self.rows[0] if self.rows else None
        return row if row is not None and row.enough_with_arcmin is not None else None

    @property
    def table(self) -> QTable:
        """One row a time, angles as Quantity; corner trails in pixels, nan where the camera is not described."""
        from astropy.table import QTable

        def column(name: str) -> Array:
            return np.array([getattr(row, name) for row in self.rows], float)

        pixel = np.nan if self.pixel_arcsec is None else self.pixel_arcsec
        return QTable(
            {
                "time": column("minutes") * u.min,
                "drift": column("drift_arcsec") * u.arcsec,
                "turn_without": column("turn_without_deg") * u.deg,
                "turn_with": column("turn_with_deg") * u.deg,
                "corner_without_px": column("corner_without_arcsec") / pixel,
                "corner_with_px": column("corner_with_arcsec") / pixel,
                "enough_without": column("enough_without_arcmin") * u.arcmin,
                "enough_with": column("enough_with_arcmin") * u.arcmin,
            }
        )

    def summary(self) -> str:
        """How far off the axis may be for this camera, and whether it is good enough."""
        row = self.exposure
        if row is None:
            return (
                "Give pixel_arcsec and size_px in [camera] to learn how good is good enough for this camera."
            )
        without, with_model = row.enough_without_arcmin, row.enough_with_arcmin
        return (
            f"In an exposure of {60.0 * row.minutes:g} s an axis less than {_arcmin(without)} off keeps every star"
            f" within {TOLERANCE_PX:g} pixel; with the model tracking in both axes, less than {_arcmin(with_model)}."
            f" This one is {_arcmin(self.total_arcmin)} off (95 %: below {_arcmin(self.upper_arcmin)}):"
            f" {_verdict(self.upper_arcmin, without, with_model)}.{self._refraction_too(row)}"
        )

    def __str__(self) -> str:
        return self.summary()

    def _refraction_too(self, row: Trail) -> str:
        if self.pixel_arcsec is None:
            return ""
        trailed = self.refraction_arcsec_per_min * row.minutes / self.pixel_arcsec
        if trailed <= TOLERANCE_PX:
            return ""
        return f" Without the model, refraction alone makes a star trail up to {trailed:.1f} pixels in that time."


def _arcmin(value: float | None) -> str:
    if value is None:
        return "?"
    return f"{value / 60.0:.1f} deg" if value >= 100.0 else f"{value:.3g}'"


def _verdict(upper: float, without: float | None, with_model: float | None) -> str:
    if without is not None and upper <= without:
        return "good enough"
    if with_model is not None and upper <= with_model:
        return "good enough with the model tracking in both axes, not without"
    return "not shown to be good enough"


def trail(alignment: PolarAlignment, sky: UsableSky | None = None, *, at: SkyCoord | None = None) -> Trails:
    """Say how far stars trail on the chip while the mount tracks.

    Without the model a mount turns about its own axis m at the Earth's rate and the sky about n: both together are one
    rotation, which moves every star of the chip and turns the field about the middle one. With the model (or a guider)
    in both axes the middle star stays, and the field turns as the angle at it between pole and axis changes (spherical
    trigonometry, no small angles). A change of that angle by a misalignment e is at most ``e |w(T) - w(0)|`` with
    w = (t x n) / sin^2(distance of t from n): for an equatorial mount 2 e sin(rate T / 2) / cos(declination), which for
    short times is the usual e x rate x T / cos(declination) (Hook 1989, J. Br. Astron. Assoc. 99, 19; from memory).

    Parameters
    ----------
    alignment : PolarAlignment
    sky : UsableSky, optional
        Default: the usable sky of the alignment's site. Only tracks that stay in it, and more than 5 degrees from the
        pole (`altaz`: the zenith), are looked at.
    at : SkyCoord, optional
        One observed place, in an `AltAz` frame, in place of the worst; it may be near the pole.

    Returns
    -------
    Trails

    Raises
    ------
    InputError
        If `at` is no place above the horizontal, or the pole itself.
    """
    site, camera = alignment.site, alignment.site.camera
    if at is None:
        sky = alignment.sky if sky is None else sky
        places = judged_places(alignment, sky)
    else:
        sky, places = None, _named(at, alignment)
    times = ([camera.exposure_s / 60.0] if camera.exposure_s > 0.0 else []) + list(MINUTES)
    rows = [_row(alignment, places, sky, minutes) for minutes in times]
    bent = np.linalg.norm(refraction_drift(places, site), axis=1)
    bending = int(np.argmax(bent))
    inherent, inherent_place = (None, None) if alignment.equatorial else _inherent(places, site)
    return Trails(
        rows=tuple(row for row in rows if row is not None),
        at_deg=None if at is None else place_deg(places[0]),
        pixel_arcsec=camera.pixel_arcsec,
        refraction_arcsec_per_min=float(bent[bending]) / ARCSEC * 60.0,
        refraction_place_deg=place_deg(places[bending]),
        inherent_deg_per_hour=inherent,
        inherent_place_deg=inherent_place,
        total_arcmin=float(alignment.total_error.value),
        upper_arcmin=float((alignment.total_error + alignment.t_limit * alignment.left).value),
    )


def _named(at: SkyCoord, alignment: PolarAlignment) -> Array:
    if getattr(getattr(at, "frame", None), "name", None) != "altaz" or not at.isscalar:
        raise InputError("at must be one SkyCoord in an AltAz frame, as observed", key="at")
    if not 0.0 < at.alt.deg <= 90.0:
        raise InputError(f"at has an altitude of {at.alt.deg:g}; name a place above the horizontal", key="at")
    place = direction(at.alt.rad, at.az.rad)[None]
    for pole, what in ((alignment.pole, "pole"), (alignment.axis, "axis")):
        if separation(place[0], pole) < _NEAREST_POLE_RAD:
            raise InputError(
                f"at is within 1' of the {what} itself, where field rotation has no meaning; choose a place beside it",
                key="at",
            )
    return place


def _row(alignment: PolarAlignment, places: Array, sky: UsableSky | None, minutes: float) -> Trail | None:
    site, camera = alignment.site, alignment.site.camera
    pole, axis = north_pole(site), alignment.tracking_axis * site.location.hemisphere
    seconds = np.linspace(0.0, 60.0 * minutes, 2 + int(60.0 * minutes / _STEP_S))
    tracks = turned(places, pole, seconds)
    if sky is not None:
        inside = _stays(tracks, sky) & (alignment.equatorial | clear_of_pole(alignment, tracks).all(axis=0))
        tracks = tracks[:, inside]
        if not inside.any():
            return None
    start = tracks[0]
    # Seen from the tube, the sky makes one rotation: its vector along a star turns the field, the rest shifts the star.
    angle = SIDEREAL_RAD_S * seconds[-1]
    seen = rotation(axis, angle) @ rotation(pole, -angle)
    shift = np.linalg.norm(start @ seen.T - start, axis=1)
    twist = np.array([seen[2, 1] - seen[1, 2], seen[0, 2] - seen[2, 0], seen[1, 0] - seen[0, 1]]) / 2.0
    turn_without = np.abs(start @ twist)
    angles = np.unwrap(angle_at(tracks, alignment.pole, alignment.axis), axis=0)
    turn_with = np.ptp(angles, axis=0)
    swings = cross(tracks, alignment.pole) / (1.0 - (tracks @ alignment.pole) ** 2)[..., None]
    swing = float(np.max(np.linalg.norm(swings - swings[0], axis=-1)))
    worst, most = int(np.argmax(shift)), int(np.argmax(turn_with))
    corner = _corner_rad(camera)
    pixel = None if camera.pixel_arcsec is None else camera.pixel_arcsec * TOLERANCE_PX / 60.0
    return Trail(
        minutes=minutes,
        drift_arcsec=float(shift[worst]) / ARCSEC,
        drift_place_deg=place_deg(start[worst]),
        turn_without_deg=float(np.degrees(turn_without.max())),
        turn_with_deg=float(np.degrees(turn_with[most])),
        turn_place_deg=place_deg(start[most]),
        corner_without_arcsec=None
        if corner is None
        else float(np.max(shift + corner * turn_without)) / ARCSEC,
        corner_with_arcsec=None if corner is None else corner * float(turn_with[most]) / ARCSEC,
        enough_without_arcmin=None
        if corner is None or pixel is None
        else float(pixel / (2.0 * np.sin(angle / 2.0))),
        enough_with_arcmin=None if corner is None or pixel is None else pixel / (corner * swing),
    )


def _corner_rad(camera: Camera) -> float | None:
    """Angle from the middle of the chip to its corner."""
    if camera.pixel_arcsec is None or camera.size_px is None:
        return None
    return float(np.hypot(*camera.size_px)) / 2.0 * camera.pixel_arcsec * ARCSEC


def _stays(tracks: Array, sky: UsableSky) -> NDArray[np.bool_]:
    """Which tracks, shape (t, n, 3), are in the usable sky all the time, shape (n,)."""
    import hpgeom

    pixels = hpgeom.vector_to_pixel(sky.nside, tracks[..., 1], tracks[..., 0], tracks[..., 2], nest=False)
    return np.asarray(sky.mask()[pixels].all(axis=0))


def _inherent(places: Array, site: Site) -> tuple[float, Place]:
    """Fastest turning of the field of a level `altaz`, degrees an hour, and where.

    Rate x cos(latitude) cos(azimuth) / cos(altitude): the rate of the parallactic angle, as in textbooks of spherical
    astronomy (from memory).
    """
    level = np.hypot(places[:, 0], places[:, 1])
    turning = SIDEREAL_RAD_S * np.cos(site.location.latitude_rad) * np.abs(places[:, 1]) / level**2
    most = int(np.argmax(turning))
    return float(np.degrees(turning[most])) * 3600.0, place_deg(places[most])

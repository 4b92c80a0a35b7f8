"""How far stars trail on the chip for a misaligned axis, and the misalignment that this camera does not notice."""

from __future__ import annotations

from dataclasses import dataclass, replace
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
    from skysample.site import Site
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
    corner_without_arcsec: float | None = None
    corner_with_arcsec: float | None = None
    enough_without_arcmin: float | None = None
    enough_with_arcmin: float | None = None


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
        return next((row for row in self.rows[:1] if row.enough_with_arcmin is not None), None)

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
        if row is None or row.enough_without_arcmin is None or row.enough_with_arcmin is None:
            return (
                "Give pixel_arcsec and size_px in [camera] to learn how good is good enough for this camera."
            )
        verdict = "not shown to be good enough"
        if self.upper_arcmin <= row.enough_without_arcmin:
            verdict = "good enough"
        elif self.upper_arcmin <= row.enough_with_arcmin:
            verdict = "good enough with the model tracking in both axes, not without"
        without, with_model = _arcmin(row.enough_without_arcmin), _arcmin(row.enough_with_arcmin)
        text = (
            f"In an exposure of {60.0 * row.minutes:g} s an axis less than {without} off keeps every star within"
            f" {TOLERANCE_PX:g} pixel; with the model tracking in both axes, less than {with_model}. This one is"
            f" {_arcmin(self.total_arcmin)} off (95 %: below {_arcmin(self.upper_arcmin)}): {verdict}."
        )
        trailed = self.refraction_arcsec_per_min * row.minutes / (self.pixel_arcsec or np.inf)
        if trailed > TOLERANCE_PX:
            text += f" Without the model, refraction alone makes a star trail up to {trailed:.1f} pixels in that time."
        return text

    def __str__(self) -> str:
        return self.summary()


def _arcmin(value: float) -> str:
    return f"{value / 60.0:.1f} deg" if value >= 100.0 else f"{value:.3g}'"


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
    bending, bending_place = _worst(np.linalg.norm(refraction_drift(places, site), axis=1), places)
    inherent, inherent_place = (None, None) if alignment.equatorial else _inherent(places, site)
    return Trails(
        rows=tuple(row for row in rows if row is not None),
        at_deg=None if at is None else place_deg(places[0]),
        pixel_arcsec=camera.pixel_arcsec,
        refraction_arcsec_per_min=bending / ARCSEC * 60.0,
        refraction_place_deg=bending_place,
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
    swings = cross(tracks, alignment.pole) / (1.0 - (tracks @ alignment.pole) ** 2)[..., None]
    swing = float(np.max(np.linalg.norm(swings - swings[0], axis=-1)))
    drift, drift_place = _worst(shift, start)
    turn, turn_place = _worst(np.ptp(angles, axis=0), start)
    found = Trail(
        minutes=minutes,
        drift_arcsec=drift / ARCSEC,
        drift_place_deg=drift_place,
        turn_without_deg=float(np.degrees(turn_without.max())),
        turn_with_deg=float(np.degrees(turn)),
        turn_place_deg=turn_place,
    )
    if camera.pixel_arcsec is None or camera.size_px is None:
        return found
    corner = float(np.hypot(*camera.size_px)) / 2.0 * camera.pixel_arcsec * ARCSEC
    tolerance_arcmin = camera.pixel_arcsec * TOLERANCE_PX / 60.0
    return replace(
        found,
        corner_without_arcsec=float(np.max(shift + corner * turn_without)) / ARCSEC,
        corner_with_arcsec=corner * turn / ARCSEC,
        enough_without_arcmin=float(tolerance_arcmin / (2.0 * np.sin(angle / 2.0))),
        enough_with_arcmin=tolerance_arcmin / (corner * swing),
    )


def _worst(values: Array, places: Array) -> tuple[float, Place]:
    """The largest value, and the altitude and azimuth where it is."""
    most = int(np.argmax(values))
    return float(values[most]), place_deg(places[most])


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
    fastest, place = _worst(turning, places)
    return float(np.degrees(fastest)) * 3600.0, place

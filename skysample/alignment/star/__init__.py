"""A star that shows the polar move: the mount tracks where it will stand, and the bolts alone bring it to the centre.

Derivation, signs and limits: docs/design/star.md.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment import polar
from skysample.alignment.star.bolts import BoltsUnderWay
from skysample.alignment.star.camera import camera_view
from skysample.alignment.star.choice import find_star
from skysample.alignment.star.steps import StarStep, on_camera, steps_on_chip
from skysample.astrometry.observed_place import to_icrs
from skysample.astrometry.sidereal import SIDEREAL_RAD_S
from skysample.errors import InputError
from skysample.fitting import fingerprint
from skysample.geometry import ARCSEC, alt_az
from skysample.site.mount_axes import SIDE_NAMES, ideal_direction, mount_frame, sky_reading

if TYPE_CHECKING:
    from astropy.coordinates import SkyCoord
    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.alignment import PolarAlignment
    from skysample.alignment.star.camera import CameraView
    from skysample.alignment.star.choice import Candidate
    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.plugins import Registry
    from skysample.runs import Run
    from skysample.site import Site

__all__ = ["AdjustingStar", "adjusting_star"]

WATCH_MINUTES = 30.0
"""How long a star has to stay usable: the bolts, unhurried (common practice, no source)."""

_EYE_ARCSEC, _EYE_PIXELS = 2.0, 2.0
"""How well a star is centred by eye on a live picture (common practice, no source)."""


@dataclass(frozen=True)
class AdjustingStar:
    """A star, and how to bring the axis to the pole by it; made by `skysample.adjusting_star`.

    Attributes
    ----------
    alignment : PolarAlignment
        With the moves, in the order to turn the bolts.
    model : FittedModel
    star : str
        Name and Hipparcos number.
    candidate : Candidate
        The choice in numbers.
    asked, when : astropy.time.Time
        The moment asked for; the one that everything here is for, later where no star is up.
    centring_rad : float
        How well the star is centred, one standard error, radial.
    view : CameraView or None
        How the camera sits in the tube.
    steps : tuple of StarStep
        One where the star stays on the chip, or nobody knows; else as many as keep it there.
    blind : StarStep
        The whole move under one command, whether the star is on the chip or not.
    """

    alignment: PolarAlignment = field(repr=False)
    model: FittedModel = field(repr=False)
    star: str
    candidate: Candidate = field(repr=False)
    asked: Time
    when: Time
    centring_rad: float
    view: CameraView | None
    steps: tuple[StarStep, ...]
    blind: StarStep

    @property
    def up_now(self) -> bool:
        """Whether the star can be used at the moment asked for."""
        return bool(self.asked == self.when)

    @property
    def site(self) -> Site:
        """Where."""
        return self.alignment.site

    @property
    def pier(self) -> str | None:
        """Side of the pier that the tube has to be on (`german`)."""
        return SIDE_NAMES[self.candidate.side] if self.model.kind == "german" else None

    @property
    def amplification(self) -> float:
        """How much an error in the star's place grows in the axis."""
        return self.candidate.amplification

    @property
    def model_error(self) -> Quantity:
        """Standard error of the model at the star, its axis terms apart, radial, arcsec."""
        return _arcsec(self.candidate.model_rad)

    @property
    def centring(self) -> Quantity:
        """How well the star is centred, radial, arcsec."""
        return _arcsec(self.centring_rad)

    @property
    def accuracy(self) -> Quantity:
        """How far from the pole the axis then is, one standard error: amplification x sqrt(centring^2 + model^2)."""
        return _arcsec(self.candidate.amplification * np.hypot(self.centring_rad, self.candidate.model_rad))

    def place(self, when: Time | None = None) -> SkyCoord:
        """Where the star is seen, `AltAz`, at a moment (default: `when`)."""
        from astropy import units as u
        from astropy.coordinates import AltAz, SkyCoord

        altitude, azimuth = alt_az(self.candidate.direction(self.site, self.when if when is None else when))
        return SkyCoord(az=azimuth * u.rad, alt=altitude * u.rad, frame=AltAz())

    def axes(self, when: Time | None = None, step: int = -1) -> Quantity:
        """What the axes have to read: the command to send again and again while the bolts are turned.

        Parameters
        ----------
        when : astropy.time.Time, optional
            One moment; default `when`.
        step : int
            Which of `steps`; default the last.

        Returns
        -------
        Quantity, shape (2,)
            Hour angle (-180..180) and declination of the axes, degrees, to be taken together with `pier`.
        """
        from astropy import units as u

        return np.degrees(sky_reading(self._command(when, step))) * u.deg

    def icrs(self, when: Time | None = None, step: int = -1) -> SkyCoord:
        """ICRS place to ask for, where a mount takes only that: a perfect mount would read `axes` on it.

        For a mount that allows for refraction and has no model of its own active.
        """
        from astropy import units as u
        from astropy.coordinates import SkyCoord

        asked = ideal_direction(
            mount_frame(self.model.kind, self.model.function.latitude_rad), self._command(when, step)[None]
        )
        ra, dec = to_icrs(self.site, self.when if when is None else when, asked)
        return SkyCoord(ra=ra[0] * u.rad, dec=dec[0] * u.rad, frame="icrs")

    @cached_property
    def creep(self) -> Quantity:
        """How fast the star leaves the centre, arcsec a minute, where the command is sent but once.

        The mount then tracks at the sidereal rate, while flexure and refraction change.
        """
        from astropy import units as u

        seconds = WATCH_MINUTES * 60.0
        start, end = self._command(None, -1), self._command(self.when + seconds * u.s, -1)
        primary = (end[0] - start[0] - SIDEREAL_RAD_S * seconds + np.pi) % (2.0 * np.pi) - np.pi
        off = np.hypot(primary * np.cos(end[1]), end[1] - start[1])
        return _arcsec(off / WATCH_MINUTES) / u.min

    def _command(self, when: Time | None, step: int) -> Array:
        """Mechanical readings, shape (2,), radians."""
        moment, share = self.when if when is None else when, self.steps[step].share
        bolts = BoltsUnderWay.of(self.alignment, self.model)
        star = self.candidate.direction(self.site, moment)
        side = np.array([self.candidate.side])
        return np.asarray(bolts.mount(share, share).axes_for(star[None], side, moment)[0])

    def __str__(self) -> str:
        return (
            f"{self.star}: amplification {self.amplification:.2f}, the axis ends within"
            f" {self.accuracy.value:.1f} arcsec of the pole (one standard error)"
        )


def adjusting_star(
    model: FittedModel,
    site: Site,
    when: Time,
    run: Run | None = None,
    *,
    centring: Quantity | None = None,
    registry: Registry | None = None,
) -> AdjustingStar:
    """Choose a star that shows the polar move, and say how to use it.

    Parameters
    ----------
    model : FittedModel
        Of a run without a model active in the mount.
    site : Site
    when : astropy.time.Time
        One moment: when the bolts are to be turned.
    run : Run, optional
        What the model was fitted to: its solved rolls say how the camera sits.
    centring : Quantity, optional
        How well the star will be centred, one standard error, radial; default 2 arcsec or 2 pixels, whichever is more.
    registry : Registry, optional
        Whose obstructions the star has to be clear of; default: everything installed.

    Returns
    -------
    AdjustingStar
        For `when`, or for the next moment within a day at which a star can be used.

    Raises
    ------
    InputError
        `altaz`, another run than the model's, or a `when` or `centring` that does not fit.
    NotDetermined
        As `skysample.polar`.
    NoSolution
        No star within a day.
    """
    from astropy import units as u
    from astropy.time import Time

    if site.mount.kind == "altaz":
        raise InputError(
            "an altaz mount has no polar axis to watch a star by; level its base by feet or shims and measure again",
            key="star",
        )
    if not isinstance(when, Time) or not when.isscalar:
        raise InputError(
            "when is not one astropy Time; give the moment at which the bolts are turned", key="when"
        )
    if run is not None and fingerprint(run) != model.run.fingerprint:
        raise InputError("the run is not the one that the model was fitted to; give that one", key="run")
    alignment = polar(model, site)
    pixel = site.camera.pixel_arcsec or 0.0
    error = max(_EYE_ARCSEC, _EYE_PIXELS * pixel) * u.arcsec if centring is None else u.Quantity(centring)
    try:
        centring_rad = float(error.to_value(u.rad))
    except (u.UnitsError, TypeError):
        raise InputError(f"centring is {centring}, not one angle; give arcsec", key="centring") from None
    if not 0.0 <= centring_rad < np.radians(1.0):
        raise InputError(f"centring is {centring}; give 0 to 1 degree", key="centring")
    bolts = BoltsUnderWay.of(alignment, model)
    candidate, moment = find_star(bolts, site, when, centring_rad, WATCH_MINUTES, registry)
    view = camera_view(model, site, run)
    star = candidate.direction(site, moment)

    def step(done: float, share: float) -> StarStep:
        end = bolts.mount(share, share)
        axes = end.axes_for(star[None], np.array([candidate.side]), moment)
        mounts = (bolts.mount(done, done), bolts.mount(share, done), end)
        before, between, after = (
            on_camera(word, mount, axes, star, view, site.camera)
            for word, mount in zip(("before", "between", "after"), mounts, strict=True)
        )
        return StarStep(share, (before, between, after))

    blind = step(0.0, 1.0)
    return AdjustingStar(
        alignment=alignment,
        model=model,
        star=candidate.label,
        candidate=candidate,
        asked=when,
        when=moment,
        centring_rad=centring_rad,
        view=view,
        steps=steps_on_chip(blind, step),
        blind=blind,
    )


def _arcsec(radians: float) -> Quantity:
    from astropy import units as u

    return radians / ARCSEC * u.arcsec

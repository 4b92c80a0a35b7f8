"""A star that shows the polar move: the mount tracks where it will be, and the bolts alone bring it to the centre.

Derivation, signs and limits: docs/design/star.md.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.alignment import polar
from skysample.alignment.star.bolts import BoltsUnderWay
from skysample.alignment.star.camera import camera_view
from skysample.alignment.star.choice import WATCH_MINUTES, find_star
from skysample.alignment.star.steps import StarStep, on_camera, steps_on_chip
from skysample.astrometry.observed_place import to_icrs
from skysample.astrometry.sidereal import SIDEREAL_RAD_S
from skysample.errors import InputError
from skysample.fitting import fingerprint
from skysample.geometry import alt_az, arcsec, wrap_pi
from skysample.site.mount_axes import SIDE_NAMES, ideal_direction, mount_frame, sky_reading

if TYPE_CHECKING:
    from astropy.coordinates import SkyCoord
    from astropy.table import QTable
    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.alignment import PolarAlignment
    from skysample.alignment.star.camera import CameraView
    from skysample.alignment.star.choice import StarChoice
    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.plugins import Registry
    from skysample.runs import Run
    from skysample.site import Site

__all__ = ["AdjustingStar", "adjusting_star"]

_EYE_ARCSEC, _EYE_PIXELS = 2.0, 2.0
"""How well a star is centred by eye on a live image (common practice, no source)."""


@dataclass(frozen=True)
class AdjustingStar:
    """A star, and how to bring the axis to the pole with it; made by `skysample.adjusting_star`.

    Attributes
    ----------
    alignment : PolarAlignment
        With the moves, in the order to turn the bolts.
    candidate : StarChoice
        The choice in numbers.
    asked, when : astropy.time.Time
        Time asked for; time that everything here is for, later if no star is usable then.
    centring_rad : float
        Standard error of centring the star, radial.
    view : CameraView or None
        How the camera sits in the tube.
    steps : tuple of StarStep
        One if the star stays on the chip or the chip is not known; otherwise as many as keep it there.
    blind : StarStep
        The whole move under one command, whether the star is on the chip or not.
    """

    alignment: PolarAlignment = field(repr=False)
    candidate: StarChoice = field(repr=False)
    asked: Time
    when: Time
    centring_rad: float
    view: CameraView | None
    steps: tuple[StarStep, ...]
    blind: StarStep

    @cached_property
    def star(self) -> str:
        """Name and Hipparcos number."""
        return self.candidate.label

    @property
    def up_now(self) -> bool:
        """Whether the star can be used at the time asked for."""
        return bool(self.asked == self.when)

    @property
    def site(self) -> Site:
        """Site of the mount."""
        return self.alignment.site

    @property
    def model(self) -> FittedModel:
        """Model that the commands are computed with."""
        return self.alignment.model

    @cached_property
    def _bolts(self) -> BoltsUnderWay:
        return BoltsUnderWay(self.alignment)

    @property
    def pier(self) -> str | None:
        """Side of the pier on which the tube has to be; None unless the mount is a `german`."""
        return SIDE_NAMES[self.candidate.side] if self.model.kind == "german" else None

    @property
    def amplification(self) -> float:
        """How much an error in the star's position grows in the axis."""
        return self.candidate.amplification

    @property
    def model_error(self) -> Quantity:
        """Radial standard error of the model at the star, without its axis terms, arcsec."""
        return arcsec(self.candidate.model_rad)

    @property
    def centring(self) -> Quantity:
        """Standard error of centring the star, radial, arcsec."""
        return arcsec(self.centring_rad)

    @property
    def accuracy(self) -> Quantity:
        """Standard error of the axis afterwards, on the sky: amplification x sqrt(centring^2 + model^2)."""
        return arcsec(self.candidate.accuracy_rad(self.centring_rad))

    def place(self, when: Time | None = None) -> SkyCoord:
        """Observed position of the star, `AltAz`, at a time (default: `when`)."""
        from astropy.coordinates import AltAz, SkyCoord

        altitude, azimuth = alt_az(self.candidate.direction(self.site, self.when if when is None else when))
        return SkyCoord(az=azimuth * u.rad, alt=altitude * u.rad, frame=AltAz())

    def axes(self, when: Time | None = None, step: int = -1) -> Quantity:
        """Readings to command, again and again while the bolts are turned.

        Parameters
        ----------
        when : astropy.time.Time, optional
            One time; default `when`.
        step : int
            Which of `steps`; default the last.

        Returns
        -------
        Quantity, shape (2,)
            Hour angle (-180..180) and declination of the axes, degrees; valid together with `pier`.
        """
        return np.degrees(sky_reading(self._command(when, step))) * u.deg

    def icrs(self, when: Time | None = None, step: int = -1) -> SkyCoord:
        """ICRS position to command if the mount takes no axis angles: a perfect mount would read `axes` on it.

        For a mount that corrects for refraction and has no pointing model active.
        """
        from astropy.coordinates import SkyCoord

        frame = mount_frame(self.model.kind, self.model.function.latitude_rad)
        commanded = ideal_direction(frame, self._command(when, step)[None])
        ra, dec = to_icrs(self.site, self.when if when is None else when, commanded)
        return SkyCoord(ra=ra[0] * u.rad, dec=dec[0] * u.rad, frame="icrs")

    @cached_property
    def creep(self) -> Quantity:
        """Drift of the star from the centre if the command is sent only once, arcsec a minute.

        The mount then tracks at the sidereal rate while flexure and refraction change.
        """
        seconds = WATCH_MINUTES * 60.0
        start, end = self._command(None, -1), self._command(self.when + seconds * u.s, -1)
        primary = wrap_pi(end[0] - start[0] - SIDEREAL_RAD_S * seconds)
        off = np.hypot(primary * np.cos(end[1]), end[1] - start[1])
        return arcsec(off / WATCH_MINUTES) / u.min

    def _command(self, when: Time | None, step: int) -> Array:
        """Mechanical readings to command, shape (2,), radians."""
        moment, share = self.when if when is None else when, self.steps[step].share
        star = self.candidate.direction(self.site, moment)
        side = np.array([self.candidate.side])
        return np.asarray(self._bolts.mount(share, share).axes_for(star[None], side, moment)[0])

    @property
    def table(self) -> QTable:
        """One row per command, every 5 minutes: time, hour angle and declination of the axes, and `icrs`."""
        from astropy.coordinates import SkyCoord
        from astropy.table import QTable
        from astropy.time import Time

        from skysample.alignment.star.instructions import command_times

        times = command_times(self)
        axes = u.Quantity([self.axes(moment) for moment in times])
        places = SkyCoord([self.icrs(moment) for moment in times])
        columns = {"time": Time(times), "hour_angle": axes[:, 0], "declination": axes[:, 1], "icrs": places}
        return QTable(columns)

    def summary(self) -> str:
        """Words for whoever stands at the mount: the star, the cautions, the commands, and what to turn."""
        from skysample.alignment.star.instructions import star_sentences

        return "\n".join(star_sentences(self))

    def __str__(self) -> str:
        return (
            f"{self.star}: brings the axis within {self.accuracy.value:.1f} arcsec of the pole (one standard error),"
            f" amplification {self.amplification:.2f}"
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
    """Choose a star that shows the polar move, and work out how to use it.

    Parameters
    ----------
    model : FittedModel
        Of a run taken without a pointing model active in the mount.
    site : Site
    when : astropy.time.Time
        When the bolts are to be turned, one time.
    run : Run, optional
        The run that the model was fitted to; its solved rolls show how the camera sits.
    centring : Quantity, optional
        Standard error of centring the star, radial; default 2 arcsec or 2 pixels, whichever is more.
    registry : Registry, optional
        Plugins whose obstructions the star has to clear; default: everything installed.

    Returns
    -------
    AdjustingStar
        For `when`, or for the next time within a day at which a star can be used.

    Raises
    ------
    InputError
        If the mount is an `altaz`, the run is not the model's, or `when` or `centring` is not valid.
    NotDetermined
        As `skysample.polar`.
    NoSolution
        If no star is usable within a day.
    """
    from astropy.time import Time

    if site.mount.kind == "altaz":
        raise InputError(
            "an altaz mount has no polar axis to adjust with a star; level its base with feet or shims and measure"
            " again",
            key="star",
        )
    if not isinstance(when, Time) or not when.isscalar:
        raise InputError("when is not one astropy Time; give the time when you turn the bolts", key="when")
    if run is not None and fingerprint(run) != model.run.fingerprint:
        raise InputError("the run is not the one that the model was fitted to; give that run", key="run")
    alignment = polar(model, site)
    pixel = site.camera.pixel_arcsec or 0.0
    error = max(_EYE_ARCSEC, _EYE_PIXELS * pixel) * u.arcsec if centring is None else u.Quantity(centring)
    try:
        centring_rad = float(error.to_value(u.rad))
    except (u.UnitsError, TypeError):
        fault = f"centring is {centring}, not one angle; give it in arcsec"
        raise InputError(fault, key="centring") from None
    if not 0.0 <= centring_rad < np.radians(1.0):
        raise InputError(f"centring is {centring}; give 0 to 1 degree", key="centring")
    bolts = BoltsUnderWay(alignment)
    candidate, moment = find_star(bolts, when, centring_rad, registry)
    view = camera_view(model, site, run)
    star = candidate.direction(site, moment)

    def step(done: float, share: float) -> StarStep:
        stages = {"before": (done, done), "between": (share, done), "after": (share, share)}
        axes = bolts.mount(share, share).axes_for(star[None], np.array([candidate.side]), moment)
        places = (
            on_camera(name, bolts.mount(*shares), axes, star, view, site.camera)
            for name, shares in stages.items()
        )
        return StarStep(share, tuple(places))

    blind = step(0.0, 1.0)
    return AdjustingStar(
        alignment=alignment,
        candidate=candidate,
        asked=when,
        when=moment,
        centring_rad=centring_rad,
        view=view,
        steps=steps_on_chip(blind, step),
        blind=blind,
    )

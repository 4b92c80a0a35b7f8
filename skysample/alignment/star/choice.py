"""Choose the bright star that shows the polar move best, now or next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.alignment.star.bolts import amplification
from skysample.astrometry.bright_stars import bright_stars
from skysample.astrometry.moon import moon_direction
from skysample.astrometry.observed_place import sun_direction, to_observed
from skysample.errors import NoSolution
from skysample.geometry import separation
from skysample.plugins import default_registry
from skysample.site.mount_axes import sides
from skysample.sky import clear

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.alignment.star.bolts import BoltsUnderWay, MovedMount
    from skysample.geometry import Array
    from skysample.plugins import Obstruction, Registry
    from skysample.site import Site

WATCH_MINUTES = 30.0
"""How long a star has to stay usable: time to turn the bolts unhurried (common practice, no source)."""

MOST_AMPLIFICATION = 2.0
"""Above this, one arcsecond in the star is more than two in the axis: another star does better."""

MOON_AVOID_DEG = 10.0
"""From the Moon's centre (common practice, no source); a plugin of the site may ask for more."""

POLE_AVOID_DEG = 5.0
"""Nearer the pole the primary axis would have to turn far for a star that hardly moves."""

DARK_SUN_DEG = -6.0
"""Altitude of the Sun below which a bright star shows on a camera: the end of civil twilight."""

_SCAN_MINUTES = 10.0
_DAY_MINUTES = 1440.0


@dataclass(frozen=True, slots=True)
class StarChoice:
    """One star on one side of the pier.

    Attributes
    ----------
    index : int
        In `bright_stars()`.
    side : int
        Of the pier: 1 or -1.
    amplification : float
        At its worst while the star is watched.
    model_rad : float
        Radial standard error of the model there, without its axis terms.
    """

    index: int
    side: int
    amplification: float
    model_rad: float

    @property
    def label(self) -> str:
        """Name and Hipparcos number."""
        return bright_stars().label(self.index)

    @property
    def magnitude(self) -> float:
        """Hp."""
        return float(bright_stars().magnitude[self.index])

    def accuracy_rad(self, centring_rad: float) -> float:
        """Standard error of the axis afterwards, the star centred so well (radial)."""
        return self.amplification * float(np.hypot(centring_rad, self.model_rad))

    def direction(self, site: Site, when: Time) -> Array:
        """Observed direction at one time, unit vector, shape (3,)."""
        ra, dec = bright_stars().places(when)
        return np.asarray(to_observed(site, when, ra[[self.index]], dec[[self.index]])[0])


def find_star(
    bolts: BoltsUnderWay, when: Time, centring_rad: float, registry: Registry | None = None
) -> tuple[StarChoice, Time]:
    """Choose the star that brings the axis nearest to the pole, as soon as one is usable.

    For `WATCH_MINUTES` the sky has to be dark and the star, with the tube (which points beside it until the bolts
    are turned), clear of every obstruction, dome, Sun and Moon, 5 degrees from the pole, with an amplification of at
    most 2. The amplification is least low on the meridian.

    Parameters
    ----------
    bolts : BoltsUnderWay
    when : astropy.time.Time
        One time.
    centring_rad : float
        Standard error of centring the star, radial.
    registry : Registry, optional
        Plugins to use instead of everything installed.

    Returns
    -------
    StarChoice
    astropy.time.Time
        `when` itself, or the next time within a day, to 10 minutes.

    Raises
    ------
    NoSolution
        No star within a day.
    """
    site = bolts.alignment.site
    obstructions = (registry or default_registry()).obstructions(site)
    later = np.arange(_SCAN_MINUTES, _DAY_MINUTES + _SCAN_MINUTES, _SCAN_MINUTES)
    ever_dark = False
    # Search the rest of the day only if no star is usable now.
    for minutes in (np.zeros(1), later):
        for wait in minutes[_dark(site, when, minutes)]:
            ever_dark = True
            moment = when + wait * u.min if wait else when
            watched = [moment + share * WATCH_MINUTES * u.min for share in (0.0, 0.5, 1.0)]
            found = list(_candidates(bolts, site, obstructions, watched))
            if found:
                return min(found, key=lambda star: (star.accuracy_rad(centring_rad), star.magnitude)), moment
    why = (
        f"none is clear of obstructions, dome and Moon with an amplification of at most {MOST_AMPLIFICATION:g}"
        if ever_dark
        else "the Sun is never 6 degrees down"
    )
    raise NoSolution(
        f"no suitable star within a day: {why}; adjust the bolts by the turns given and measure again"
    )


def _dark(site: Site, when: Time, minutes: Array) -> NDArray[np.bool_]:
    """Whether the Sun stays low enough for a star that is watched from so many minutes on, shape (n,)."""
    lowest = np.sin(np.radians(DARK_SUN_DEG))
    begin, end = (
        sun_direction(site, when + (minutes + more) * u.min)[:, 2] < lowest for more in (0.0, WATCH_MINUTES)
    )
    return np.asarray(begin & end)


def _candidates(
    bolts: BoltsUnderWay, site: Site, obstructions: Mapping[str, Obstruction], watched: list[Time]
) -> Iterator[StarChoice]:
    ra, dec = bright_stars().places(watched[0])
    seen = [to_observed(site, moment, ra, dec) for moment in watched]
    growth = np.max([amplification(each, bolts.levers) for each in seen], axis=0)
    usable = growth <= MOST_AMPLIFICATION
    for each, moment in zip(seen, watched, strict=True):
        usable &= each[:, 2] > 0.0
        usable &= separation(each, moon_direction(site, moment)) > np.radians(MOON_AVOID_DEG)
        usable &= separation(each, site.elevated_pole) > np.radians(POLE_AVOID_DEG)
    aligned, *earlier = (bolts.mount(*shares) for shares in ((1.0, 1.0), (0.0, 0.0), (1.0, 0.0)))
    for side in sides(site.mount.kind):
        rest = np.flatnonzero(usable)
        free = [clear(site, obstructions, seen[i][rest], moment, side) for i, moment in enumerate(watched)]
        rest = rest[np.all(free, axis=0)]
        axes = aligned.axes_for(seen[0][rest], np.full(len(rest), side), watched[0])
        reached = np.isfinite(axes).all(axis=1)
        rest, axes = rest[reached], axes[reached]
        for stage in earlier:
            open_sky = clear(site, obstructions, stage.tube(axes, watched[0]), watched[0], side)
            rest, axes = rest[open_sky], axes[open_sky]
        errors = _model_errors(aligned, axes, watched[0])
        for index, error in zip(rest, errors, strict=True):
            yield StarChoice(int(index), side, float(growth[index]), float(error))


def _model_errors(aligned: MovedMount, axes: Array, when: Time) -> Array:
    """Radial standard error of the tube's direction on a known base, shape (n,)."""
    model = aligned.model
    others = [slot for slot, name in enumerate(model.names) if name not in model.axis_terms]
    design = aligned.design(axes, when)[:, :, others]
    covariance = model.covariance_rad2[np.ix_(others, others)]
    return np.asarray(np.sqrt(np.einsum("nkp,pq,nkq->n", design, covariance, design)))

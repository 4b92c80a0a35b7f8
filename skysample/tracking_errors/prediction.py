"""What polar error, refraction and the rest of a pointing model do to a mount that tracks one star."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.observed_place import to_observed
from skysample.astrometry.sidereal import SIDEREAL_RAD_S, north_pole, turned
from skysample.astrometry.times import at_utc
from skysample.errors import InputError
from skysample.geometry import offset, tangent_basis, wrap_pi
from skysample.site.mount_axes import SIDE_NAMES, ideal_axes, side_numbers, sides

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.site import Site
    from skysample.tracking_errors.log import TrackingLog

POLAR, REFRACTION, REST = "polar error", "refraction", "the rest of the model"

_NEAREST_POLE_RAD = np.radians(0.5)
_TO_ARCSEC = 648000.0 / np.pi


def star_directions(log: TrackingLog, site: Site) -> Array:
    """Observed directions of the log's star, shape (n, 3).

    Raises
    ------
    InputError
        If the log has no times or no target, or the star was not above the horizon.
    """
    if log.start is None:
        raise _refusal(
            log,
            "time",
            "counts seconds only; what the model predicts needs moments: give a column time (UTC)",
        )
    if log.target_deg is None:
        raise _refusal(
            log,
            "target_ra_deg",
            "does not say which star; add --assume target_ra_deg=... and --assume target_dec_deg=... (ICRS)",
        )
    times = at_utc(np.full(len(log), log.start.jd1), log.start.jd2 + log.seconds / 86400.0)
    stars = to_observed(site, times, *np.radians(log.target_deg))
    if np.min(stars[:, 2]) <= 0.0:
        raise _refusal(
            log,
            "target_ra_deg",
            "its star was below the horizon at some of these times; check the target, the clock (UTC) and the site",
        )
    return stars


def predicted_errors(log: TrackingLog, site: Site, model: FittedModel | None) -> dict[str, Array]:
    """Tube less star, by cause, in the components of the log.

    Tube and star start together. An equatorial mount then turns its primary axis at the sidereal rate; an `altaz` turns
    both axes as a level, perfect one would to follow the refracted star.

    - Polar error: a tube that turns about the model's axis against a star that turns about the pole.
    - Refraction: the star as it is seen against one that turns evenly about the pole; none for `altaz`.
    - The rest: whatever the whole model makes of the same readings beyond these two.

    Parameters
    ----------
    log : TrackingLog
    site : Site
    model : FittedModel or None
        None: refraction alone.

    Returns
    -------
    dict of str to ndarray, shape (n, k)
        Arcsec, in the order in which they are to be removed; empty where nothing is known.

    Raises
    ------
    InputError
        If the log lacks its times, its target or its side of the pier, or the model is of another mount.
    """
    stars = star_directions(log, site)
    altaz, pole = site.mount.kind == "altaz", north_pole(site)
    evenly = stars if altaz else turned(stars[:1], pole, log.seconds)[:, 0]

    def between(star: Array, tube: Array) -> Array:
        """Tube less star: west and north on the sky, radians, shape (n, 2)."""
        return offset(star, tangent_basis(star, pole), tube)

    shares = {}
    if model is not None:
        model.check_site(site)
        side = _side(log, site)
        # A tube that is perfect but for the aim of its primary axis.
        chain, angles = model.function.chain, np.zeros(6)
        angles[:2] = model.function.rotation_angles(model.values_rad)[:2]
        if altaz:
            level = ideal_axes(chain.frame, stars)
            turns = wrap_pi(level - level[:1])
            about_the_axis = chain.tube(angles, chain.axes_for(angles, stars[:1], 1) + turns)
        else:
            turns = np.stack([SIDEREAL_RAD_S * log.seconds, np.zeros(len(log))], axis=-1)
            axis = chain.base(angles[:2])[0] @ chain.frame[:, 2]
            about_the_axis = turned(stars[:1], axis, log.seconds)[:, 0]
        shares[POLAR] = between(evenly, about_the_axis)
    if not altaz:
        shares[REFRACTION] = between(stars, evenly)
    if model is not None:
        start = model.axes_for(stars[:1], side)
        if not np.isfinite(start).all():
            raise _refusal(
                log,
                "target_dec_deg",
                "its star is too near the pole for this model; nothing can be predicted there",
            )
        shares[REST] = between(stars, model.predict(start + turns)) - sum(shares.values())
    return {cause: _in_components(errors, stars, log, site) for cause, errors in shares.items()}


def _side(log: TrackingLog, site: Site) -> NDArray[np.int64]:
    if len(sides(site.mount.kind)) == 1:
        return np.ones(1, int)
    if not log.pier:
        raise _refusal(
            log,
            "pier",
            "does not say the side of the pier, which a german mount needs; add --assume pier=east or west",
        )
    return side_numbers([log.pier])


def _in_components(errors: Array, stars: Array, log: TrackingLog, site: Site) -> Array:
    """West and north on the sky, radians, as the log's components, arcsec."""
    if log.names[0] in {"east", "north"}:
        by_name = {"east": -errors[:, 0], "north": errors[:, 1]}
        return np.stack([by_name[name] for name in log.names], axis=1) * _TO_ARCSEC
    pole = north_pole(site)
    if site.mount.kind == "altaz":
        pole = np.array([0.0, 0.0, 1.0])
        turn = np.einsum("nij,nkj->nik", tangent_basis(stars, pole), tangent_basis(stars, north_pole(site)))
        errors = np.einsum("nik,nk->ni", turn, errors)
    shrink = np.linalg.norm(np.cross(stars, pole), axis=1)
    if np.min(shrink) < np.sin(_NEAREST_POLE_RAD):
        raise _refusal(
            log,
            "target_dec_deg",
            "its star is within half a degree of the primary axis, where angles of that axis say nothing of the sky;"
            " log the errors as east and north",
        )
    # After a flip the secondary axis counts the other way.
    flipped = -1.0 if log.pier == SIDE_NAMES[-1] and site.mount.kind == "german" else 1.0
    by_name = {"primary": errors[:, 0] / shrink, "secondary": flipped * errors[:, 1]}
    return np.stack([by_name[name] for name in log.names], axis=1) * _TO_ARCSEC


def _refusal(log: TrackingLog, key: str, what: str) -> InputError:
    return InputError(what, file=log.file, key=key)

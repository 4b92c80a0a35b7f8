"""What polar error, refraction and the rest of a pointing model do to a mount that tracks one star."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.observed_place import to_observed
from skysample.astrometry.sidereal import SIDEREAL_RAD_S, north_pole, turned
from skysample.astrometry.times import at_utc
from skysample.errors import InputError
from skysample.geometry import offset, tangent_basis, wrap_pi
from skysample.site.mount_axes import SIDE_NAMES, ideal_axes, mount_frame, sides

if TYPE_CHECKING:
    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.site import Site
    from skysample.tracking_errors.log import TrackingLog

POLAR, REFRACTION, REST = "polar error", "refraction", "the rest of the model"

_NEAREST_POLE_RAD = np.radians(0.5)


def star_directions(log: TrackingLog, site: Site) -> Array:
    """Observed directions of the log's star, shape (n, 3).

    Raises
    ------
    InputError
        If the log has no times or no target, or the star was not above the horizon.
    """
    if log.start is None:
        raise InputError(
            "counts seconds only; what the model predicts needs moments: give a column time (UTC)",
            file=log.file,
            key="time",
        )
    if log.target_deg is None:
        raise InputError(
            "does not say which star; add --assume target_ra_deg=... and --assume target_dec_deg=... (ICRS)",
            file=log.file,
            key="target_ra_deg",
        )
    times = at_utc(np.full(len(log), log.start.jd1), log.start.jd2 + log.seconds / 86400.0)
    stars = to_observed(site, times, *np.radians(log.target_deg))
    if np.min(stars[:, 2]) <= 0.0:
        raise InputError(
            "its star was below the horizon at some of these times; check the target, the clock (UTC) and the site",
            file=log.file,
            key="target_ra_deg",
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
    altaz = site.mount.kind == "altaz"
    pole = north_pole(site)
    evenly = stars if altaz else turned(stars[:1], pole, log.seconds)[:, 0]
    shares = {}
    if model is not None:
        model.check_site(site)
        side = _side(log, site)
        shares[POLAR] = _between(evenly, _about_the_axis(model, stars, log.seconds), site)
    if not altaz:
        shares[REFRACTION] = _between(stars, evenly, site)
    if model is not None:
        start = model.axes_for(stars[:1], np.array([side]))
        if not np.isfinite(start).all():
            raise InputError(
                "its star is too near the pole for this model; nothing can be predicted there",
                file=log.file,
                key="target_dec_deg",
            )
        if altaz:
            readings = start + _followed(stars, site)
        else:
            readings = start + np.stack([SIDEREAL_RAD_S * log.seconds, np.zeros(len(log))], axis=-1)
        whole = _between(stars, model.predict(readings), site)
        shares[REST] = whole - sum(shares.values())
    return {cause: _in_components(errors, stars, log, site) for cause, errors in shares.items()}


def _side(log: TrackingLog, site: Site) -> int:
    if len(sides(site.mount.kind)) == 1:
        return 1
    numbers = {name: number for number, name in SIDE_NAMES.items()}
    if not log.pier:
        raise InputError(
            "does not say the side of the pier, which a german mount needs; add --assume pier=east or west",
            file=log.file,
            key="pier",
        )
    return numbers[log.pier]


def _about_the_axis(model: FittedModel, stars: Array, seconds: Array) -> Array:
    """Where a tube goes that is perfect but for the aim of its primary axis."""
    chain = model.function.chain
    angles = np.zeros(6)
    angles[:2] = model.function.rotation_angles(model.values_rad)[:2]
    base = chain.base(angles[:2])[0]
    if not chain.altaz:
        return turned(stars[:1], base @ chain.frame[:, 2], seconds)[:, 0]
    level = ideal_axes(chain.frame, stars)
    start = chain.axes_for(angles, stars[:1], np.array([1]))
    return chain.tube(angles, start + wrap_pi(level - level[:1]))


def _followed(stars: Array, site: Site) -> Array:
    """How a level `altaz` turns its axes to follow the star, from its start."""
    level = ideal_axes(mount_frame("altaz", site.location.latitude_rad), stars)
    return np.asarray(wrap_pi(level - level[:1]))


def _between(star: Array, tube: Array, site: Site) -> Array:
    """Tube less star: west and north on the sky, radians, shape (n, 2)."""
    return offset(star, tangent_basis(star, north_pole(site)), tube)


def _in_components(errors: Array, stars: Array, log: TrackingLog, site: Site) -> Array:
    """West and north on the sky, radians, as the log's components, arcsec."""
    to_arcsec = 648000.0 / np.pi
    if log.names[0] in {"east", "north"}:
        by_name = {"east": -errors[:, 0], "north": errors[:, 1]}
        return np.stack([by_name[name] for name in log.names], axis=1) * to_arcsec
    pole = north_pole(site)
    if site.mount.kind == "altaz":
        pole = np.array([0.0, 0.0, 1.0])
        turn = np.einsum("nij,nkj->nik", tangent_basis(stars, pole), tangent_basis(stars, north_pole(site)))
        errors = np.einsum("nik,nk->ni", turn, errors)
    shrink = np.linalg.norm(np.cross(stars, pole), axis=1)
    if np.min(shrink) < np.sin(_NEAREST_POLE_RAD):
        raise InputError(
            "its star is within half a degree of the primary axis, where angles of that axis say nothing of the sky;"
            " log the errors as east and north",
            file=log.file,
            key="target_dec_deg",
        )
    # After a flip the secondary axis counts the other way.
    flipped = -1.0 if log.pier == SIDE_NAMES[-1] and site.mount.kind == "german" else 1.0
    by_name = {"primary": errors[:, 0] / shrink, "secondary": flipped * errors[:, 1]}
    return np.stack([by_name[name] for name in log.names], axis=1) * to_arcsec

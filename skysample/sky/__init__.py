"""The usable sky: the part of the hemisphere that no obstruction blocks, on equal-area pixels.

Source of the tessellation: Gorski et al. 2005, ApJ 622, 759 (HEALPix), computed by hpgeom. Its z axis is the zenith,
its longitude the azimuth, from north through east.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass, field
from operator import attrgetter
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.observed_place import observed_place
from skysample.errors import InputError, NoSolution, PluginError
from skysample.geometry import direction
from skysample.listeners import tell
from skysample.plugins import default_registry
from skysample.plugins.guarded_calls import guarded_call, is_own
from skysample.site.mount_axes import sides
from skysample.sky.obstructions.reach import AxisLimits, DomeOpening, reach

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from astropy.coordinates import BaseCoordinateFrame, SkyCoord
    from astropy.table import QTable
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.plugins import Obstruction, Registry
    from skysample.site import Site

    Bools = NDArray[np.bool_]
    Pixels = NDArray[np.int64]

__all__ = ["Loss", "UsableSky", "blocked_by", "clear", "usable_sky"]

_COARSE_NSIDE = 32
_LARGEST_NSIDE = 1024
_HOOK = "skysample_obstructions"


@dataclass(frozen=True, slots=True)
class Loss:
    """Sky lost to one obstruction.

    Attributes
    ----------
    obstruction : str
        Its name.
    removed_sr : float
        Sky that it blocks, including what others block too.
    only_sr : float
        Sky that it alone blocks: usable without it.
    """

    obstruction: str
    removed_sr: float
    only_sr: float


@dataclass(frozen=True, eq=False)
class UsableSky:
    """The usable part of a site's sky; from `usable_sky`.

    Attributes
    ----------
    site : Site
    when : astropy.time.Time or None
        The time or times at which all of it is usable. None: moving obstructions, above all the Sun, were not checked.
    nside : int
        Resolution of the HEALPix tessellation (RING order, z axis to the zenith, longitude = azimuth).
    directions : ndarray, shape (m, 3)
        Centres of the usable pixels, unit vectors, east-north-up.
    pixels : ndarray of int, shape (m,)
        Their HEALPix numbers, ascending.
    reachable : ndarray of bool, shape (m, sides)
        Whether mount and dome reach each pixel on each side of the pier, in the order of `mount_axes.sides`.
    taken : tuple of Loss
        Sky lost to each obstruction.
    obstructions : mapping of str to Obstruction
        By name.
    """

    site: Site = field(repr=False)
    when: Time | None
    nside: int
    directions: Array = field(repr=False)
    pixels: Pixels = field(repr=False)
    reachable: Bools = field(repr=False)
    taken: tuple[Loss, ...]
    obstructions: Mapping[str, Obstruction] = field(repr=False)

    @property
    def pixel_sr(self) -> float:
        """Solid angle of one pixel, steradians."""
        return math.pi / (3.0 * self.nside**2)

    @property
    def area_sr(self) -> float:
        """Solid angle of the usable sky, steradians."""
        return len(self.pixels) * self.pixel_sr

    @property
    def losses(self) -> QTable:
        """Sky lost to each `obstruction`: `removed` (with overlaps), `only` (to it alone)."""
        from astropy import units as u
        from astropy.table import QTable

        rows = [(loss.obstruction, loss.removed_sr, loss.only_sr) for loss in self.taken]
        return QTable(rows=rows, names=("obstruction", "removed", "only"), units=(None, u.sr, u.sr))

    def mask(self) -> Bools:
        """Return the usable pixels as a full-sky HEALPix map, shape (12 nside^2,), RING order."""
        chosen = np.zeros(12 * self.nside**2, bool)
        chosen[self.pixels] = True
        return chosen

    def usable(self, directions: Array | SkyCoord | BaseCoordinateFrame, side: int | None = None) -> Bools:
        """Check every obstruction at exactly these directions, not at the pixels they lie in.

        Parameters
        ----------
        directions : ndarray of shape (n, 3), SkyCoord or AltAz
            Unit vectors, east-north-up; or coordinates: an observed `AltAz` (from `skysample.observed_place`), or
            any frame that transforms to ICRS, observed at `when`.
        side : int, optional
            The side of the pier (1 or -1) that must reach them.

        Returns
        -------
        ndarray of bool, shape (n,)
            Usable at `when`; in the shape of the coordinates, (1,) for a single one.

        Raises
        ------
        InputError
            If these are not unit vectors, coordinates need a time that this sky does not have, or the mount has no
            such side.
        PluginError
            If an obstruction raises, or returns something other than n truth values.
        """
        if hasattr(directions, "transform_to"):
            vectors = self._observed(directions)
            return self.usable(vectors.reshape(-1, 3), side).reshape(vectors.shape[:-1])
        directions = np.array(directions, float)
        if directions.ndim != 2 or directions.shape[1] != 3:
            raise InputError(f"directions have shape {directions.shape}; give (n, 3)", key="directions")
        if not np.all(np.abs(np.linalg.norm(directions, axis=1) - 1.0) < 1e-6):
            raise InputError("directions are not all unit vectors; scale them to length 1", key="directions")
        return clear(self.site, self.obstructions, directions, self.when, side)

    def _observed(self, place: SkyCoord | BaseCoordinateFrame) -> Array:
        """Observed unit vectors of coordinates, shape (..., 3), at least one."""
        from astropy.coordinates import SkyCoord

        place = SkyCoord(place)
        if place.frame.name != "altaz":
            if self.when is None or not self.when.isscalar:
                raise InputError(
                    "coordinates other than AltAz need one time; give usable_sky a time, or give observed AltAz",
                    key="directions",
                )
            place = observed_place(place, self.when, self.site)
        return direction(np.atleast_1d(place.alt.rad), np.atleast_1d(place.az.rad))

    def same_part(self, other: UsableSky) -> bool:
        """Whether another survey of the same site found the same pixels, reached from the same sides."""
        return np.array_equal(self.pixels, other.pixels) and np.array_equal(self.reachable, other.reachable)

    def blockers(self, at: Array) -> tuple[str, ...]:
        """Names of the obstructions that block a direction (unit vector, shape (3,)) at `when`."""
        blocked = _blocked(self.obstructions, np.array(at, float)[None], _moments(self.when))
        return tuple(name for name, row in zip(self.obstructions, blocked, strict=True) if row[0])

    @property
    def table(self) -> QTable:
        """One row per obstruction: `losses`."""
        return self.losses

    def summary(self) -> str:
        """Say how much of the sky is usable, and what each obstruction takes."""
        name = f" of {self.site.name}" if self.site.name else ""
        share = 100.0 * self.area_sr / (2.0 * math.pi)
        width = max(len(loss.obstruction) for loss in self.taken)
        lines = [
            f"Usable sky{name}: {self.area_sr:.3f} sr, {share:.1f} % of the hemisphere",
            "Sky lost to each cause alone (they overlap), and sky that no other cause blocks:",
            *(
                f"{loss.obstruction:{width}}  {loss.removed_sr:.3f} sr  {loss.only_sr:.3f} sr"
                for loss in self.taken
            ),
        ]
        if self.when is None:
            lines.append("No time given: the Sun was not checked.")
        elif self.when.isscalar:
            lines.append(f"At {self.when.utc.isot} UTC.")
        else:
            first, last = self.when.min().utc.isot, self.when.max().utc.isot
            lines.append(f"At all of {self.when.size} times from {first} to {last} UTC.")
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.summary()

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"


def usable_sky(
    site: Site, when: Time | None = None, *, registry: Registry | None = None, nside: int = 64
) -> UsableSky:
    """Find the usable part of the sky.

    Every obstruction is checked at coarse pixels (`nside` 32, 1.8 degrees), and at finer ones where the result
    changes from one coarse pixel to the next. Something narrower than a coarse pixel, such as a mast, can fall between
    them: `UsableSky.usable` checks exact directions.

    Parameters
    ----------
    site : Site
    when : astropy.time.Time, optional
        One time, or several (1-D): blocked at any of them counts as blocked. Without a time, moving obstructions
        (the Sun) block nothing.
    registry : Registry, optional
        The plugins to use; default: everything installed.
    nside : int
        HEALPix resolution, a power of two up to 1024; 64 makes pixels of 0.84 square degrees.

    Returns
    -------
    UsableSky

    Raises
    ------
    InputError
        If `when` is no Time or has the wrong shape, or `nside` is not allowed.
    NoSolution
        If no usable sky is left; says how much each obstruction blocks. Its `partial` is the tuple of `Loss`.
    PluginError
        If an obstruction raises, or returns something other than n truth values.
    """
    if nside not in [2**k for k in range(_LARGEST_NSIDE.bit_length())]:
        raise InputError(f"nside {nside} is not a power of two from 1 to {_LARGEST_NSIDE}", key="nside")
    nside = int(nside)
    moments = _moments(when)
    obstructions = (registry or default_registry()).obstructions(site)

    def check(directions: Array) -> Bools:
        """What each obstruction blocks, and on which sides the rest can be reached: shape (facts, n)."""
        blocked = _blocked(obstructions, directions, moments)
        free = np.asarray(~blocked.any(axis=0))
        reached = [_reached(site, obstructions, directions, free, side) for side in sides(site.mount.kind)]
        return np.concatenate([blocked, reached])

    pixels, directions, facts = _survey(check, nside)
    blocked, reached = np.split(facts, [len(obstructions)])
    by_one, pixel_sr = blocked.sum(axis=0) == 1, math.pi / (3.0 * nside**2)
    taken = tuple(
        Loss(name, pixel_sr * int(np.count_nonzero(row)), pixel_sr * int(np.count_nonzero(row & by_one)))
        for name, row in zip(obstructions, blocked, strict=True)
    )
    free = ~blocked.any(axis=0)
    if not free.any():
        worst = max(taken, key=attrgetter("removed_sr")).obstruction
        parts = ", ".join(f"{loss.obstruction} {loss.removed_sr:.2f}" for loss in taken if loss.removed_sr)
        raise NoSolution(
            f"no usable sky is left of {2.0 * math.pi:.2f} sr (blocked: {parts}); check {worst!r} first",
            partial=taken,
        )
    directions, pixels, reached = directions[free], pixels[free], reached[:, free].T
    for part in (directions, pixels, reached):
        part.flags.writeable = False
    return UsableSky(site, when, nside, directions, pixels, reached, taken, obstructions)


def clear(
    site: Site,
    obstructions: Mapping[str, Obstruction],
    directions: Array,
    when: Time | None,
    side: int | None = None,
) -> Bools:
    """Whether no obstruction blocks these directions; needs no survey of the whole sky.

    Parameters
    ----------
    site : Site
        For the reach of mount and dome.
    obstructions : mapping of str to Obstruction
        By name, from `Registry.obstructions`.
    directions : ndarray, shape (n, 3)
        Unit vectors, east-north-up.
    when : astropy.time.Time or None
        One time, or several.
    side : int, optional
        The side of the pier (1 or -1) that must reach them.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    directions = np.array(directions, float)
    free = np.asarray(~_blocked(obstructions, directions, _moments(when)).any(axis=0))
    return free if side is None else _reached(site, obstructions, directions, free, side)


def _reached(
    site: Site, obstructions: Mapping[str, Obstruction], directions: Array, free: Bools, side: int
) -> Bools:
    """Which of the free directions mount and dome reach on a side of the pier, shape (n,)."""
    mount, latitude = site.mount, site.location.latitude_rad
    checks: list[Obstruction] = [AxisLimits(mount, latitude)]
    checks += [] if site.dome is None else [DomeOpening(site.dome, mount, latitude)]
    if sides(mount.kind) == (side,) and all(check in obstructions.values() for check in checks):
        return free  # with a single side, the obstructions have checked the same already
    reached = np.zeros(len(directions), bool)
    reached[free] = reach(site, directions[free], side)
    return reached


def _moments(when: Time | None) -> list[Time | None]:
    if when is None:
        return [None]
    from astropy.time import Time

    if not isinstance(when, Time):
        raise InputError(f"when is a {type(when).__name__}; give an astropy Time, or None", key="when")
    if when.ndim > 1 or when.size == 0:
        raise InputError(f"when has shape {when.shape}; give one time, or a 1-D Time", key="when")
    return list(when.reshape(-1))


def _blocked(obstructions: Mapping[str, Obstruction], directions: Array, moments: list[Time | None]) -> Bools:
    """What each obstruction blocks at any of the times: shape (obstructions, n)."""
    blocked = np.zeros((len(obstructions), len(directions)), bool)
    for i, obstruction in enumerate(obstructions.values()):
        tell("looking for the usable sky", i, len(obstructions))
        moving = getattr(obstruction, "depends_on_time", True)
        with guarded_call(obstruction.name, _HOOK, "its blocks()", own=is_own(obstruction)):
            for moment in moments if moving else moments[:1]:
                blocked[i] |= _answer(obstruction, directions, moment)
    return blocked


def blocked_by(obstruction: Obstruction, directions: Array, moment: Time | None) -> Bools:
    """Call an obstruction, the core's or a plugin's, and check its result.

    Parameters
    ----------
    obstruction : Obstruction
    directions : ndarray, shape (n, 3)
        Unit vectors, east-north-up; passed on read-only.
    moment : astropy.time.Time or None
        Scalar, or shape (n,).

    Returns
    -------
    ndarray of bool, shape (n,)

    Raises
    ------
    PluginError
        If it raises, or returns anything else.
    """
    with guarded_call(obstruction.name, _HOOK, "its blocks()", own=is_own(obstruction)):
        return _answer(obstruction, directions, moment)


def _answer(obstruction: Obstruction, directions: Array, moment: Time | None) -> Bools:
    read_only = directions.view()
    read_only.flags.writeable = False
    answer: Any = obstruction.blocks(read_only, moment)
    kind, wanted = type(answer).__name__, (len(directions),)
    if isinstance(answer, np.ndarray):
        if answer.shape == wanted and answer.dtype == np.bool_:
            return answer
        kind = f"an array of {answer.dtype} of shape {answer.shape}"
    problem = f"its blocks() returned {kind}; it must return an array of bool of shape {wanted}"
    raise PluginError(problem, plugin=obstruction.name, hook=_HOOK)


def _survey(check: Callable[[Array], Bools], nside: int) -> tuple[Pixels, Array, Bools]:
    """Number, direction and facts of every pixel whose centre is above the horizontal.

    Starts coarse; on the way to `nside`, a pixel is checked again only if its parent differs from a neighbour in any
    fact, or has a neighbour below the horizontal.
    """
    import hpgeom

    level = min(nside, _COARSE_NSIDE)
    pixels, directions = _hemisphere(level)
    facts = check(directions)
    while level < nside:
        count = 12 * level**2
        known = np.full((len(facts), count), -1, np.int8)
        known[:, pixels] = facts
        neighbours = hpgeom.neighbors(level, np.arange(count), nest=False).T
        differs = (known == -1).any(axis=0)
        for neighbour in neighbours:
            differs |= (neighbour >= 0) & (known != known[:, neighbour]).any(axis=0)
        pixels, directions = _hemisphere(2 * level)
        parents = hpgeom.nest_to_ring(level, hpgeom.ring_to_nest(2 * level, pixels) // 4)
        facts = known[:, parents] == 1
        again = np.flatnonzero(differs[parents])
        facts[:, again] = check(directions[again])
        level *= 2
    return pixels, directions, facts


def _hemisphere(nside: int) -> tuple[Pixels, Array]:
    import hpgeom

    colatitude, azimuth = hpgeom.pixel_to_angle(
        nside, np.arange(6 * nside**2 + 2 * nside), nest=False, lonlat=False
    )
    above = np.flatnonzero(colatitude < math.pi / 2.0 - 1e-9)
    directions = direction(math.pi / 2.0 - colatitude[above], azimuth[above])
    directions.flags.writeable = False
    return above, directions

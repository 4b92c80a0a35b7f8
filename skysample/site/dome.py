"""The dome azimuths at which the whole beam passes through the slit.

The dome is a sphere about the origin. At azimuth A it faces forward f = (sin A, cos A, 0), its lateral axis
is l = (cos A, -sin A, 0). The slit is the part of the sphere between two planes parallel to f and the
vertical (|q.l| <= half the slit's width) whose slit angle, seen from the centre in the plane of f and the
vertical, lies between `slit_low_deg` and 90 + `slit_past_zenith_deg`. The beam is a cylinder about the
optical axis, which need not pass through the centre; it clears the slit when every point at which its rim
meets the sphere lies in the slit.

Such an exit point, at horizontal distance rho and azimuth a, forbids arcs of A in closed form: the edges one
on either side of a, the lower lip one about a, the upper end one about a + 180 degrees. What the union of all
points' arcs leaves free is the answer. Derived from the geometry above; tests/site/test_dome.py compares it with
traced rays.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from skysample.errors import InputError
from skysample.geometry import tangent_basis

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Dome

_TURN = 2.0 * math.pi
_RIM_TOLERANCE_M = 1.5e-4
_MOST_RIM_POINTS = 2000
_CHUNK = 30_000
"""Exit points processed at once, so that their arrays stay in the processor's cache."""
_LEAST_ARC = 1e-9
"""Radians: a narrower arc is rounding error, and no dome could be stopped in it."""


def dome_arcs(dome: Dome, directions: Array, origins: Array) -> tuple[Array, ...]:
    """Azimuths at which the dome may stand, for each direction of the beam.

    The rim is sampled so that the edge of an arc is accurate to 0.15 mm at the slit.

    Parameters
    ----------
    dome : Dome
        Sphere, slit and beam.
    directions : ndarray, shape (n, 3)
        Unit vectors along the optical axis, east-north-up.
    origins : ndarray, shape (n, 3)
        A point on the optical axis of each, metres from the dome's centre, east-north-up (from
        `mount_axes.tube_origin`).

    Returns
    -------
    tuple of n ndarrays, shape (k_i, 2)
        Start (0 <= start < 2 pi) and width of each arc, radians, in order of the start; read-only. A width of
        2 pi means any azimuth; k_i = 0 means none.

    Raises
    ------
    InputError
        If a shape is wrong, or a beam starts outside the dome.
    """
    rows, start, width = _free_arcs(dome, directions, origins)
    flat = np.stack([start, width], axis=-1)
    flat.flags.writeable = False
    bounds = np.searchsorted(rows, np.arange(len(directions) + 1)).tolist()
    return tuple(flat[first:last] for first, last in pairwise(bounds))


def dome_open(dome: Dome, directions: Array, origins: Array) -> NDArray[np.bool_]:
    """Whether any dome azimuth lets the beam clear the slit, shape (n,); parameters as for `dome_arcs`."""
    _check_beams(dome, directions, origins)
    is_open = np.zeros(len(directions), bool)
    for first, exits, _ in _exit_points(dome, directions, origins):
        clear = _clear_ahead(exits)
        is_open[first : first + len(clear)] = clear
        simple, general = (rows[~clear[rows]] for rows in _split(exits))
        for rows, _, _ in (_simple_arcs(exits, simple), _general_arcs(exits, general)):
            is_open[rows + first] = True
    return is_open


def _free_arcs(dome: Dome, directions: Array, origins: Array) -> tuple[NDArray[np.int64], Array, Array]:
    """Every free arc: the direction's row (ascending), its start and its width."""
    _check_beams(dome, directions, origins)
    found = []
    for first, exits, facing in _exit_points(dome, directions, origins):
        simple, general = _split(exits)
        for rows, start, width in (_simple_arcs(exits, simple), _general_arcs(exits, general)):
            anywhere = width >= _TURN
            azimuth = np.where(anywhere, 0.0, (start + facing[rows]) % _TURN)
            azimuth[azimuth >= _TURN] = 0.0  # the remainder of a tiny negative number rounds to this
            found.append((rows + first, azimuth, width))
    if not found:
        return np.zeros(0, np.int64), np.zeros(0), np.zeros(0)
    rows, start, width = (np.concatenate(part) for part in zip(*found, strict=True))
    order = np.lexsort((start, rows))
    return rows[order], start[order], width[order]


def _check_beams(dome: Dome, directions: Array, origins: Array) -> None:
    if directions.ndim != 2 or directions.shape[-1] != 3 or origins.shape != directions.shape:
        shapes = f"{directions.shape} and {origins.shape}"
        raise InputError(f"directions and origins have shapes {shapes}; give shape (n, 3) for both")
    radius = dome.beam_m / 2.0
    aside = np.linalg.norm(np.cross(directions, origins), axis=-1)
    farthest = np.sqrt(np.sum(origins * origins, axis=-1) + radius * (radius + 2.0 * aside))
    if not np.all(farthest < dome.radius_m):
        raise InputError(
            f"dome.pivot_m, tube_offset_m: the beam starts up to {np.max(farthest):g} m from the centre, "
            f"outside the dome (radius_m {dome.radius_m:g}); correct one of them",
            key="dome.pivot_m",
        )


class _Exits(NamedTuple):
    """Where rims meet the sphere, shape (directions, rim points), and what the slit requires of each.

    Azimuths count from that of the optical axis' exit point. For a dome that faces it, the points are `x` to the side
    and `y` ahead of the centre. For a dome turned by A, a point at horizontal distance `rho` and azimuth a is at
    y = rho cos(a - A) and x = rho sin(a - A): the slit's ends require least_y <= y <= most_y, its edges
    |x| <= half the width.
    """

    half_slit: float
    x: Array
    y: Array
    rho: Array
    least_y: Array
    most_y: Array | None
    edge_y: Array
    """|y| of a point on an edge."""


def _exit_points(dome: Dome, directions: Array, origins: Array) -> Iterator[tuple[int, _Exits, Array]]:
    """Exit points in chunks: first row, points, and the azimuth from which they count."""
    count, radius = _rim(dome)
    angle = np.arange(count) * (_TURN / count)
    circle = radius * np.stack([np.cos(angle), np.sin(angle)])
    size = max(1, _CHUNK // count)
    up = np.array([0.0, 0.0, 1.0])
    for first in range(0, len(directions), size):
        t, o = directions[first : first + size], origins[first : first + size]
        along = np.sum(t * o, axis=-1)
        room = dome.radius_m**2 - np.sum(o * o, axis=-1)
        centre = o + (np.sqrt(along**2 + room) - along)[:, None] * t
        facing = np.arctan2(centre[:, 0], centre[:, 1])
        axes = tangent_basis(t, up)
        t, o, axes = (_faced(vectors, facing) for vectors in (t, o, axes))
        aside = np.einsum("nij,nj->ni", axes, o) @ circle
        square = (along**2 + room - radius**2)[:, None] - 2.0 * aside
        path = np.sqrt(np.maximum(square, 0.0)) - along[:, None]
        x, y, z = (axes[:, :, i] @ circle + o[:, i, None] + path * t[:, i, None] for i in range(3))
        yield first, _exits(dome, x, y, z), facing


def _rim(dome: Dome) -> tuple[int, float]:
    """Return the number of points on the rim, and their radius.

    A smooth function of the angle, sampled every 2 pi / M, misses its extreme by at most its second derivative times
    (pi / M)^2 / 2. Points a little outside the rim halve that error. The second derivative of the exit point is bounded
    for a beam that starts anywhere within pivot and tube offset. A beam that nearly grazes the dome from inside would
    need more points than the limit: its error is larger.
    """
    beam = dome.beam_m / 2.0
    aside = math.hypot(*dome.pivot_m) + abs(dome.tube_offset_m)
    depth = max(dome.radius_m**2 - (aside + beam) ** 2, 1e-12)
    bend = beam * (1.0 + aside / math.sqrt(depth) + beam * aside**2 / depth**1.5)
    wanted = math.ceil(math.pi * math.sqrt(bend / (4.0 * _RIM_TOLERANCE_M)))
    count = min(max(wanted, 16), _MOST_RIM_POINTS)
    return count, beam * 2.0 / (1.0 + math.cos(math.pi / count))


def _faced(vectors: Array, facing: Array) -> Array:
    """Lateral, forward and up components of vectors (n, ..., 3) for a dome facing each azimuth."""
    shape = (-1, *(1,) * (vectors.ndim - 2))
    sine, cosine = np.sin(facing).reshape(shape), np.cos(facing).reshape(shape)
    east, north, up = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    return np.stack([east * cosine - north * sine, east * sine + north * cosine, up], axis=-1)


def _exits(dome: Dome, x: Array, y: Array, z: Array) -> _Exits:
    low, past = math.radians(dome.slit_low_deg), math.radians(dome.slit_past_zenith_deg)
    least, most = -math.tan(past) * z, None
    if abs(low) < 1e-9:
        least = np.where(z < 0.0, np.inf, least)
    elif low > 0.0:
        most = z / math.tan(low)
    elif low + math.pi / 2.0 >= past:
        least = np.maximum(least, z / math.tan(low))
    else:  # a slit longer than half a turn: the planes bound what is left of the dome
        least = np.minimum(least, z / math.tan(low))
    square = x * x + y * y
    half = dome.slit_width_m / 2.0
    edge = np.sqrt(np.maximum(square - half * half, 0.0))
    return _Exits(half, x, y, np.maximum(np.sqrt(square), 1e-12), least, most, edge)


def _clear_ahead(exits: _Exits) -> NDArray[np.bool_]:
    """Whether a dome facing the exit of the optical axis clears the beam, with a micrometre to spare."""
    clear = (np.abs(exits.x) < exits.half_slit - 1e-6) & (exits.y > exits.least_y + 1e-6)
    if exits.most_y is not None:
        clear &= exits.y < exits.most_y - 1e-6
    through: NDArray[np.bool_] = np.all(clear, axis=1)
    return through


def _split(exits: _Exits) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows whose exit points each allow one simple arc about their azimuth, and rows for the general method.

    All other rows are closed.
    """
    in_front = exits.least_y > -exits.edge_y
    closed = (exits.least_y > exits.rho).any(axis=1)
    simple = (in_front & (exits.least_y <= exits.edge_y)).all(axis=1)
    if exits.most_y is not None:
        closed |= (in_front & (exits.most_y < exits.edge_y)).any(axis=1)
        simple &= (exits.most_y >= exits.rho).all(axis=1)
    # Within a quarter turn of the axis, no two simple arcs can also meet behind the dome.
    simple &= (exits.y > 0.0).all(axis=1)
    return np.flatnonzero(simple & ~closed), np.flatnonzero(~simple & ~closed)


def _bearing(exits: _Exits, rows: NDArray[np.int64]) -> Array:
    return np.arctan2(exits.x[rows], exits.y[rows])


def _half_arc(exits: _Exits, rows: NDArray[np.int64]) -> Array:
    return np.arcsin(np.minimum(exits.half_slit / exits.rho[rows], 1.0))


def _simple_arcs(exits: _Exits, rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], Array, Array]:
    half = _half_arc(exits, rows)
    bearing = _bearing(exits, rows)
    start = (bearing - half).max(axis=1)
    width = (bearing + half).min(axis=1) - start
    free = width > _LEAST_ARC
    return rows[free], start[free], width[free]


def _general_arcs(exits: _Exits, rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], Array, Array]:
    bearing, rho = _bearing(exits, rows), exits.rho[rows]
    edge = math.pi / 2.0 - _half_arc(exits, rows)
    behind = math.pi - np.arccos(np.clip(exits.least_y[rows] / rho, -1.0, 1.0))
    centres = [bearing + math.pi / 2.0, bearing - math.pi / 2.0, bearing + math.pi]
    halves = [edge, edge, behind]
    if exits.most_y is not None:
        centres.append(bearing)
        halves.append(np.arccos(np.clip(exits.most_y[rows] / rho, -1.0, 1.0)))
    which, start, width = _between(np.concatenate(centres, axis=1), np.concatenate(halves, axis=1))
    return rows[which], start, width


def _between(centre: Array, half: Array) -> tuple[NDArray[np.int64], Array, Array]:
    """Find the gaps between arcs on a circle, row by row.

    With starts and ends sorted separately, a gap follows the j-th end exactly when as many arcs have begun as have
    ended. Arcs across zero count as begun from the outset.

    Parameters
    ----------
    centre, half : ndarray, shape (n, m)
        Arcs by centre and half width, radians; those without width do not count.

    Returns
    -------
    tuple of ndarray, shape (k,)
        Row, start and width of each gap.
    """
    count = np.count_nonzero(half > 0.0, axis=1)
    starts = np.where(half > 0.0, (centre - half) % _TURN, np.inf)
    ends = starts + 2.0 * half
    across = (ends >= _TURN) & (half > 0.0)
    ends[across] -= _TURN
    starts.sort(axis=1)
    ends.sort(axis=1)
    rows = np.arange(len(centre))
    following = np.concatenate([starts, np.full((len(centre), 1), np.inf)], axis=1)
    following[rows, count] = following[:, 0] + _TURN
    index = np.arange(1, centre.shape[1] + 1) - np.count_nonzero(across, axis=1)[:, None]
    begins = np.take_along_axis(following, np.maximum(index, 0), axis=1)
    gap = (index >= 0) & np.isfinite(ends) & (begins - np.where(np.isfinite(ends), ends, 0.0) > _LEAST_ARC)
    which, where = np.nonzero(gap)
    empty = np.flatnonzero(count == 0)
    start, width = ends[which, where], (begins[which, where] - ends[which, where])
    return (
        np.concatenate([which, empty]),
        np.concatenate([start, np.zeros(len(empty))]),
        np.concatenate([width, np.full(len(empty), _TURN)]),
    )

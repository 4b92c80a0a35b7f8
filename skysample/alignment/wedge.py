"""From the axis to the bolts: one rotation, split between the two adjusters of the wedge as built."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from skysample.errors import NoSolution
from skysample.geometry import ARCSEC, direction, rotation, separation, wrap_pi
from skysample.site import Wedge

if TYPE_CHECKING:
    from collections.abc import Callable

    from skysample.geometry import Array

ARCMIN = 60.0 * ARCSEC
"""One arcminute in radians."""

_EAST, _UP = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])

Direction = Literal["raise", "lower", "east", "west"]


class PolarAim(NamedTuple):
    """Errors of a polar axis against the true elevated pole: above it, and east of it about the vertical."""

    altitude_rad: float
    azimuth_rad: float


class BaseTilt(NamedTuple):
    """Lean of an alt-azimuth mount's azimuth axis, towards the north and towards the east."""

    north_rad: float
    east_rad: float


@dataclass(frozen=True, slots=True)
class Move:
    """One adjuster's move.

    Attributes
    ----------
    adjuster : str
        "altitude" or "azimuth"; for `altaz` "north side" or "east side" of the base.
    direction : str
        "raise", "lower", "east" or "west".
    arcmin, stderr_arcmin : float
        Size of the move and its standard error.
    turns : float or None
        Of the bolt; None if the site file does not describe it.
    bolt : str or None
        "clockwise" or "counter-clockwise", looking at the head; None for two opposed bolts, which turn opposite ways.
    crosstalk_arcmin : float
        Part of the move, positive in its direction, that compensates for what the other adjuster disturbs; zero on a
        level wedge whose hinge rides on the azimuth stage.
    """

    adjuster: str
    direction: Direction
    arcmin: float
    stderr_arcmin: float
    turns: float | None = None
    bolt: Literal["clockwise", "counter-clockwise"] | None = None
    crosstalk_arcmin: float = 0.0

    @property
    def arcmin_per_turn(self) -> float | None:
        """Mean motion per turn of the bolt over this move; None without a bolt or a move."""
        return self.arcmin / self.turns if self.turns else None

    def __str__(self) -> str:
        what = {
            "altitude": f"{self.direction.capitalize()} the polar axis",
            "azimuth": f"Turn the polar axis to the {self.direction}",
        }.get(self.adjuster, f"{self.direction.capitalize()} the base's {self.adjuster}")
        digits = 1 if self.stderr_arcmin >= 0.1 else 2
        text = f"{what} {self.arcmin:.{digits}f}' +- {self.stderr_arcmin:.{digits}f}'"
        if self.turns is None:
            return text
        return f"{text}: {self.turned(self.turns)}"

    def turned(self, turns: float) -> str:
        """Words for a number of turns of its bolt, or of its two opposed bolts."""
        return f"{turns:.2f} turns {self.bolt or 'of both bolts'}"


def adjuster_angles(axis: Array, pole: Array, wedge: Wedge, hemisphere: int) -> tuple[float, float]:
    """Angles through which the two adjusters bring the axis onto the pole.

    With the hinge on the azimuth stage, the altitude move sets the angle between the polar axis and the azimuth axis
    and the azimuth move swings it round: neither disturbs the other. With the hinge on the ground (an east-west
    line), the azimuth stage rides on it and both angles are solved together.

    Parameters
    ----------
    axis, pole : ndarray, shape (3,)
        Elevated ends, unit vectors.
    wedge : Wedge
        Its hinge and lean are used.
    hemisphere : int
        +1 north, -1 south.

    Returns
    -------
    raise_rad, east_rad : float
        Altitude (up positive) and azimuth (elevated end to the east positive).

    Raises
    ------
    NoSolution
        If no angles of this wedge reach the pole.
    """
    stage, hinge = move_vectors(axis, wedge, hemisphere)
    if wedge.hinge == "on_azimuth":
        up = float(separation(axis, stage) - separation(pole, stage))
        return up, -hemisphere * _turn_about(stage, rotation(hinge, up) @ axis, pole)
    # Seen from the stage before it is tilted, the pole must lie on the cone that the axis makes about the stage.
    cosine, sine = float(stage @ pole), float(stage @ np.cross(-hinge, pole))
    along = float(stage @ hinge) * float(hinge @ pole)
    amplitude, phase = np.hypot(cosine - along, sine), np.arctan2(sine, cosine - along)
    wanted = (float(stage @ axis) - along) / amplitude
    if abs(wanted) > 1.0:
        raise NoSolution(
            "this wedge cannot bring the axis onto the pole: a hinge on the ground cannot tilt its azimuth stage"
            " that way; check [wedge] and the latitude in the site file"
        )
    level = np.arccos(wanted)
    candidates = wrap_pi(np.array([phase + level, phase - level]))
    up = float(candidates[np.argmin(np.abs(candidates))])
    target = rotation(hinge, -up) @ pole
    return up, -hemisphere * _turn_about(stage, axis, target)


def move_rotation(axis: Array, wedge: Wedge, hemisphere: int, raise_rad: float, east_rad: float) -> Array:
    """Rotation that the two adjusters give to everything on the wedge.

    Parameters
    ----------
    axis : ndarray, shape (3,)
        Elevated end before the move; a hinge on the azimuth stage is square to it.
    wedge : Wedge
        Its hinge and lean are used.
    hemisphere : int
        +1 north, -1 south.
    raise_rad, east_rad : float
        Angles of the adjusters; the order of turning does not change the result.

    Returns
    -------
    ndarray, shape (3, 3)
        In east-north-up. It may also turn the mount about its own axis, by the lean times the move.
    """
    stage, hinge = move_vectors(axis, wedge, hemisphere)
    up = rotation(hinge, raise_rad)
    around = rotation(stage, -hemisphere * east_rad)
    return np.asarray(around @ up if wedge.hinge == "on_azimuth" else up @ around)


def move_vectors(axis: Array, wedge: Wedge, hemisphere: int) -> tuple[Array, Array]:
    """Axes of the two adjusters before either is turned.

    Parameters
    ----------
    axis, wedge, hemisphere
        As for `move_rotation`.

    Returns
    -------
    stage : ndarray, shape (3,)
        Axis of the azimuth stage, upwards: the vertical, tilted by the lean.
    hinge : ndarray, shape (3,)
        A right-handed turn about it raises the polar axis.
    """
    lean_north, lean_east = np.radians([wedge.lean_north_deg, wedge.lean_east_deg])
    stage = rotation(_EAST, -lean_north) @ rotation([0.0, 1.0, 0.0], lean_east) @ _UP
    if wedge.hinge == "ground":
        return stage, hemisphere * _EAST
    hinge = np.cross(axis, stage)
    return stage, hinge / np.linalg.norm(hinge)


def _turn_about(stage: Array, start: Array, end: Array) -> float:
    a, b = np.cross(stage, start), np.cross(stage, end)
    return float(np.arctan2(stage @ np.cross(a, b), a @ b))


def polar_axis(latitude_rad: float, altitude_rad: float = 0.0, azimuth_rad: float = 0.0) -> Array:
    """Elevated end of a polar axis with these errors, unit vector; without errors, the elevated pole."""
    hemisphere, north = (1.0, 0.0) if latitude_rad >= 0.0 else (-1.0, np.pi)
    return direction(abs(latitude_rad) + altitude_rad, north + hemisphere * azimuth_rad)


def bolt_thread(wedge: Wedge | None, adjuster: str) -> tuple[float, float] | None:
    """Arm and pitch of an adjuster's bolt, mm; None unless the site file gives both."""
    arm, pitch = (getattr(wedge, f"{adjuster}_{part}_mm", None) for part in ("arm", "pitch"))
    return None if arm is None or pitch is None else (arm, pitch)


def slopes(function: Callable[[Array], Array], at: Array) -> Array:
    """Derivatives of a function of angles, by central differences, shape (values, angles)."""
    step = 1e-6
    return np.stack(
        [(function(at + d) - function(at - d)) / (2.0 * step) for d in np.eye(len(at)) * step], axis=1
    )


def polar_moves(
    altitude_rad: float, azimuth_rad: float, covariance_rad2: Array, latitude_rad: float, wedge: Wedge | None
) -> tuple[Move, ...]:
    """Moves of the two adjusters, in the order in which to make them.

    Parameters
    ----------
    altitude_rad, azimuth_rad : float
        Polar errors (see the conventions).
    covariance_rad2 : ndarray, shape (2, 2)
        Of the two errors.
    latitude_rad : float
    wedge : Wedge or None
        None: level, hinge on the azimuth stage, bolts not described.

    Returns
    -------
    tuple of Move
        Altitude first with the hinge on the azimuth stage, azimuth first with the hinge on the ground: in this order
        a level shows each move as stated.
    """
    built, hemisphere, pole = wedge or Wedge(), 1 if latitude_rad >= 0.0 else -1, polar_axis(latitude_rad)

    def angles(errors: Array) -> Array:
        return np.array(adjuster_angles(polar_axis(latitude_rad, *errors), pole, built, hemisphere))

    errors = np.array([altitude_rad, azimuth_rad])
    turned, sigma = angles(errors), _standard_errors(angles, errors, covariance_rad2)
    altitude = _move("altitude", turned[0], sigma[0], turned[0] + altitude_rad, built)
    azimuth = _move("azimuth", turned[1], sigma[1], turned[1] + azimuth_rad, built)
    return (altitude, azimuth) if built.hinge == "on_azimuth" else (azimuth, altitude)


def lone_move(
    adjuster: str,
    altitude_rad: float,
    azimuth_rad: float,
    covariance_rad2: Array,
    latitude_rad: float,
    wedge: Wedge | None,
) -> tuple[Move, float]:
    """Move of one adjuster that, with the other left alone, brings the axis nearest the pole.

    Parameters
    ----------
    adjuster : str
        "altitude" or "azimuth".
    altitude_rad, azimuth_rad, covariance_rad2, latitude_rad, wedge
        As for `polar_moves`.

    Returns
    -------
    Move
        Without cross-talk, as no other move follows.
    left_rad : float
        Angle between axis and pole after it.
    """
    built, hemisphere, pole = wedge or Wedge(), 1 if latitude_rad >= 0.0 else -1, polar_axis(latitude_rad)

    def angles(errors: Array) -> Array:
        axis = polar_axis(latitude_rad, *errors)
        stage, hinge = move_vectors(axis, built, hemisphere)
        return np.array([_turn_about(hinge, axis, pole), -hemisphere * _turn_about(stage, axis, pole)])

    errors = np.array([altitude_rad, azimuth_rad])
    mine = np.array([adjuster == "altitude", adjuster == "azimuth"])
    turned, sigma = angles(errors) * mine, _standard_errors(angles, errors, covariance_rad2)
    axis = polar_axis(latitude_rad, *errors)
    left = separation(move_rotation(axis, built, hemisphere, *turned) @ axis, pole)
    return _move(adjuster, float(turned[mine][0]), float(sigma[mine][0]), 0.0, built), float(left)


def _standard_errors(angles: Callable[[Array], Array], errors: Array, covariance_rad2: Array) -> Array:
    matrix = slopes(angles, errors)
    return np.asarray(np.sqrt(np.diag(matrix @ covariance_rad2 @ matrix.T)))


def _move(adjuster: str, angle_rad: float, stderr_rad: float, crosstalk_rad: float, wedge: Wedge) -> Move:
    ways: tuple[Direction, Direction] = ("raise", "lower") if adjuster == "altitude" else ("east", "west")
    way = ways[0 if angle_rad >= 0.0 else 1]
    size, stderr = float(abs(angle_rad) / ARCMIN), float(stderr_rad / ARCMIN)
    crosstalk = float(np.copysign(1.0, angle_rad) * crosstalk_rad / ARCMIN)
    thread = bolt_thread(wedge, adjuster)
    if thread is None:
        return Move(adjuster, way, size, stderr, crosstalk_arcmin=crosstalk)
    turns = float(thread[0] * np.tan(abs(angle_rad)) / thread[1])
    bolt: Literal["clockwise", "counter-clockwise"] | None = "counter-clockwise"
    if getattr(wedge, f"{adjuster}_clockwise") == way:
        bolt = "clockwise"
    if adjuster == "azimuth" and wedge.push_pull:
        bolt = None
    return Move(adjuster, way, size, stderr, turns, bolt, crosstalk)


def tilt_moves(north_rad: float, east_rad: float, covariance_rad2: Array) -> tuple[Move, ...]:
    """Moves that level the base of an `altaz`: its north and its east side, raised or lowered."""
    stderr = np.sqrt(np.diag(covariance_rad2)) / ARCMIN
    # A base that leans towards a side has that side low.
    return tuple(
        Move(side, "raise" if lean >= 0.0 else "lower", float(abs(lean) / ARCMIN), float(error))
        for side, lean, error in zip(("north side", "east side"), (north_rad, east_rad), stderr, strict=True)
    )

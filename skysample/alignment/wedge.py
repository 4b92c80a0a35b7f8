"""From the axis to the bolts: one rotation, split over two adjusters as the wedge is built."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from skysample.errors import NoSolution
from skysample.geometry import direction, rotation, wrap_pi
from skysample.site import Wedge

if TYPE_CHECKING:
    from collections.abc import Callable

    from skysample.geometry import Array

__all__ = [
    "Move",
    "adjuster_angles",
    "lone_move",
    "move_rotation",
    "move_vectors",
    "polar_moves",
    "tilt_moves",
]

_EAST, _UP = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])


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
        How far, and how well that is known.
    turns : float or None
        Of the bolt, where the site file describes it.
    bolt : str or None
        "clockwise" or "counter-clockwise", looking at the head; None for two opposed bolts, one of which goes each way.
    crosstalk_arcmin : float
        How much of it, counted in its direction, makes up for what the other adjuster disturbs; zero on a level
        wedge whose hinge rides on the azimuth stage.
    """

    adjuster: str
    direction: Literal["raise", "lower", "east", "west"]
    arcmin: float
    stderr_arcmin: float
    turns: float | None = None
    bolt: Literal["clockwise", "counter-clockwise"] | None = None
    crosstalk_arcmin: float = 0.0

    @property
    def arcmin_per_turn(self) -> float | None:
        """What one turn of the bolt moves, on the average of this move; None without a bolt, or nothing to turn."""
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
        """Say so many turns of its bolt, or of its two opposed bolts."""
        return f"{turns:.2f} turns {self.bolt or 'of both bolts'}"


def adjuster_angles(axis: Array, pole: Array, wedge: Wedge, hemisphere: int) -> tuple[float, float]:
    """How far each adjuster has to turn to bring the axis onto the pole.

    With the hinge on the azimuth stage the altitude move changes the angle between the polar axis and the azimuth
    axis, and the azimuth move brings it round: neither disturbs the other. With the hinge on the ground (an east-west
    line) the azimuth stage rides on it; both angles are solved for together.

    Parameters
    ----------
    axis, pole : ndarray, shape (3,)
        Elevated ends, unit vectors.
    wedge : Wedge
        Hinge and lean.
    hemisphere : int
        +1 north, -1 south.

    Returns
    -------
    raise_rad, east_rad : float
        Altitude (up positive) and azimuth (elevated end to the east positive).

    Raises
    ------
    NoSolution
        If this wedge reaches the pole with no angles at all.
    """
    stage, hinge = move_vectors(axis, wedge, hemisphere)
    if wedge.hinge == "on_azimuth":
        up = _angle(axis, stage) - _angle(pole, stage)
        return up, -hemisphere * _turn_about(stage, rotation(hinge, up) @ axis, pole)
    # The pole, seen from a stage that has not been tilted yet, must lie on the axis's cone about the stage.
    cosine, sine = float(stage @ pole), float(stage @ np.cross(-hinge, pole))
    along = float(stage @ hinge) * float(hinge @ pole)
    amplitude, phase = np.hypot(cosine - along, sine), np.arctan2(sine, cosine - along)
    wanted = (float(stage @ axis) - along) / amplitude
    if abs(wanted) > 1.0:
        raise NoSolution(
            "no turn of the two adjusters brings the axis onto the pole: the hinge on the ground cannot tilt the"
            " azimuth stage that way; check [wedge] in the site file, and the latitude"
        )
    level = np.arccos(wanted)
    candidates = wrap_pi(np.array([phase + level, phase - level]))
    up = float(candidates[np.argmin(np.abs(candidates))])
    target = rotation(hinge, -up) @ pole
    return up, -hemisphere * _turn_about(stage, axis, target)


def move_rotation(axis: Array, wedge: Wedge, hemisphere: int, raise_rad: float, east_rad: float) -> Array:
    """What the two adjusters do to everything that stands on the wedge.

    Parameters
    ----------
    axis : ndarray, shape (3,)
        Where the elevated end aims before: a hinge on the azimuth stage is square to it.
    wedge : Wedge
        Hinge and lean.
    hemisphere : int
        +1 north, -1 south.
    raise_rad, east_rad : float
        Turned so far, either of them; in which order does not matter to where it ends.

    Returns
    -------
    ndarray, shape (3, 3)
        Rotation in east-north-up. It may also turn the mount about its own axis, by the lean times the move.
    """
    stage, hinge = move_vectors(axis, wedge, hemisphere)
    up = rotation(hinge, raise_rad)
    around = rotation(stage, -hemisphere * east_rad)
    return np.asarray(around @ up if wedge.hinge == "on_azimuth" else up @ around)


def move_vectors(axis: Array, wedge: Wedge, hemisphere: int) -> tuple[Array, Array]:
    """The lines about which the two adjusters turn, before either of them was touched.

    Parameters
    ----------
    axis, wedge, hemisphere
        As for `move_rotation`.

    Returns
    -------
    stage : ndarray, shape (3,)
        Axis of the azimuth stage, upwards: the vertical, leaning.
    hinge : ndarray, shape (3,)
        A right-handed turn about it raises the axis.
    """
    lean_north, lean_east = np.radians([wedge.lean_north_deg, wedge.lean_east_deg])
    stage = rotation(_EAST, -lean_north) @ rotation([0.0, 1.0, 0.0], lean_east) @ _UP
    if wedge.hinge == "ground":
        return stage, hemisphere * _EAST
    hinge = np.cross(axis, stage)
    return stage, hinge / np.linalg.norm(hinge)


def _angle(a: Array, b: Array) -> float:
    return float(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b))


def _turn_about(stage: Array, start: Array, end: Array) -> float:
    a, b = np.cross(stage, start), np.cross(stage, end)
    return float(np.arctan2(stage @ np.cross(a, b), a @ b))


def polar_moves(
    altitude_rad: float, azimuth_rad: float, covariance_rad2: Array, latitude_rad: float, wedge: Wedge | None
) -> tuple[Move, ...]:
    """Moves of the two adjusters, in the order in which to turn them.

    Parameters
    ----------
    altitude_rad, azimuth_rad : float
        Polar errors (see the conventions).
    covariance_rad2 : ndarray, shape (2, 2)
        Of the two.
    latitude_rad : float
    wedge : Wedge or None
        None: level, hinge on the azimuth stage, bolts not described.

    Returns
    -------
    tuple of Move
        Altitude first with the hinge on the azimuth stage, azimuth first with the hinge on the ground, where each
        move is then what a level would show.
    """
    built = wedge or Wedge()
    hemisphere = 1 if latitude_rad >= 0.0 else -1
    north = 0.0 if hemisphere > 0 else np.pi
    pole = direction(abs(latitude_rad), north)

    def angles(errors: Array) -> Array:
        axis = direction(abs(latitude_rad) + errors[0], north + hemisphere * errors[1])
        return np.array(adjuster_angles(axis, pole, built, hemisphere))

    errors = np.array([altitude_rad, azimuth_rad])
    raise_rad, east_rad = angles(errors)
    sigma = _standard_errors(angles, errors, covariance_rad2)
    altitude = _move("altitude", raise_rad, sigma[0], raise_rad + altitude_rad, built)
    azimuth = _move("azimuth", east_rad, sigma[1], east_rad + azimuth_rad, built)
    return (altitude, azimuth) if built.hinge == "on_azimuth" else (azimuth, altitude)


def lone_move(
    adjuster: Literal["altitude", "azimuth"],
    altitude_rad: float,
    azimuth_rad: float,
    covariance_rad2: Array,
    latitude_rad: float,
    wedge: Wedge | None,
) -> tuple[Move, float]:
    """The move of one adjuster that, with the other left alone, brings the axis nearest the pole.

    Parameters
    ----------
    adjuster : str
    altitude_rad, azimuth_rad, covariance_rad2, latitude_rad, wedge
        As for `polar_moves`.

    Returns
    -------
    Move
        Without cross-talk: there is no other move to make up for.
    left_rad : float
        Angle between axis and pole after it.
    """
    built = wedge or Wedge()
    hemisphere = 1 if latitude_rad >= 0.0 else -1
    north = 0.0 if hemisphere > 0 else np.pi
    pole = direction(abs(latitude_rad), north)

    def aim(errors: Array) -> Array:
        return direction(abs(latitude_rad) + errors[0], north + hemisphere * errors[1])

    def angle(errors: Array) -> Array:
        axis = aim(errors)
        stage, hinge = move_vectors(axis, built, hemisphere)
        raised, around = _turn_about(hinge, axis, pole), -hemisphere * _turn_about(stage, axis, pole)
        return np.array([raised if adjuster == "altitude" else around])

    errors = np.array([altitude_rad, azimuth_rad])
    turned = float(angle(errors)[0])
    sigma = _standard_errors(angle, errors, covariance_rad2)
    axis = aim(errors)
    made = (turned, 0.0) if adjuster == "altitude" else (0.0, turned)
    left = _angle(move_rotation(axis, built, hemisphere, *made) @ axis, pole)
    return _move(adjuster, turned, sigma[0], 0.0, built), left


def _standard_errors(angles: Callable[[Array], Array], errors: Array, covariance_rad2: Array) -> Array:
    """Carry the covariance of the polar errors through to angles of adjusters, by their slopes."""
    step = 1e-6
    slopes = np.stack(
        [(angles(errors + d) - angles(errors - d)) / (2 * step) for d in np.eye(2) * step], axis=1
    )
    return np.asarray(np.sqrt(np.diag(slopes @ covariance_rad2 @ slopes.T)))


def _move(
    adjuster: Literal["altitude", "azimuth"],
    angle_rad: float,
    stderr_rad: float,
    crosstalk_rad: float,
    wedge: Wedge,
) -> Move:
    way: Literal["raise", "lower", "east", "west"]
    if adjuster == "altitude":
        way = "raise" if angle_rad >= 0.0 else "lower"
    else:
        way = "east" if angle_rad >= 0.0 else "west"
    arm, pitch, clockwise = (
        (wedge.altitude_arm_mm, wedge.altitude_pitch_mm, wedge.altitude_clockwise)
        if adjuster == "altitude"
        else (wedge.azimuth_arm_mm, wedge.azimuth_pitch_mm, wedge.azimuth_clockwise)
    )
    arcmin, stderr, crosstalk = (
        float(np.degrees(angle) * 60.0)
        for angle in (abs(angle_rad), stderr_rad, np.copysign(1.0, angle_rad) * crosstalk_rad)
    )
    if arm is None or pitch is None:
        return Move(adjuster, way, arcmin, stderr, crosstalk_arcmin=crosstalk)
    turns = float(arm * np.tan(abs(angle_rad)) / pitch)
    bolt: Literal["clockwise", "counter-clockwise"] | None = (
        "clockwise" if clockwise == way else "counter-clockwise"
    )
    if adjuster == "azimuth" and wedge.push_pull:
        bolt = None
    return Move(adjuster, way, arcmin, stderr, turns, bolt, crosstalk)


def tilt_moves(north_rad: float, east_rad: float, covariance_rad2: Array) -> tuple[Move, ...]:
    """How to level the base of an `altaz`: which side to raise, north and east sides apart."""
    moves = []
    for side, lean, variance in zip(
        ("north side", "east side"), (north_rad, east_rad), np.diag(covariance_rad2), strict=True
    ):
        # A base that leans towards a side has that side low.
        way: Literal["raise", "lower"] = "raise" if lean >= 0 else "lower"
        to_arcmin = float(np.degrees(1.0) * 60.0)
        moves.append(Move(side, way, abs(lean) * to_arcmin, float(np.sqrt(variance)) * to_arcmin))
    return tuple(moves)

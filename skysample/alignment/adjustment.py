"""Whether each bolt did what was asked, and which move is still worth making."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from skysample.alignment.wedge import ARCMIN, adjuster_angles, bolt_thread, lone_move, polar_axis, slopes
from skysample.astrometry.sidereal import SIDEREAL_RAD_S
from skysample.geometry import ARCSEC
from skysample.scoring.changes import welch
from skysample.site import Wedge

if TYPE_CHECKING:
    from skysample.alignment import PolarAlignment
    from skysample.alignment.wedge import Move
    from skysample.geometry import Array
    from skysample.site import Camera

Verdict = Literal["as asked", "close", "overshot", "fell short", "wrong way", "did not move", "crept"]

_CREEP_SHARE = 0.1
"""A miss below this share of the move is a small slip, not a wrong move (our choice)."""

BY_HAND_TURNS = 0.125
"""How finely a bolt is set by hand: an eighth of a turn (common practice, no source)."""

_MUCH_ARCMIN = 5.0
"""More than any clamp shifts the axis as it is tightened (our choice)."""

DEFAULT_LIMIT_ARCMIN = 30.0
"""Within which an axis is easily brought (common practice, no source)."""

TOLERANCE_PX = 0.5
"""Longest trail that goes unnoticed: half a pixel (common practice, no source)."""

_WAYS = {"azimuth": ("to the east", "to the west")}


@dataclass(frozen=True, slots=True)
class Asked:
    """One adjuster: the move asked for, and the move made.

    Attributes
    ----------
    adjuster : str
        As in `Move`.
    asked_arcmin, made_arcmin : float
        Up, or to the east, positive; for `altaz` that side of the base up.
    stderr_arcmin : float
        Standard error of the move made, from both runs.
    dof, p : float
        Welch's degrees of freedom, and the chance of so large a miss if the move was made exactly.
    asked_known, moved : bool
        Whether the move asked for, and the move made, are significant (95 %).
    by_hand_arcmin : float or None
        An eighth of a turn of the bolt; None if the site file does not describe it.
    beyond_chance : bool
        By Holm's step-down over both adjusters and every term compared, at a family-wise 5 %.
    """

    adjuster: str
    asked_arcmin: float
    made_arcmin: float
    stderr_arcmin: float
    dof: float
    p: float
    asked_known: bool
    moved: bool
    by_hand_arcmin: float | None = None
    beyond_chance: bool = False

    @property
    def miss_arcmin(self) -> float:
        """Move made minus move asked for."""
        return self.made_arcmin - self.asked_arcmin

    @property
    def verdict(self) -> Verdict:
        """What became of the move."""
        if not self.beyond_chance:
            return "as asked"
        if self.by_hand_arcmin is not None and abs(self.miss_arcmin) <= self.by_hand_arcmin:
            return "close"
        if not self.moved:
            return "did not move"
        if not self.asked_known or abs(self.miss_arcmin) < _CREEP_SHARE * abs(self.asked_arcmin):
            return "crept"
        if self.made_arcmin * self.asked_arcmin < 0.0:
            return "wrong way"
        return "overshot" if abs(self.made_arcmin) > abs(self.asked_arcmin) else "fell short"

    @property
    def sentence(self) -> str:
        """The move and its verdict in words, with numbers and errors."""
        missed = self._missed
        much = not self.asked_known and abs(self.made_arcmin) > _MUCH_ARCMIN
        crept = (
            "no move was asked for; the wrong bolt was turned, or the two runs are swapped"
            if much
            else f"{missed}; it crept while the clamps were tightened, or was turned slightly wrong: tighten a little"
            " at a time, side by side, and measure again"
        )
        verdict = {
            "as asked": "as asked, within the error",
            "close": f"{missed}, less than an eighth of a turn: as close as a bolt is set by hand",
            "overshot": f"{missed}; turned too far, or arm and pitch in [wedge] are wrong",
            "fell short": f"{missed}; turned too little, slack not taken up, or arm and pitch in [wedge] are wrong",
            "wrong way": "the wrong way; check which way this bolt turns the axis, and its direction in [wedge]",
            "did not move": "it did not move; still clamped, slack not taken up, or not turned",
            "crept": crept,
        }[self.verdict]
        return (
            f"{self.adjuster}: asked for {abs(self.asked_arcmin):.2f}' {self._way(self.asked_arcmin)}, moved"
            f" {abs(self.made_arcmin):.2f}' +- {self.stderr_arcmin:.2f}' {self._way(self.made_arcmin)}: {verdict}"
        )

    @property
    def _missed(self) -> str:
        """How far the move made is from the move asked for, in words."""
        miss = f"{abs(self.miss_arcmin):.2f}'"
        if self.made_arcmin * self.asked_arcmin <= 0.0:
            return f"{miss} off"
        return f"{miss} {'too far' if abs(self.made_arcmin) > abs(self.asked_arcmin) else 'short'}"

    def _way(self, arcmin: float) -> str:
        up, down = _WAYS.get(self.adjuster, ("up", "down"))
        return up if arcmin >= 0.0 else down


def asked_and_made(before: PolarAlignment, after: PolarAlignment) -> tuple[Asked, Asked]:
    """Compare each adjuster's move as the first run asked for it with the move that the second run shows.

    What was asked is a number that somebody was given: it has no error. What was made is the move of the wedge, as
    built, from the axis of the first run to that of the second; it has the errors of both.

    Parameters
    ----------
    before, after : PolarAlignment
        Of one mount.

    Returns
    -------
    tuple of Asked
        Altitude and azimuth, or north and east side of the base of an `altaz`.
    """

    def between(errors: Array) -> Array:
        if not before.equatorial:
            # A base that leans towards a side has that side low: raising it takes the lean away.
            return errors[:2] - errors[2:]
        place = before.site.location
        axis, target = (polar_axis(place.latitude_rad, *each) for each in (errors[:2], errors[2:]))
        return np.array(adjuster_angles(axis, target, before.site.wedge or Wedge(), place.hemisphere))

    asked = between(np.array([*before.aim, 0.0, 0.0]))
    runs = np.array([*before.aim, *after.aim])
    made, matrix = between(runs), slopes(between, runs)
    one, other = (
        np.diag(part @ each.covariance_rad2 @ part.T)
        for part, each in ((matrix[:, :2], before), (matrix[:, 2:], after))
    )

    def adjuster(i: int) -> Asked:
        name = ("altitude", "azimuth")[i] if before.equatorial else ("north side", "east side")[i]
        thread = bolt_thread(before.site.wedge, name)
        errors = float(one[i]), float(other[i]), before.dof, after.dof
        dof, p = welch(float(made[i] - asked[i]), *errors)
        return Asked(
            adjuster=name,
            asked_arcmin=float(asked[i] / ARCMIN),
            made_arcmin=float(made[i] / ARCMIN),
            stderr_arcmin=float(np.sqrt(one[i] + other[i]) / ARCMIN),
            dof=dof,
            p=p,
            asked_known=bool(abs(asked[i]) > before.t_limit * np.sqrt(one[i])),
            moved=welch(float(made[i]), *errors)[1] < 0.05,
            by_hand_arcmin=None
            if thread is None
            else float(np.arctan(BY_HAND_TURNS * thread[1] / thread[0]) / ARCMIN),
        )

    return adjuster(0), adjuster(1)


def enough_without_model(camera: Camera, minutes: float) -> float | None:
    """Axis error that trails no star by more than `TOLERANCE_PX`, whatever its direction, without the model, arcmin.

    In so many minutes mount and sky turn by an angle A, so a star moves by at most 2 sin(A / 2) times the axis error.

    Returns
    -------
    float or None
        None if the site file does not describe the chip.
    """
    if camera.pixel_arcsec is None or camera.size_px is None:
        return None
    pixel = camera.pixel_arcsec * ARCSEC / ARCMIN
    return float(TOLERANCE_PX * pixel / (2.0 * np.sin(SIDEREAL_RAD_S * 60.0 * minutes / 2.0)))


def worth_making(after: PolarAlignment, limit_arcmin: float) -> tuple[tuple[Move, ...], str]:
    """Choose the remaining moves that are worth making, and say why.

    Parameters
    ----------
    after : PolarAlignment
    limit_arcmin : float
        What the total error has to be within, with 95 % confidence.

    Returns
    -------
    tuple of Move
        The fewest that bring the axis within the limit; the better of single ones. All significant ones if even they
        do not reach it.
    str
        The reason, in words.
    """
    margin, total = float(after.t_limit * after.left.value), float(after.total_error.value)
    if total + margin <= limit_arcmin:
        return (), _why_none(after, limit_arcmin, total, margin)
    significant = [move for move in after.moves if move.arcmin > after.t_limit * move.stderr_arcmin]
    if not significant:
        return (), (
            f"Turn nothing: the remaining {total:.2f}' is within the measuring error ({margin:.2f}', 95 %). Take a run"
            " with more points first."
        )
    known = [move for move in significant if move.turns is None or move.turns >= BY_HAND_TURNS]
    if not known:
        return (), (
            f"Turn nothing: the remaining {total:.2f}' is less than an eighth of a turn of any bolt, finer than a hand"
            " can set."
        )
    single, left = min((_alone(after, move) for move in known), key=lambda each: each[1])
    if left + margin <= limit_arcmin:
        reason = f"One move is enough: {single.adjuster} alone leaves {left:.2f}' +- {margin:.2f}' (95 %)."
        return (single,), reason
    reason = f"Adjust {' and '.join(move.adjuster for move in known)}"
    if margin > limit_arcmin:
        reason += (
            f", but a run like this cannot show that {limit_arcmin:g}' is reached: it measures to {margin:.2f}' (95 %)."
            " Take more points in the next run"
        )
    return tuple(known), f"{reason}."


def _why_none(after: PolarAlignment, limit_arcmin: float, total: float, margin: float) -> str:
    """Say that the axis is within the limit, and whether it is good enough for the camera, which may need better."""
    camera = after.site.camera
    need = enough_without_model(camera, camera.exposure_s / 60.0) if camera.exposure_s > 0.0 else None
    within = f"{total:.2f}' off, within the {limit_arcmin:g}' limit"
    if need is None:
        return f"Leave the bolts alone: the axis is {within}."
    exposure = f"the {need:.3g}' that a {camera.exposure_s:g} s exposure needs without the model"
    if total + margin <= need:
        return f"Leave the bolts alone: the axis is {within} and within {exposure}."
    return f"The axis is {within}, but not shown to be within {exposure}: track with the model, or ask for that limit."


def _alone(after: PolarAlignment, move: Move) -> tuple[Move, float]:
    """The best move of one adjuster if the other is left alone, and the total error after it, arcmin."""
    if not after.equatorial:
        return move, abs(after.aim[1 if move.adjuster == "north side" else 0]) / ARCMIN
    first, second = after.aim
    place, wedge = after.site.location, after.site.wedge
    alone, left_rad = lone_move(
        move.adjuster, first, second, after.covariance_rad2, place.latitude_rad, wedge
    )
    return alone, left_rad / ARCMIN

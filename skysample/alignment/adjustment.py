"""Whether the bolts did what was asked of them, and which move is still worth making."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from skysample.alignment.wedge import adjuster_angles, lone_move
from skysample.geometry import direction
from skysample.scoring.changes import welch
from skysample.site import Wedge

if TYPE_CHECKING:
    from skysample.alignment import PolarAlignment
    from skysample.alignment.wedge import Move
    from skysample.geometry import Array

__all__ = ["BY_HAND_TURNS", "Asked", "Verdict", "asked_and_made", "worth_making"]

Verdict = Literal["as asked", "close", "overshot", "fell short", "wrong way", "did not move", "crept"]

_CREEP_SHARE = 0.1
"""A miss below this share of the move is a small slip on a move that was made, not a move made wrong (our choice)."""

BY_HAND_TURNS = 0.125
"""As near as a bolt is set by hand: an eighth of a turn (common practice, no source)."""

_MUCH_ARCMIN = 5.0
"""No clamp that is tightened takes the axis so far along (our choice)."""

_TO_ARCMIN = float(np.degrees(1.0) * 60.0)

_WAYS = {"altitude": ("up", "down"), "azimuth": ("to the east", "to the west")}


@dataclass(frozen=True, slots=True)
class Asked:
    """What one adjuster was asked to do, and what it did.

    Attributes
    ----------
    adjuster : str
        As in `Move`.
    asked_arcmin, made_arcmin : float
        Up, or to the east, positive; for `altaz` that side of the base up.
    stderr_arcmin : float
        Standard error of what was made, from both runs.
    dof, p : float
        Welch's degrees of freedom, and the chance of so large a miss if the move was made exactly.
    beyond_chance : bool
        By Holm's step-down over both adjusters and every term compared, at a family-wise 5 %.
    asked_known, moved : bool
        Whether the move asked for, and the move made, are told from none (95 %).
    by_hand_arcmin : float or None
        An eighth of a turn of the bolt, where the site file describes it.
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
        """What was made less what was asked."""
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
        """The verdict in words, with numbers and errors."""
        asked, made = (self._way(each) for each in (self.asked_arcmin, self.made_arcmin))
        error = f"+- {self.stderr_arcmin:.2f}'"
        missed = f"{self._way(self.miss_arcmin)} {error}"
        told = f"{self.adjuster}: asked {asked}, moved {made} {error}"
        return {
            "as asked": f"{told}: as asked, within the error",
            "close": f"{told}: {missed} from what was asked, less than an eighth of a turn: as near as a bolt is set by"
            " hand",
            "overshot": f"{told}: {missed} too far; turned too far, or arm and pitch are not as in [wedge]",
            "fell short": f"{told}: short, {missed} from what was asked; turned too little, slack not taken up, or arm"
            " and pitch not as in [wedge]",
            "wrong way": f"{told}: the wrong way; check which way this bolt turns the axis, and the sense in [wedge]",
            "did not move": f"{told}: it did not move; still clamped, slack not taken up, or not turned",
            "crept": f"{told}: nothing was asked of it; the wrong bolt was turned, or the two runs are swapped"
            if not self.asked_known and abs(self.made_arcmin) > _MUCH_ARCMIN
            else f"{told}: {missed} from what was asked; it crept while the clamps were tightened, or was turned a"
            " little off: tighten a little at a time, side by side, and measure again",
        }[self.verdict]

    def _way(self, arcmin: float) -> str:
        up, down = _WAYS.get(self.adjuster, ("up", "down"))
        return f"{abs(arcmin):.2f}' {up if arcmin >= 0.0 else down}"


def asked_and_made(before: PolarAlignment, after: PolarAlignment) -> tuple[Asked, Asked]:
    """Each adjuster's move as the first run asked for it, and as the second run shows it.

    What was asked is a number that somebody was given: it has no error. What was made is the move of the wedge, as it
    is built, from the axis of the first run to that of the second; it has the errors of both.

    Parameters
    ----------
    before, after : PolarAlignment
        Of one mount.

    Returns
    -------
    tuple of Asked
        Altitude and azimuth, or north and east side of the base of an `altaz`.
    """
    first = np.array([before.first_rad, before.second_rad])
    last = np.array([after.first_rad, after.second_rad])
    asked, made = _moves(before, first, None), _moves(before, first, last)
    step = 1e-6
    by_first, by_last = (
        np.stack(
            [
                (_moves(before, first + d * a, last + d * b) - _moves(before, first - d * a, last - d * b))
                / (2.0 * step)
                for d in step * np.eye(2)
            ],
            axis=1,
        )
        for a, b in ((1.0, 0.0), (0.0, 1.0))
    )
    variances = [
        np.diag(slopes @ each.covariance_rad2 @ slopes.T)
        for slopes, each in ((by_first, before), (by_last, after))
    ]
    own = np.sqrt(variances[0])
    names = ("altitude", "azimuth") if before.equatorial else ("north side", "east side")

    def judged(i: int) -> Asked:
        one, other = float(variances[0][i]), float(variances[1][i])
        dof, p = welch(float(made[i] - asked[i]), one, other, before.dof, after.dof)
        _, p_moved = welch(float(made[i]), one, other, before.dof, after.dof)
        return Asked(
            adjuster=names[i],
            asked_arcmin=float(asked[i]) * _TO_ARCMIN,
            made_arcmin=float(made[i]) * _TO_ARCMIN,
            stderr_arcmin=float(np.sqrt(one + other)) * _TO_ARCMIN,
            dof=dof,
            p=p,
            asked_known=bool(abs(asked[i]) > before.t_limit * own[i]),
            moved=p_moved < 0.05,
            by_hand_arcmin=_by_hand(before.site.wedge, names[i]),
        )

    return judged(0), judged(1)


def _by_hand(wedge: Wedge | None, adjuster: str) -> float | None:
    if wedge is None or adjuster not in _WAYS:
        return None
    arm, pitch = getattr(wedge, f"{adjuster}_arm_mm"), getattr(wedge, f"{adjuster}_pitch_mm")
    if arm is None or pitch is None:
        return None
    return float(np.arctan(BY_HAND_TURNS * pitch / arm)) * _TO_ARCMIN


def _moves(alignment: PolarAlignment, start: Array, end: Array | None) -> Array:
    """How the adjusters turn from one aim of the axis to another, or to where it should aim, shape (2,)."""
    if not alignment.equatorial:
        # A base that leans towards a side has that side low: raising it takes the lean away.
        return start if end is None else start - end
    site = alignment.site
    hemisphere = site.location.hemisphere
    north = 0.0 if hemisphere > 0 else np.pi

    def aim(errors: Array) -> Array:
        return direction(abs(site.location.latitude_rad) + errors[0], north + hemisphere * errors[1])

    target = alignment.pole if end is None else aim(end)
    return np.array(adjuster_angles(aim(start), target, site.wedge or Wedge(), hemisphere))


def worth_making(after: PolarAlignment, limit_arcmin: float) -> tuple[tuple[Move, ...], str]:
    """Which of the moves left are worth it, and why.

    Parameters
    ----------
    after : PolarAlignment
    limit_arcmin : float
        What the total error has to be within, with 95 % confidence.

    Returns
    -------
    tuple of Move
        The fewest that bring the axis within the limit; of single ones the better. Both where even they do not, as
        long as they are told from the measuring error.
    str
        The reason, as a sentence.
    """
    margin = float(after.t_limit * after.left.value)
    if float(after.total_error.value) + margin <= limit_arcmin:
        return (
            (),
            f"Leave the bolts alone: the axis is within {limit_arcmin:g}', and every move can disturb it.",
        )
    known = [move for move in after.moves if move.arcmin > after.t_limit * move.stderr_arcmin]
    if not known:
        return (), (
            f"Turn nothing: what is left ({after.total_error.value:.2f}') cannot be told from the measuring error"
            f" ({margin:.2f}', 95 %). Take a run with more points first."
        )
    known = [move for move in known if move.turns is None or move.turns >= BY_HAND_TURNS]
    if not known:
        return (), (
            f"Turn nothing: what is left ({after.total_error.value:.2f}') is less than a hand can set: less than an"
            " eighth of a turn of any bolt."
        )
    single, left = min((_alone(after, move) for move in known), key=lambda each: each[1])
    if left + margin <= limit_arcmin:
        return (
            single,
        ), f"One move is enough: {single.adjuster} alone leaves {left:.2f}' +- {margin:.2f}' (95 %)."
    if margin <= limit_arcmin:
        return tuple(known), f"Worth making: {' and '.join(move.adjuster for move in known)}."
    return tuple(known), (
        f"Worth making, but no move can be shown to reach {limit_arcmin:g}' by runs like these: they measure to"
        f" {margin:.2f}' (95 %). Take more points in the next run."
    )


def _alone(after: PolarAlignment, move: Move) -> tuple[Move, float]:
    """The move as it is best made without the other one, and the total error after it, arcmin."""
    if after.equatorial:
        site = after.site
        errors = after.first_rad, after.second_rad, after.covariance_rad2
        adjuster: Literal["altitude", "azimuth"] = "altitude" if move.adjuster == "altitude" else "azimuth"
        alone, left = lone_move(adjuster, *errors, site.location.latitude_rad, site.wedge)
        return alone, left * _TO_ARCMIN
    left = after.second_rad if move.adjuster == "north side" else after.first_rad
    return move, abs(left) * _TO_ARCMIN

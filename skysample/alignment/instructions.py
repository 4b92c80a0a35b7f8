"""The axis and its bolts in sentences for somebody who stands at the mount in the dark: one instruction a line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.adjustment import BY_HAND_TURNS
from skysample.alignment.cautions import FINISH

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.alignment import PolarAlignment
    from skysample.alignment.wedge import Move

__all__ = [
    "aim_sentences",
    "bolt_steps",
    "left_alone",
    "left_sentences",
    "opposed",
    "opposed_steps",
    "side_of",
    "told",
    "turn_heading",
]

_WORTH_SAYING_ARCMIN = 0.05


def side_of(direction: str, hemisphere: int) -> str:
    """Say on which hand east or west lies for somebody who faces the elevated pole."""
    return "right" if (direction == "east") == (hemisphere > 0) else "left"


def aim_sentences(alignment: PolarAlignment) -> Iterator[str]:
    """Say where to stand, which way the axis points, and which way it must go."""
    first, second = (float(angle) for angle in np.degrees([alignment.first_rad, alignment.second_rad]) * 60.0)
    stderr = np.degrees(alignment.stderr_rad) * 60.0
    if not alignment.equatorial:
        yield "Stand south of the mount and face north: east is on your right."
        north, east = "north" if first > 0 else "south", "east" if second > 0 else "west"
        away, aside = "away from" if first > 0 else "towards", "right" if second > 0 else "left"
        yield f"The azimuth axis leans {abs(first):.2f}' +- {stderr[0]:.2f}' {away} you ({north})"
        yield f"and {abs(second):.2f}' +- {stderr[1]:.2f}' to the {aside} ({east}): {_total(alignment)} in all."
        yield f"Its {north} and {east} sides are low: raise them."
        return
    hemisphere = alignment.site.location.hemisphere
    pole, east_hand = ("north", "right") if hemisphere > 0 else ("south", "left")
    yield f"Stand behind the mount and face {pole}, as its axis does: east is on your {east_hand}."
    east = "east" if second > 0 else "west"
    hand = side_of(east, hemisphere)
    yield (
        f"The polar axis points {abs(first):.2f}' +- {stderr[0]:.2f}' too {'high' if first > 0 else 'low'}"
    )
    yield f"and {abs(second):.2f}' +- {stderr[1]:.2f}' too far {hand} ({east}): {_total(alignment)} on the sky."
    ways = {
        "altitude": "down" if first > 0 else "up",
        "azimuth": f"to the {side_of('west' if second > 0 else 'east', hemisphere)}",
    }
    goes = [ways[move.adjuster] for move in alignment.moves if not left_alone(move, alignment)]
    if goes:
        yield f"It must go {' and '.join(goes)}."


def _total(alignment: PolarAlignment) -> str:
    return f"{alignment.total_error.value:.2f}'"


def bolt_steps(move: Move, alignment: PolarAlignment) -> Iterator[str]:
    """Say how to make one move: which bolt to loosen, which to tighten, how to finish."""
    if left_alone(move, alignment):
        return
    if move.adjuster not in {"altitude", "azimuth"}:
        yield f"{move.arcmin / 60.0 * np.radians(1000.0):.2f} mm for every metre that the base is wide."
        if move.direction == "lower":
            yield f"Or raise the {'south' if 'north' in move.adjuster else 'west'} side by as much."
        return
    if abs(move.crosstalk_arcmin) >= _WORTH_SAYING_ARCMIN:
        other = "azimuth" if move.adjuster == "altitude" else "altitude"
        counted = "more" if move.crosstalk_arcmin > 0.0 else "less"
        yield f"That is {abs(move.crosstalk_arcmin):.2f}' {counted} than the error: the {other} move does the rest."
    if opposed(move, alignment):
        yield from opposed_steps(move)
    elif move.direction == "lower":
        yield "Go a quarter turn past, then come back up against the weight."
    elif move.direction == "raise":
        yield "End going up. Gone too far? Go back a quarter turn below and come up again."
    else:
        yield "End with the bolt pushing. Where it has to be backed off, go a quarter turn"
        yield "past and push back."
    if move.arcmin_per_turn is not None:
        yield f"One turn moves it {move.arcmin_per_turn:.1f}'."


def opposed(move: Move, alignment: PolarAlignment) -> bool:
    """Whether two opposed bolts make this move."""
    wedge = alignment.site.wedge
    return move.adjuster == "azimuth" and wedge is not None and wedge.push_pull


def opposed_steps(move: Move) -> Iterator[str]:
    """Spell out two opposed bolts, each of which pushes when it is tightened (right-handed threads)."""
    against = "west" if move.direction == "east" else "east"
    yield f"Bolt A pushes the axis' upper end {against}, bolt B pushes it {move.direction}."
    if move.turns is None or move.turns > 0.5:
        in_all = "" if move.turns is None else f", {move.turns:.2f} turns in all"
        yield f"Half a turn at a time{in_all}, and never both loose:"
        yield "A half a turn out (counter-clockwise), B half a turn in (clockwise)."
    else:
        yield f"A {move.turns:.2f} turns out (counter-clockwise), then B {move.turns:.2f} turns in (clockwise)."
    yield "Last, bring A up until it just touches."


def left_alone(move: Move, alignment: PolarAlignment) -> str:
    """Why a move is better not made: it cannot be told from none, or no hand sets a bolt so finely; else empty."""
    if move.arcmin < alignment.t_limit * move.stderr_arcmin:
        return "cannot be told from none (95 %)"
    if move.turns is not None and move.turns < BY_HAND_TURNS:
        return "is less than a hand can set"
    return ""


def told(move: Move, alignment: PolarAlignment) -> str:
    """The move as an order, or as one that is better not made."""
    why = left_alone(move, alignment)
    if not why:
        return str(move)
    size = f"{move.arcmin:.2f}' +- {move.stderr_arcmin:.2f}'"
    return f"Leave the {move.adjuster}: {size} {why}"


def turn_heading(alignment: PolarAlignment) -> str:
    """What stands above the moves."""
    if all(left_alone(move, alignment) for move in alignment.moves):
        return "Turn nothing:"
    if not alignment.equatorial:
        return "Level the base:"
    if all(move.turns is None for move in alignment.moves):
        return "Turn, in this order:"
    return "Turn, in this order (clockwise as you look at the head, where the key goes):"


def left_sentences(alignment: PolarAlignment) -> Iterator[str]:
    """Say what will be left after the moves; nothing where none is to be made."""
    if all(left_alone(move, alignment) for move in alignment.moves):
        return
    yield FINISH
    yield f"Turned exactly, {alignment.left.value:.2f}' of measuring error is left (one standard error)."
    tenths = [
        f"{move.arcmin_per_turn / 10.0:.1f}' in {move.adjuster}"
        for move in alignment.moves
        if move.arcmin_per_turn is not None
    ]
    if tenths:
        yield f"A tenth of a turn is {' and '.join(tenths)}."
    yield "Measure again with a second run."

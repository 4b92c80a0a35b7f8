"""Words for somebody who stands at the mount in the dark: where the axis points and how to turn each bolt."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.adjustment import BY_HAND_TURNS
from skysample.alignment.cautions import FINISH, WEDGE, WEDGE_IN_BRIEF
from skysample.alignment.wedge import ARCMIN

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.alignment import PolarAlignment
    from skysample.alignment.wedge import Move

_WORTH_SAYING_ARCMIN = 0.05


def aim_sentences(alignment: PolarAlignment) -> Iterator[str]:
    """Where to stand, which way the axis points, and which way to move it."""
    first, second = (f"{abs(angle) / ARCMIN:.2f}'" for angle in alignment.aim)
    first_error, second_error = (f"{error / ARCMIN:.2f}'" for error in alignment.stderr_rad)
    total = f"{alignment.total_error.value:.2f}'"
    up, east = alignment.aim[0] > 0.0, "east" if alignment.aim[1] > 0.0 else "west"
    if not alignment.equatorial:
        north, away = ("north", "away from") if up else ("south", "towards")
        yield "Stand south of the mount, facing north: east is on your right."
        yield f"The azimuth axis leans {first} +- {first_error} {away} you ({north})"
        yield f"and {second} +- {second_error} to the {_hand(east, 1)} ({east}): {total} in all."
        yield f"Raise its {north} and {east} sides: they are low."
        return
    hemisphere = alignment.site.location.hemisphere
    pole = "north" if hemisphere > 0 else "south"
    behind = "south" if hemisphere > 0 else "north"
    yield f"Stand {behind} of the mount, facing {pole} along its axis: east is on your {_hand('east', hemisphere)}."
    yield f"The polar axis points {first} +- {first_error} too {'high' if up else 'low'}"
    side = f"{_hand(east, hemisphere)} ({east})"
    yield f"and {second} +- {second_error} too far {side} in azimuth: {total} off on the sky."
    ways = {
        "altitude": "down" if up else "up",
        "azimuth": f"to the {_hand('west' if east == 'east' else 'east', hemisphere)}",
    }
    goes = [ways[move.adjuster] for move in alignment.moves if not left_alone(move, alignment)]
    if goes:
        yield f"Move it {' and '.join(goes)}."


def _hand(side: str, hemisphere: int) -> str:
    """The hand on which east or west lies for somebody who faces the elevated pole."""
    return "right" if (side == "east") == (hemisphere > 0) else "left"


def adjustment_lines(alignment: PolarAlignment) -> Iterator[str]:
    """What to check and what to beware of, then what to turn, in order, one instruction a line."""
    yield from alignment.hints
    yield "Before you touch a bolt:"
    yield from (f"  - {caution}" for caution in WEDGE)
    if alignment.hints:
        yield "Turn no bolt until you have checked this: the moves may be wrong."
    yield turn_heading(alignment)
    for number, move in enumerate(alignment.moves, 1):
        yield f"  {number}. {instruction(move, alignment)}."
        yield from (f"     {step}" for step in bolt_steps(move, alignment))
    # The feet take out the whole lean: they cannot make one of its two moves alone.
    if alignment.feet and len(alignment.moves) == 2:
        yield "With feet or shims (the highest foot stays, so that every move ends going up):"
        yield from (f"  - {foot}." for foot in alignment.feet)
    yield from left_sentences(alignment)


def brief_lines(alignment: PolarAlignment) -> Iterator[str]:
    """The caution and the moves in short, one line or two each."""
    if all(left_alone(move, alignment) for move in alignment.moves):
        yield turn_heading(alignment)
        yield from (
            f"  {number}. {instruction(move, alignment)}." for number, move in enumerate(alignment.moves, 1)
        )
        return
    yield WEDGE_IN_BRIEF
    yield turn_heading(alignment)
    for number, move in enumerate(alignment.moves, 1):
        yield f"  {number}. {instruction(move, alignment)}{_in_brief(move, alignment)}."
    if alignment.feet and len(alignment.moves) == 2:
        yield f"  Or with feet or shims: {'; '.join(map(str, alignment.feet))}."
    yield "Then take a second run to check."


def _in_brief(move: Move, alignment: PolarAlignment) -> str:
    """How to make a move, in a few words."""
    if left_alone(move, alignment) or move.adjuster not in {"altitude", "azimuth"}:
        return ""
    if opposed(move, alignment):
        out, into = ("A", "B") if move.direction == "east" else ("B", "A")
        return f"; half a turn at a time, bolt {out} out, then {into} in, never both loose (A pushes west)"
    if move.direction == "lower":
        return "; go a quarter turn past and come back up"
    return "; finish going up" if move.direction == "raise" else "; finish with the bolt pushing"


def bolt_steps(move: Move, alignment: PolarAlignment) -> Iterator[str]:
    """How to make one move: which bolt to loosen, which to tighten, how to finish."""
    if left_alone(move, alignment):
        return
    if move.adjuster not in {"altitude", "azimuth"}:
        yield f"{move.arcmin / 60.0 * np.radians(1000.0):.2f} mm for every metre of base width."
        if move.direction == "lower":
            yield f"Or raise the {'south' if 'north' in move.adjuster else 'west'} side by as much."
        return
    if abs(move.crosstalk_arcmin) >= _WORTH_SAYING_ARCMIN:
        other = "azimuth" if move.adjuster == "altitude" else "altitude"
        amount = "more" if move.crosstalk_arcmin > 0.0 else "less"
        yield f"That is {abs(move.crosstalk_arcmin):.2f}' {amount} than the error: the {other} move does the rest."
    if opposed(move, alignment):
        yield from opposed_steps(move)
    elif move.direction == "lower":
        down = "Go a quarter turn too far" if move.turns is None else f"Go down {move.turns + 0.25:.2f} turns"
        yield f"{down}, then come back up a quarter turn, against the weight."
    elif move.direction == "raise":
        yield "Finish going up. If you overshoot, go a quarter turn too low and come up again."
    else:
        yield "Finish with the bolt pushing. If you have to back it off, go a quarter turn"
        yield "too far and push back."
    if move.arcmin_per_turn is not None:
        each = move.arcmin_per_turn
        yield f"One turn moves it {each:.1f}', a tenth of a turn {each / 10.0:.1f}'."


def opposed(move: Move, alignment: PolarAlignment) -> bool:
    """Whether two opposed bolts make this move."""
    wedge = alignment.site.wedge
    return move.adjuster == "azimuth" and wedge is not None and wedge.push_pull


def opposed_steps(move: Move) -> Iterator[str]:
    """How to turn two opposed bolts, each of which pushes when tightened (right-handed threads)."""
    yield "Bolt A pushes the upper end of the axis west, bolt B pushes it east."
    out, into = ("A", "B") if move.direction == "east" else ("B", "A")
    if move.turns is None or move.turns > 0.5:
        yield f"Back {out} out half a turn (counter-clockwise), then turn {into} in half a turn (clockwise)."
        if move.turns is None:
            yield "Go on like this, never with both loose."
        else:
            halves, rest = divmod(round(move.turns, 2), 0.5)
            times = "once" if halves == 1.0 else f"{halves:.0f} times"
            last = f", then {rest:.2f} turns the same way" if rest else ""
            yield f"Do that {times}{last}, never with both loose."
    else:
        turns = f"{move.turns:.2f} turns"
        yield f"Back {out} out {turns} (counter-clockwise), then turn {into} in {turns} (clockwise)."
    yield f"Last, turn {out} in until it just touches."


def left_alone(move: Move, alignment: PolarAlignment) -> str:
    """Why not to make a move: it is not significant, or finer than a hand sets a bolt; empty if it is worth making."""
    if move.arcmin < alignment.t_limit * move.stderr_arcmin:
        return "not significant (95 %)"
    if move.turns is not None and move.turns < BY_HAND_TURNS:
        return "finer than a hand can set"
    return ""


def instruction(move: Move, alignment: PolarAlignment) -> str:
    """The move as an instruction, or the advice not to make it."""
    why = left_alone(move, alignment)
    if not why:
        return str(move)
    return f"Leave the {move.adjuster}: {move.arcmin:.2f}' +- {move.stderr_arcmin:.2f}' is {why}"


def turn_heading(alignment: PolarAlignment) -> str:
    """Heading above the moves."""
    if all(left_alone(move, alignment) for move in alignment.moves):
        return "Turn nothing:"
    if not alignment.equatorial:
        return "Level the base:"
    if all(move.turns is None for move in alignment.moves):
        return "Turn, in this order:"
    return "Turn the bolts in this order (directions as you face the bolt head):"


def left_sentences(alignment: PolarAlignment) -> Iterator[str]:
    """What will remain after the moves; nothing if none is to be made."""
    if all(left_alone(move, alignment) for move in alignment.moves):
        return
    yield FINISH
    yield (
        f"Even if you turn the bolts exactly, a measuring error of {alignment.left.value:.2f}' remains (one standard"
        " error)."
    )
    yield "Then take a second run to check."

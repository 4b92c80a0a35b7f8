"""The adjusting star in sentences, in the order in which things are done, one instruction a line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.cautions import MOVING, STAR
from skysample.alignment.instructions import opposed, opposed_steps
from skysample.alignment.star import WATCH_MINUTES
from skysample.astrometry.times import iso

if TYPE_CHECKING:
    from collections.abc import Iterator

    from astropy.time import Time

    from skysample.alignment.star import AdjustingStar
    from skysample.alignment.star.steps import CameraPlace
    from skysample.alignment.wedge import Move

__all__ = ["command_times", "star_sentences"]

_EVERY_MINUTES = 5.0


def command_times(star: AdjustingStar) -> list[Time]:
    """The moments for which commands are listed: every 5 minutes for as long as the star can be watched."""
    from astropy import units as u

    return [star.when + minutes * u.min for minutes in np.arange(0.0, WATCH_MINUTES + 1.0, _EVERY_MINUTES)]


def star_sentences(star: AdjustingStar) -> Iterator[str]:
    """Say which star, what to send to the mount, what to see on the camera, and what to turn."""
    place = star.place()
    yield f"By a star: {star.star}, magnitude {star.candidate.magnitude:.1f}."
    if not star.up_now:
        yield f"Not now: none can be used before {_clock(star.when)} UTC. All below is for that moment."
    yield f"It stands at altitude {place.alt.deg:.1f}, azimuth {place.az.deg:.1f}."
    yield f'Centred to {star.centring.value:.1f}", the model there good to {star.model_error.value:.1f}",'
    yield f'amplification {star.amplification:.2f}: the axis ends within {star.accuracy.value:.1f}" of the pole'
    yield f"({star.accuracy.value / 60.0:.2f}'; one standard error)."
    yield "Before bolts are turned under a star:"
    yield from (f"  - {caution}" for caution in (*STAR, *MOVING))
    off_chip = star.blind.on_chip is False
    if off_chip:
        yield from _off_chip(star)
    yield "Do, in this order:"
    yield from (
        f"  {number}. {line}" if number else f"     {line}" for number, line in _numbered(_instructions(star))
    )


def _off_chip(star: AdjustingStar) -> Iterator[str]:
    yield "The star starts off the chip. Best: first make the moves by turns, as above:"
    yield "the star is then near the middle under the same command."
    if len(star.steps) == 1:
        yield "In steps there would be too many."
        return
    yield f"Or in {len(star.steps)} steps that keep it on the chip: send each, bring the star to the"
    yield "middle with both bolts, send the next. The last one is the command below."
    yield f"Axes that take no place: each step's hour angle holds at {_clock(star.when)[11:19]} UTC alone."
    done = 0.0
    for number, step in enumerate(star.steps):
        hour_angle, dec = star.axes(step=number).value
        yield f"  step {number + 1}:   ICRS {_icrs(star, None, number)}"
        yield f"  axes     hour angle {hour_angle:.4f} deg, declination {dec:+.4f} deg"
        yield f"  star at  {_where(step.places[0])}"
        yield from (
            f"  turn     about {move.turned((step.share - done) * move.turns)}, {_way(move)}"
            for move in star.alignment.moves
            if move.turns
        )
        done = step.share


def _way(move: Move) -> str:
    """Which way a move takes the axis."""
    return f"axis to the {move.direction}" if move.adjuster == "azimuth" else f"{move.direction} the axis"


def _instructions(star: AdjustingStar) -> Iterator[str]:
    """Instructions; a line that belongs to the one before begins with a blank."""
    hour_angle, dec = star.axes().value
    yield f"At {_clock(star.when)} UTC send the axes to"
    yield f" hour angle {hour_angle:.4f} deg, declination {dec:+.4f} deg"
    if star.pier is not None:
        yield f" with the tube {star.pier} of the pier,"
    yield f" or, where the mount takes only a place, ICRS {_icrs(star, None, -1, 2)}."
    yield " The tube then points beside the star, on purpose."
    yield f"Go on sending it, every {_interval(star)} or oftener:"
    yield f' sent once, the star creeps from its place by {star.creep.value:.1f}" a minute.'
    yield " UTC         ha, deg   dec, deg    ICRS place"
    for moment in command_times(star):
        hour_angle, dec = star.axes(moment).value
        yield f" {_clock(moment)[11:19]}   {hour_angle:9.4f}  {dec:+9.4f}    {_icrs(star, moment, -1)}"
    yield "Keep tracking on. Lock out all slews but this command. A hand on the stop:"
    yield " call out before each command, hands off the bolts while it is sent."
    if star.blind.on_chip is False:
        yield "Were bolts turned since the run, by turns or in steps? Then go on with 8."
    yield f"Look: before the bolts the star stands {_where(star.blind.places[0])}."
    if star.view is None:
        yield " In which direction is not known: the run gives no steady roll, [camera] none."
    elif not star.view.parity_known:
        yield " Whether the image is mirrored is not known: x may have the other sign."
    first, second = star.alignment.moves
    yield f"{first}:"
    yield f" the star goes to {_where(star.blind.places[1])}."
    yield f"{second}:"
    yield " the star goes to the middle."
    for move in (first, second):
        if opposed(move, star.alignment):
            yield from (f" {step}" for step in opposed_steps(move))
    yield "With both bolts bring the star to the middle, whatever the turns say."
    yield " End going up: go a quarter turn past and come back up against the weight."
    yield " Clamp while you watch: clamping moves it too."
    yield "Measure again with a second run."


def _numbered(lines: Iterator[str]) -> Iterator[tuple[int, str]]:
    number = 0
    for line in lines:
        if line.startswith(" "):
            yield 0, line[1:]
        else:
            number += 1
            yield number, line


def _interval(star: AdjustingStar) -> str:
    """How often to send the command so that the star creeps by no more than it is centred to."""
    per_minute, centring = float(star.creep.value), float(star.centring.value)
    minutes = min(5.0, centring / per_minute) if per_minute > 0.0 else 5.0
    return (
        f"{math.floor(minutes)} minutes" if minutes >= 2.0 else "minute" if minutes >= 1.0 else "few seconds"
    )


def _where(place: CameraPlace) -> str:
    offset = f"{np.degrees(place.offset_rad) * 60.0:.1f}' from the middle"
    if place.pixels is None:
        return offset
    x, y = place.pixels
    chip = "" if place.on_chip is not False else ", off the chip"
    return f"{offset}, x {x:+.0f}, y {y:+.0f} pixels{chip}"


def _icrs(star: AdjustingStar, moment: Time | None, step: int, precision: int = 1) -> str:
    return str(star.icrs(moment, step).to_string("hmsdms", precision=precision))


def _clock(moment: Time) -> str:
    return str(iso(moment, 0)).replace("T", " ")

"""Words for the adjusting star, in the order in which things are done, one instruction a line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.alignment.cautions import MOVING, STAR
from skysample.alignment.instructions import opposed, opposed_steps
from skysample.alignment.star.choice import WATCH_MINUTES
from skysample.astrometry.times import iso

if TYPE_CHECKING:
    from collections.abc import Iterator

    from astropy.coordinates import SkyCoord
    from astropy.time import Time

    from skysample.alignment.star import AdjustingStar
    from skysample.alignment.star.steps import CameraPlace

_EVERY_MINUTES = 5.0


def command_times(star: AdjustingStar) -> list[Time]:
    """Times for which commands are listed: every 5 minutes for as long as the star can be watched."""
    return [star.when + minutes * u.min for minutes in np.arange(0.0, WATCH_MINUTES + 1.0, _EVERY_MINUTES)]


def star_sentences(star: AdjustingStar) -> Iterator[str]:
    """Which star, what to send to the mount, what to see on the camera, and what to turn."""
    place = star.place()
    yield f"Adjust with a star: {star.star}, magnitude {star.candidate.magnitude:.1f}."
    if not star.up_now:
        yield f"No suitable star until {_clock(star.when)} UTC: everything below is for that time."
    yield f"It is at altitude {place.alt.deg:.1f}, azimuth {place.az.deg:.1f}."
    yield (
        f'Centre it to within {star.centring.value:.1f}" and the axis ends within {star.accuracy.value:.1f}"'
        f" ({star.accuracy.value / 60.0:.2f}') of the pole (one"
    )
    yield (
        f'standard error; the model error there, {star.model_error.value:.1f}", and the centring error count'
        f" {star.amplification:.2f} times)."
    )
    yield "Before you turn a bolt under a star:"
    yield from (f"  - {caution}" for caution in (*STAR, *MOVING))
    if star.blind.on_chip is False:
        yield from _off_chip(star)
    yield "Do this, in this order:"
    number = 0
    for line in _instructions(star):
        if line.startswith(" "):
            yield f"    {line}"
        else:
            number += 1
            yield f"  {number}. {line}"


def _off_chip(star: AdjustingStar) -> Iterator[str]:
    yield "The star starts off the chip. It is easier to turn the bolts first, as above:"
    yield "the star then appears near the centre after the command below."
    if len(star.steps) == 1:
        yield "Too many steps would be needed to keep it on the chip."
        return
    yield f"Otherwise take {len(star.steps)} steps that keep it on the chip: send a command, centre the star"
    yield f"with both bolts, then send the next. Step {len(star.steps)} is the command below."
    yield "If the mount accepts only axis angles: each hour angle is valid only at"
    yield f"{_clock(star.when)[11:]} UTC."
    done = 0.0
    for number, step in enumerate(star.steps):
        yield f"  step {number + 1}:   ICRS {_icrs(star.icrs(None, number))}"
        yield f"  axes     {_axes(star, number)}"
        yield f"  star at  {_where(step.places[0])}"
        for move in star.alignment.moves:
            if move.turns:
                turned = move.turned((step.share - done) * move.turns)
                altitude = move.adjuster == "altitude"
                way = f"{move.direction} the axis" if altitude else f"turn the axis {move.direction}"
                yield f"  turn     about {turned} to {way}"
        done = step.share


def _instructions(star: AdjustingStar) -> Iterator[str]:
    """Instructions; a line that continues the one before begins with a blank."""
    yield f"At {_clock(star.when)} UTC send the axes to"
    yield f" {_axes(star)}"
    if star.pier is not None:
        yield f" with the tube {star.pier} of the pier,"
    yield f" or, if the mount accepts only positions, ICRS {_icrs(star.icrs(), 2)}."
    yield " The tube then points beside the star, on purpose."
    yield f"Resend it at least every {_interval(star)}:"
    yield f' sent only once, the star drifts from its place by {star.creep.value:.1f}" a minute.'
    yield " UTC         ha, deg   dec, deg    ICRS position"
    for row in star.table:
        hour_angle, dec = row["hour_angle"].value, row["declination"].value
        yield f" {_clock(row['time'])[11:]}   {hour_angle:9.4f}  {dec:+9.4f}    {_icrs(row['icrs'])}"
    yield "Keep tracking on. Lock out every slew but this command. Keep a hand on the"
    yield " emergency stop: call out before each command, hands off the bolts while it is sent."
    if star.blind.on_chip is False:
        yield "If the bolts were turned since the run, all at once or in steps, go straight to"
        yield " centring the star with both bolts."
    yield f"Check the camera: before the bolts are turned the star is {_where(star.blind.places[0])}."
    if star.view is None:
        yield " The direction is unknown: the run has no steady roll and [camera] gives none."
    elif not star.view.parity_known:
        yield " Whether the image is mirrored is unknown: x may have the other sign."
    first, second = star.alignment.moves
    yield f"{first}:"
    yield f" the star moves to {_where(star.blind.places[1])}."
    yield f"{second}:"
    yield " the star moves to the centre."
    for move in (first, second):
        if opposed(move, star.alignment):
            yield from (f" {step}" for step in opposed_steps(move))
    yield "Centre the star with both bolts, whatever the turns say."
    yield " Finish going up: go a quarter turn below and come back up against the weight."
    yield " Watch the star while you clamp: clamping moves it too."
    yield "Take a second run to check."


def _interval(star: AdjustingStar) -> str:
    """Longest time between commands in which the star drifts by no more than it is centred to."""
    per_minute, centring = float(star.creep.value), float(star.centring.value)
    minutes = min(5.0, centring / per_minute) if per_minute > 0.0 else 5.0
    return (
        f"{math.floor(minutes)} minutes" if minutes >= 2.0 else "minute" if minutes >= 1.0 else "few seconds"
    )


def _where(place: CameraPlace) -> str:
    offset = f"{np.degrees(place.offset_rad) * 60.0:.1f}' from the centre"
    if place.pixels is None:
        return offset
    x, y = place.pixels
    return f"{offset}, x {x:+.0f}, y {y:+.0f} pixels{', off the chip' if place.on_chip is False else ''}"


def _axes(star: AdjustingStar, step: int = -1) -> str:
    hour_angle, dec = star.axes(step=step).value
    return f"hour angle {hour_angle:.4f} deg, declination {dec:+.4f} deg"


def _icrs(place: SkyCoord, precision: int = 1) -> str:
    return str(place.to_string("hmsdms", precision=precision))


def _clock(moment: Time) -> str:
    return str(iso(moment, 0)).replace("T", " ")[:19]

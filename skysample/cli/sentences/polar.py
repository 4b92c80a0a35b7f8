"""The polar axis in sentences: where it is, what to turn, and how a star shows the move."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.cautions import WEDGE
from skysample.alignment.instructions import aim_sentences, bolt_steps, left_sentences, told, turn_heading
from skysample.alignment.star.instructions import star_sentences
from skysample.cli.sentences.trails import trail_lines
from skysample.geometry import ARCSEC
from skysample.tracking_errors.trails import trail

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.alignment import PolarAlignment
    from skysample.alignment.star import AdjustingStar
    from skysample.fitting import FittedModel
    from skysample.tracking_errors.trails import Trails

__all__ = ["aim", "move_lines", "polar_lines", "run_line"]

_MANY_LEFT_OUT = 0.2


def polar_lines(
    alignment: PolarAlignment,
    star: AdjustingStar | None = None,
    no_star: str | None = None,
    trails: Trails | None = None,
) -> Iterator[str]:
    """Say where the axis is aimed, what to turn and what it costs to leave it; and how a star shows the move."""
    yield from aim(alignment)
    yield from move_lines(alignment)
    if star is not None:
        yield from star_sentences(star)
    if no_star is not None:
        yield f"{no_star[0].upper()}{no_star[1:]}."
    yield from trail_lines(alignment, trails or trail(alignment))


def run_line(model: FittedModel) -> str:
    """Say what the answer rests on, and whether so many points were left out that something else is wrong."""
    run = model.run
    said = (
        f'{run.used} of {run.points} points used; residual {run.rms_rad / ARCSEC:.2f}" RMS on the sky,'
        f" terms {', '.join(model.names)}."
    )
    if run.points - run.used > _MANY_LEFT_OUT * run.points:
        said += " Many were left out: `skysample fit` says why; check signs, times and mount before you turn a bolt."
    return said


def aim(alignment: PolarAlignment) -> Iterator[str]:
    """Say where the axis is aimed, and which way it must go."""
    if alignment.condition:
        yield alignment.condition
    if alignment.model is not None:
        yield run_line(alignment.model)
    yield from aim_sentences(alignment)
    first, second = (float(value) for value in np.degrees(alignment.stderr_rad) * 60.0)
    t = alignment.t_limit
    if alignment.equatorial:
        to_arcmin = float(np.degrees(1.0) * 60.0)
        altitude, azimuth = alignment.first_rad * to_arcmin, alignment.second_rad * to_arcmin
        refracted = altitude - alignment.refraction_rad * to_arcmin
        yield (
            f"95 % intervals: altitude {altitude - t * first:+.2f}' to {altitude + t * first:+.2f}', azimuth"
            f" {azimuth - t * second:+.2f}' to {azimuth + t * second:+.2f}'. All of this is against the true pole;"
            f" against the refracted pole the altitude error is {refracted:+.2f}'."
        )
        return
    share = 15.041 * float(np.cos(alignment.site.location.latitude_rad))
    yield (
        f'A clock that is 1 s wrong looks like a lean of {share:.1f}" to the east or west'
        ' (15" a second times the cosine of the latitude): check the clock before the base.'
    )


def move_lines(alignment: PolarAlignment) -> Iterator[str]:
    """Say what to beware of and what to turn, in order, one instruction a line."""
    yield from (f"Look: {hint}" for hint in alignment.hints)
    yield "Before you touch a bolt:"
    for caution in WEDGE:
        yield f"  - {caution}"
    if alignment.hints:
        yield 'Turn no bolt before what stands above after "Look" is settled: the moves may be wrong.'
    yield turn_heading(alignment)
    for number, move in enumerate(alignment.moves, 1):
        yield f"  {number}. {told(move, alignment)}."
        yield from (f"     {step}" for step in bolt_steps(move, alignment))
    # The feet take out the whole lean: they are no way to make one of its two moves alone.
    if alignment.feet and len(alignment.moves) == 2:
        yield "That is, by feet or shims (the highest foot stays, so that every move ends going up):"
        yield from (f"  - {foot}." for foot in alignment.feet)
    yield from left_sentences(alignment)

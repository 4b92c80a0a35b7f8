"""Sentences of the record: the number with its error, and signs in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.instructions import bolt_steps, instruction
from skysample.alignment.wedge import ARCMIN
from skysample.report.rows import axis_arcmin, measured, total

if TYPE_CHECKING:
    from skysample.alignment import PolarAlignment
    from skysample.alignment.comparing import Comparison
    from skysample.report.record import Record
    from skysample.runs import Run
    from skysample.scoring import Score
    from skysample.scoring.residual_tests import Structure
    from skysample.tracking_errors.trails import Trails


def axis_sentences(alignment: PolarAlignment) -> list[str]:
    """Say where the axis points, first in one sentence, then what goes with it.

    Parameters
    ----------
    alignment : PolarAlignment

    Returns
    -------
    list of str
        The first begins with the condition on which the answer rests, where there is one.
    """
    first, second = axis_arcmin(alignment)
    names = ("altitude", "azimuth") if alignment.equatorial else ("north", "east")
    errors = alignment.t_limit * first[1], alignment.t_limit * second[1]
    half = [f"{name} +- {error:.2f}'" for name, error in zip(names, errors, strict=True)]
    confidence = f"95 % confidence: {' and '.join(half)} ({alignment.dof} degrees of freedom)."
    condition = f"{alignment.condition} " if alignment.condition else ""
    if not alignment.equatorial:
        north = _with_side(alignment, first, "to the north", "to the south")
        east = _with_side(alignment, second, "to the east", "to the west")
        return [
            f"{condition}The azimuth axis leans {north} and {east}.",
            f"It is {total(alignment)} from the vertical.",
            confidence,
            f'A clock error of 1 s imitates a lean of {alignment.clock_error_arcsec_per_s:.1f}" to the east or west.',
        ]
    height = _with_side(alignment, first, "above the true pole", "below the true pole")
    turn = _with_side(alignment, second, "east of it", "west of it")
    higher = alignment.refraction_rad / ARCMIN
    refracted = _with_side(
        alignment, (first[0] - higher, first[1]), "above the refracted pole", "below the refracted pole"
    )
    return [
        f"{condition}The polar axis points {height} and {turn}.",
        f"On the sky it is {total(alignment)} from the true pole.",
        f"Refraction lifts the pole by {higher:.2f}' here: the axis points {refracted}.",
        confidence,
    ]


def _with_side(alignment: PolarAlignment, found: tuple[float, float], plus: str, minus: str) -> str:
    value, error = found
    text = f"{measured(abs(value), error)} {plus if value >= 0.0 else minus}"
    return text if abs(value) > alignment.t_limit * error else f"{text} (not significant)"


def change(comparison: Comparison) -> str:
    """Say how the axis really moved between the two runs."""
    (first, first_error), (second, second_error) = comparison.changes_arcmin
    ways = ("up", "down") if comparison.after.equatorial else ("to the north", "to the south")
    return (
        f"Between the two runs the axis moved {measured(abs(first), first_error)} {ways[first < 0.0]}"
        f" and {measured(abs(second), second_error)} to the {'east' if second >= 0.0 else 'west'}."
    )


def verdict(comparison: Comparison) -> str:
    """Say whether the axis is shown to be within the limit."""
    upper, limit = float(comparison.upper_total.value), float(comparison.limit.value)
    answer = "is within" if comparison.within_limit else "is not shown to be within"
    return f"The axis {answer} {limit:g}': its total error is below {upper:.2f}' with 95 % confidence."


def moves_left(record: Record) -> list[tuple[str, list[str]]]:
    """List what is still to be turned, if anything is: each move, and how to make it."""
    comparison, alignment = record.comparison, record.axis.alignment
    if comparison is not None:
        alignment, moves = comparison.after, comparison.next_moves
    elif alignment is not None:
        moves = alignment.moves
    else:
        return []
    trust = record.after.trust if record.after is not None else record.trust
    if not record.gives_moves(trust):
        return []
    return [(instruction(move, alignment), list(bolt_steps(move, alignment))) for move in moves]


def largest_residual(score: Score, run: Run) -> str:
    """Name the point with the largest residual, studentised where there are enough points."""
    known = bool(np.isfinite(score.studentised).any())
    residual, left_out = (
        np.linalg.norm(each.to_value("arcsec"), axis=1) for each in (score.residuals, score.loo_residuals)
    )
    worst = int(np.nanargmax(score.studentised if known else residual))
    frame = run.frames[run.rows.tolist().index(score.rows[worst])]
    where = f"row {score.rows[worst]} ({frame})" if frame else f"row {score.rows[worst]}"
    text = f'Largest residual: {where}, {residual[worst]:.2f}" (leave-one-out {left_out[worst]:.2f}")'
    if not known:
        return f"{text}; too few points to judge it."
    size, limit = float(score.studentised[worst]), score.limit
    answer = "within" if size <= limit else "beyond"
    return f"{text}, studentised {size:.2f}, {answer} the limit of {limit:.2f}."


def summary(record: Record) -> list[str]:
    """Say what whoever reads no further should know."""
    model, score, error = record.final.model, record.final.score, record.final.error
    alignment = record.axis.alignment
    if alignment is None:
        first = "The final run does not determine where the axis points; the reason is given below."
    else:
        target = "the true pole" if alignment.equatorial else "the vertical"
        first = f"The axis is {total(alignment)} from {target}"
        if record.comparison is not None:
            first += f"; before the adjustment it was {total(record.comparison.before)}"
        first = f"{alignment.condition} {first}." if alignment.condition else f"{first}."
    trust = record.trust
    if trust is not None and trust.verdict == "turn":
        first = f"{first} Inputs checked: {trust.verdict}."
    doubts = [] if trust is None or trust.verdict == "turn" else trust.sentences[:2]
    anyway = [f"Moves given all the same: {record.turn_anyway}"] if record.turn_anyway else []
    found = any(each.name == "neighbours" for each in record.final.left.found)
    larger = "; larger than this, because nearby points have similar residuals" if found else ""
    return [
        *doubts,
        *anyway,
        first,
        (
            f'The pointing model of {len(model.names)} terms leaves a residual of {score.rms.value:.2f}" RMS on the'
            f' {model.run.used} points used; leave-one-out error {score.loo_rms.value:.2f}" RMS.'
        ),
        (
            f'Model error over the usable sky: {error.rms.value:.2f}" RMS, below {error.p95.value:.2f}" on 95 % of'
            f" it{larger}."
        ),
    ]


def sentence(text: str) -> str:
    """Begin with a capital letter, and end with a full stop."""
    return f"{text[:1].upper()}{text[1:].removesuffix('.')}." if text else ""


def camera_sentences(trails: Trails) -> list[str]:
    """Say whether the axis is good enough for this camera, and what a perfect axis would leave."""
    altitude, azimuth = trails.refraction_place_deg
    lines = [
        str(trails),
        (
            f'Refraction alone makes a star drift by up to {trails.refraction_arcsec_per_min:.2f}" a minute (altitude'
            f" {altitude:.0f}°, azimuth {azimuth:.0f}°) on a perfect axis; the model corrects for it."
        ),
    ]
    if trails.inherent_deg_per_hour is not None:
        lines.append(
            f"The field of a level mount rotates too, by up to {trails.inherent_deg_per_hour:.0f}° an hour; the table"
            " shows what the lean adds."
        )
    return lines


def points_chosen(record: Record) -> list[str]:
    """Say how many points were chosen and why, and how many would have been enough."""
    need, run = record.need, record.run
    lines = []
    if need is not None:
        half = ", half the noise" if need.by_design else ""
        lines.append(
            f'{need.recommended} points recommended for a model error of {need.target.value:.2f}" over the usable'
            f' sky{half}: noise {need.sigma.value:.2f}" per axis in the pilot run, {len(need.terms)} terms, allowing'
            f" for {100.0 * need.failed_share:g} % failed exposures."
        )
        if need.informed is not None and need.informed.recommended is not None:
            lines.append(
                f"Placed where they constrain the terms best, {need.informed.recommended} would be enough; an even grid"
                " also reveals errors that no term describes."
            )
    if record.undecided:
        lines.append(sentence(record.undecided))
    taken, used = run.points + run.failed, record.final.model.run.used
    lines.append(f"Taken: {taken} points, {run.points} solved, {used} used. Result with {record.learning}")
    learning = record.learning
    if need is not None and learning.would_have_done is None:
        # The error goes with the noise.
        quieter = learning.table["sky_rms_upper"][-1] * float(need.sigma / learning.sigma)
        if quieter <= learning.target:
            lines.append(
                f'This run is noisier than the pilot run ({learning.sigma.value:.2f}" per axis, not'
                f' {need.sigma.value:.2f}"): with the noise of the pilot run the target would have been met.'
            )
    return lines


def structure_sentences(found: Structure) -> list[str]:
    """Say what structure the residuals still hold, and what could not be tested."""
    lines = [sentence(line) for line in str(found).splitlines()]
    missing = [f"{each.name} ({each.not_done})" for each in found.findings if each.not_done]
    return [*lines, f"Not tested: {', '.join(missing)}."] if missing else lines

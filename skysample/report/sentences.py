"""The sentences of the record: the number with its error, and signs in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from skysample.report.typography import measured

if TYPE_CHECKING:
    from skysample.alignment import PolarAlignment
    from skysample.alignment.comparing import Comparison
    from skysample.report.record import Record
    from skysample.scoring import Score
    from skysample.scoring.residual_tests import Structure
    from skysample.tracking_errors.trails import Trails

__all__ = [
    "axis_sentences",
    "capital",
    "change",
    "enough",
    "furthest",
    "left_over",
    "points_chosen",
    "summary",
    "total",
    "verdict",
]

_ARCMIN = math.degrees(1.0) * 60.0
_SIDEREAL_ARCSEC_S = 15.041
"""Turn of the Earth in a second of clock time."""


def axis_sentences(alignment: PolarAlignment) -> list[str]:
    """Say where the axis aims, first in one sentence, then what goes with it.

    Parameters
    ----------
    alignment : PolarAlignment

    Returns
    -------
    list of str
        The first begins with the condition on which the answer rests, where there is one.
    """
    first, second = _errors(alignment)
    names = ("altitude", "azimuth") if alignment.equatorial else ("north", "east")
    half = [
        f"{name} +- {alignment.t_limit * error:.2f}'"
        for name, (_, error) in zip(names, (first, second), strict=True)
    ]
    confidence = f"With 95 % confidence: {' and '.join(half)} ({alignment.dof} degrees of freedom)."
    condition = f"{alignment.condition} " if alignment.condition else ""
    if not alignment.equatorial:
        north = _with_side(alignment, first, "to the north", "to the south")
        east = _with_side(alignment, second, "to the east", "to the west")
        clock = _SIDEREAL_ARCSEC_S * math.cos(alignment.site.location.latitude_rad)
        return [
            f"{condition}The azimuth axis leans {north} and {east}.",
            f"In all it stands {total(alignment)} from the vertical.",
            confidence,
            f'A clock wrong by one second would show as {clock:.1f}" of lean to the east or west.',
        ]
    height = _with_side(alignment, first, "above the true pole", "below the true pole")
    turn = _with_side(alignment, second, "east of it", "west of it")
    higher = alignment.refraction_rad * _ARCMIN
    refracted = _with_side(alignment, (first[0] - higher, first[1]), "above it", "below it")
    return [
        f"{condition}The polar axis aims {height} and {turn}.",
        f"On the sky it stands {total(alignment)} from the true pole.",
        f"The refracted pole stands {higher:.2f}' higher here; the axis aims {refracted}.",
        confidence,
    ]


def _errors(alignment: PolarAlignment) -> tuple[tuple[float, float], tuple[float, float]]:
    """Take the two axis errors, each with its standard error, arcmin."""
    error = alignment.stderr_rad * _ARCMIN
    return (alignment.first_rad * _ARCMIN, float(error[0])), (alignment.second_rad * _ARCMIN, float(error[1]))


def _with_side(alignment: PolarAlignment, found: tuple[float, float], plus: str, minus: str) -> str:
    value, error = found
    text = f"{measured(abs(value), error, chr(39))} {plus if value >= 0.0 else minus}"
    return text if abs(value) > alignment.t_limit * error else f"{text} (too little to tell from none)"


def total(alignment: PolarAlignment) -> str:
    """Write the angle between the axis and where it should aim, with its error."""
    return measured(float(alignment.total_error.value), float(alignment.left.value), "'")


def change(comparison: Comparison) -> str:
    """Say how the axis really moved between the two runs."""
    (first, first_error), (second, second_error) = comparison.changes_arcmin
    first_by, second_by = measured(abs(first), first_error, "'"), measured(abs(second), second_error, "'")
    east = "east" if second >= 0.0 else "west"
    if comparison.after.equatorial:
        rose = "rose" if first >= 0.0 else "sank"
        return f"Between the two runs the axis {rose} by {first_by} and turned {second_by} to the {east}."
    north = "north" if first >= 0.0 else "south"
    return (
        f"Between the two runs the axis went over by {first_by} to the {north} and {second_by} to the {east}."
    )


def verdict(comparison: Comparison) -> str:
    """Say whether the axis is shown to be within the limit."""
    upper, limit = float(comparison.upper_total.value), float(comparison.limit.value)
    answer = "is within" if comparison.within_limit else "is not shown to be within"
    return f"The axis {answer} {limit:g}': its total error is below {upper:.2f}' with 95 % confidence."


def furthest(score: Score) -> tuple[int, str]:
    """Find the point that stands furthest from where the others put it: its row, and what to say of it."""
    known = bool(np.isfinite(score.studentised).any())
    residual, left_out = (
        np.linalg.norm(each.to_value("arcsec"), axis=1) for each in (score.residuals, score.loo_residuals)
    )
    worst = int(np.nanargmax(score.studentised if known else residual))
    text = f'residual {residual[worst]:.2f}", {left_out[worst]:.2f}" from where the others put it'
    if not known:
        return score.rows[worst], f"{text}; the points are too few to say whether that is too much."
    size, limit = float(score.studentised[worst]), score.limit
    answer = "within" if size <= limit else "beyond"
    return score.rows[worst], f"{text}, studentised {size:.2f}, {answer} the limit of {limit:.2f}."


def summary(record: Record) -> list[str]:
    """Say what whoever reads no further should know."""
    model, score, error = record.model, record.score, record.error
    alignment = record.axis.alignment
    if alignment is None:
        first = "Where the axis aims is not determined by the final run; the reason stands below."
    else:
        aim = "the true pole" if alignment.equatorial else "the vertical"
        first = f"The axis stands {total(alignment)} from {aim}"
        first += (
            f"; before, it was {total(record.comparison.before)}." if record.comparison is not None else "."
        )
        first = f"{alignment.condition} {first}" if alignment.condition else first
    fitted = (
        f'The pointing model of {len(model.names)} terms leaves {score.rms.value:.2f}" RMS on the'
        f' {model.run.used} points it uses, and {score.loo_rms.value:.2f}" RMS on a point it has not seen.'
    )
    over_sky = (
        f"Over the usable sky the model's own standard error is {error.rms.value:.2f}\" RMS, and below"
        f' {error.p95.value:.2f}" on 95 % of it.'
    )
    return [first, fitted, over_sky]


def capital(sentence: str) -> str:
    """Begin a sentence with a capital letter, and end it with a full stop."""
    return f"{sentence[:1].upper()}{sentence[1:].removesuffix('.')}." if sentence else ""


def enough(trails: Trails) -> list[str]:
    """Say whether this camera notices what the axis does, and what would be there without any error."""
    altitude, azimuth = trails.refraction_place_deg
    said = [
        str(trails),
        (
            f'Refraction alone drifts a star by up to {trails.refraction_arcsec_per_min:.2f}" a minute (altitude'
            f" {altitude:.0f}°, azimuth {azimuth:.0f}°) on a perfect axis; the model follows it."
        ),
    ]
    if trails.inherent_deg_per_hour is not None:
        said.append(
            f"Even a level mount turns the field, by up to {trails.inherent_deg_per_hour:.0f}° an hour; the table has"
            " what the lean adds."
        )
    return said


def points_chosen(record: Record) -> list[str]:
    """Say how many points were chosen and why, and how many would have done."""
    need, run = record.need, record.run
    said = []
    if need is not None:
        said.append(
            f'Target {need.target.value:.2f}" over the usable sky, noise {need.sigma.value:.2f}" per axis in the run it'
            f" was chosen by, {len(need.terms)} terms, {100.0 * need.failed_share:g} % of exposures allowed to fail:"
            f" {need.recommended} points."
        )
        if need.informed is not None and need.informed.recommended is not None:
            said.append(
                f"Placed where the terms are learnt best, {need.informed.recommended} would do; even points also see"
                " what no term describes."
            )
    if record.undecided:
        said.append(capital(record.undecided))
    taken = run.points + run.failed
    said.append(
        f"Taken: {taken}, solved {run.points}, used {record.model.run.used}. Afterwards, {record.learning}"
    )
    return said


def left_over(found: Structure) -> list[str]:
    """Say what structure the residuals still hold, and what could not be looked for."""
    said = [capital(line) for line in str(found).splitlines()]
    missing = [f"{each.name} ({each.not_done})" for each in found.findings if each.not_done]
    return [*said, f"Not tested: {', '.join(missing)}."] if missing else said

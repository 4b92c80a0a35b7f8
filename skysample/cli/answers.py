"""Results as plain values: what `--json` prints, with the keys of the contract."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.geometry import ARCSEC
from skysample.instructions import aim_sentences, bolt_steps
from skysample.star_instructions import command_times
from skysample.times import iso

if TYPE_CHECKING:
    from collections.abc import Sequence

    from astropy.table import QTable
    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.comparing import Comparison
    from skysample.fitting import FittedModel
    from skysample.leftovers import Structure
    from skysample.movements import History
    from skysample.ordering import FrontPoint
    from skysample.periods import Period
    from skysample.planning import Plan
    from skysample.plugins import Registry
    from skysample.polar_axis import PolarAlignment
    from skysample.scoring import Score, SkyError, TermEvidence
    from skysample.selection import TermSelection
    from skysample.sizing import LearningCurve, PointsNeeded
    from skysample.star_alignment import AdjustingStar
    from skysample.star_steps import StarStep
    from skysample.stopping import RunProgress
    from skysample.tracking_drift import Trails
    from skysample.tracking_quality import Tracking

__all__ = [
    "compare_answer",
    "fit_answer",
    "history_answer",
    "learning_answer",
    "plan_answer",
    "plugins_answer",
    "polar_answer",
    "progress_answer",
    "size_answer",
    "star_answer",
    "tracking_answer",
]


def _number(value: float | None, digits: int = 6) -> float | None:
    if value is None or not np.isfinite(value):
        return None
    return round(float(value), digits)


def _probability(p: float) -> float | None:
    return float(f"{p:.6g}") if np.isfinite(p) else None


def _value(quantity: Quantity | None) -> float | None:
    return None if quantity is None else _number(float(quantity.value))


def _pixels(arcsec: float | None, pixel_arcsec: float | None) -> float | None:
    return None if arcsec is None or pixel_arcsec is None else _number(arcsec / pixel_arcsec)


def _rows(table: QTable, columns: dict[str, str]) -> list[dict[str, Any]]:
    """Rows of numbers as plain values, under each key its column; counts stay whole."""
    return [
        {
            key: int(row[name]) if table[name].dtype.kind == "i" else _value(row[name])
            for key, name in columns.items()
        }
        for row in table
    ]


def plan_answer(plan: Plan, choices: Sequence[FrontPoint] = ()) -> dict[str, Any]:
    """Keys of `plan`."""
    grid = plan.grid
    return {
        "points": plan.points,
        "sky_sr": _number(plan.sky.area_sr),
        "sky_losses": [
            {
                "obstruction": loss.obstruction,
                "removed_sr": _number(loss.removed_sr),
                "only_sr": _number(loss.only_sr),
            }
            for loss in plan.sky.taken
        ],
        "covering_radius_deg": _number(np.degrees(grid.covering_radius_rad)),
        "min_separation_deg": _number(np.degrees(grid.min_separation_rad)),
        "total_s": _number(plan.total_s, 2),
        "slew_s": _number(plan.slew_s, 2),
        "dome_deg": _number(np.degrees(plan.schedule.dome_rad), 2),
        "dome_moves": int(plan.schedule.dome_moves),
        "bound_s": _number(plan.bound_s, 2) if plan.bound_s is not None else None,
        "gap": _number(plan.gap, 4) if plan.gap is not None else None,
        "design": grid.design,
        "even_points": None if grid.informed is None else grid.informed.even_points,
        "order": plan.ordering,
        "dome_weight": plan.dome_weight,
        "front": [
            {
                "dome_weight": choice.dome_weight,
                "slew_s": _number(choice.schedule.total_slew_s, 2),
                "dome_deg": _number(np.degrees(choice.schedule.dome_rad), 2),
                "dome_moves": int(choice.schedule.dome_moves),
            }
            for choice in choices
        ],
        "sun_checked": plan.sun_checked,
        "rows": plan.rows,
    }


def fit_answer(
    model: FittedModel,
    score: Score,
    error: SkyError,
    hints: tuple[str, ...],
    evidence: Sequence[TermEvidence],
    left: Structure,
    selection: TermSelection | None = None,
) -> dict[str, Any]:
    """Keys of `fit`."""
    return {
        "points": model.run.points,
        "used": model.run.used,
        "rejected": [
            {"row": each.row, "frame": each.frame, "reason": each.reason} for each in model.rejected
        ],
        "rms_arcsec": _value(score.rms),
        "loo_rms_arcsec": _value(score.loo_rms),
        "sigma_arcsec": _value(model.sigma),
        "dof": model.dof,
        "terms": [
            {
                "name": term.name,
                "value_arcsec": _number(term.value_rad / ARCSEC),
                "stderr_arcsec": _number(term.stderr_rad / ARCSEC),
                "ci95_arcsec": _number(term.ci95_rad / ARCSEC),
                "t": _number(term.t, 4),
                "p": _probability(term.p),
                "verdict": term.verdict,
                "reason": term.reason,
                "loo_rms_without_arcsec": _number(term.loo_rms_without_rad / ARCSEC),
                "correlates_with": term.correlates_with,
                "correlation": _number(term.correlation, 4),
            }
            for term in evidence
        ],
        "selected": None if selection is None else list(selection.added),
        "selection": None if selection is None else _selection(selection),
        "sky_rms_arcsec": _value(error.rms),
        "sky_p95_arcsec": _value(error.p95),
        "condition": _number(model.condition, 1),
        "weak_pairs": [
            {"pair": list(weak.pair), "condition": _number(weak.condition, 1)} for weak in model.weak_pairs
        ],
        "points_table": [
            {
                "row": int(row["row"]),
                "residual_arcsec": _value(row["residual"]),
                "loo_residual_arcsec": _value(row["loo_residual"]),
                "studentised": _number(row["studentised"], 4),
                "leverage": _number(row["leverage"], 4),
                "cooks_distance": _number(row["cooks_distance"], 4),
            }
            for row in score.points
        ],
        "structure": [
            {
                "name": each.name,
                "statistic": _number(each.statistic),
                "p": None if each.p is None else float(f"{each.p:.6g}"),
                "found": each.found,
                "sentence": each.sentence or None,
                "not_done": each.not_done or None,
            }
            for each in left.findings
        ],
        "hints": list(hints),
        "axes": model.run.axes_kind,
        "old_model": model.run.old_model,
    }


def _place(place: tuple[float, float] | None) -> dict[str, float] | None:
    return None if place is None else {"alt_deg": place[0], "az_deg": place[1]}


def _selection(selection: TermSelection) -> dict[str, Any]:
    from skysample.selection import FAMILY_WISE

    return {
        "started_from": list(selection.started_from),
        "family_wise": FAMILY_WISE,
        "intervals": selection.note,
        "tried": [
            {
                "name": each.name,
                "verdict": each.verdict,
                "reason": each.reason,
                "t": _number(each.t, 4),
                "t_limit": _number(each.threshold, 4),
                "p_adjusted": _probability(each.adjusted_p),
                "loo_rms_with_arcsec": _number(each.loo_rms_with_rad / ARCSEC),
                "loo_rms_without_arcsec": _number(each.loo_rms_rad / ARCSEC),
                "detectable_arcsec": _number(each.detectable_rad / ARCSEC),
                "correlates_with": each.correlates_with,
                "correlation": _number(each.correlation, 4),
            }
            for each in selection.candidates
        ],
    }


def polar_answer(
    alignment: PolarAlignment,
    star: AdjustingStar | None = None,
    no_star: str | None = None,
    trails: Trails | None = None,
) -> dict[str, Any]:
    """Keys of `polar`; those of the other mount kind are null."""
    from skysample.tracking_drift import TOLERANCE_PX, trail

    t = alignment.t_limit
    trails = trails or trail(alignment)
    pixel = trails.pixel_arcsec
    tracking = alignment.tracking
    first, second = (float(error) / ARCSEC / 60.0 for error in alignment.stderr_rad)
    equatorial = alignment.equatorial
    answer: dict[str, Any] = {
        "altitude_error_arcmin": _value(alignment.altitude_error),
        "altitude_error_refracted_arcmin": _value(alignment.altitude_error_refracted),
        "altitude_stderr_arcmin": _value(alignment.altitude_stderr),
        "altitude_ci95_arcmin": _number(t * first) if equatorial else None,
        "azimuth_error_arcmin": _value(alignment.azimuth_error),
        "azimuth_stderr_arcmin": _value(alignment.azimuth_stderr),
        "azimuth_ci95_arcmin": _number(t * second) if equatorial else None,
        "dof": alignment.dof,
        "total_error_arcmin": _value(alignment.total_error),
        "left_arcmin": _value(alignment.left),
        "moves": [
            {
                "adjuster": move.adjuster,
                "direction": move.direction,
                "arcmin": _number(move.arcmin),
                "stderr_arcmin": _number(move.stderr_arcmin),
                "turns": None if move.turns is None else _number(move.turns, 4),
                "bolt": move.bolt,
                "arcmin_per_turn": _number(move.arcmin_per_turn, 4),
                "crosstalk_arcmin": _number(move.crosstalk_arcmin),
                "steps": list(bolt_steps(move, alignment)),
            }
            for move in alignment.moves
        ],
        "feet": [
            {
                "az_deg": foot.az_deg,
                "raise_mm": _number(foot.raise_mm, 4),
                "stderr_mm": _number(foot.stderr_mm, 4),
                "turns": _number(foot.turns, 4),
                "bolt": foot.bolt,
            }
            for foot in alignment.feet
        ],
        "sentences": list(aim_sentences(alignment)),
        "drift_arcsec_per_min": _number(tracking.drift_arcsec_per_min),
        "drift_place": _place(tracking.drift_place_deg),
        "field_rotation_deg_per_hour": _number(tracking.rotation_deg_per_hour),
        "field_rotation_place": _place(tracking.rotation_place_deg),
        "refraction_drift_arcsec_per_min": _number(trails.refraction_arcsec_per_min),
        "refraction_drift_place": _place(trails.refraction_place_deg),
        "inherent_rotation_deg_per_hour": _number(trails.inherent_deg_per_hour),
        "inherent_rotation_place": _place(trails.inherent_place_deg),
        "at": _place(trails.at_deg),
        "tolerance_px": TOLERANCE_PX,
        "trails": [
            {
                "minutes": _number(row.minutes),
                "drift_arcsec": _number(row.drift_arcsec),
                "turn_without_deg": _number(row.turn_without_deg, 9),
                "turn_with_deg": _number(row.turn_with_deg, 9),
                "turn_place": _place(row.turn_place_deg),
                "corner_without_px": _pixels(row.corner_without_arcsec, pixel),
                "corner_with_px": _pixels(row.corner_with_arcsec, pixel),
                "enough_without_arcmin": _number(row.enough_without_arcmin),
                "enough_with_arcmin": _number(row.enough_with_arcmin),
            }
            for row in trails.rows
        ],
        "pole": "true" if equatorial else "zenith",
        "condition": alignment.condition or None,
        "hints": list(alignment.hints),
        "star": None if star is None else star_answer(star),
        "no_star": no_star,
    }
    if not equatorial:
        answer |= {
            "tilt_north_arcmin": _value(alignment.tilt_north),
            "tilt_east_arcmin": _value(alignment.tilt_east),
            "tilt_north_stderr_arcmin": _number(first),
            "tilt_east_stderr_arcmin": _number(second),
            "tilt_north_ci95_arcmin": _number(t * first),
            "tilt_east_ci95_arcmin": _number(t * second),
            "clock_error_arcsec_per_s": _number(15.041 * float(np.cos(alignment.site.location.latitude_rad))),
        }
    return answer


def star_answer(star: AdjustingStar) -> dict[str, Any]:
    """Keys of `star`, within `polar`."""
    place, view = star.place(), star.view
    return {
        "name": star.star,
        "magnitude": star.candidate.magnitude,
        "up_now": star.up_now,
        "when_utc": str(iso(star.when, 0)),
        "alt_deg": _number(place.alt.deg),
        "az_deg": _number(place.az.deg),
        "pier": star.pier,
        "amplification": _number(star.amplification),
        "centring_arcsec": _value(star.centring),
        "model_error_arcsec": _value(star.model_error),
        "accuracy_arcsec": _value(star.accuracy),
        "creep_arcsec_per_min": _value(star.creep),
        "camera": None
        if view is None
        else {
            "roll_in_tube_deg": _number(np.degrees(view.angle_rad)),
            "mirrored": view.mirrored,
            "parity_known": view.parity_known,
            "source": view.source,
        },
        "commands": [
            {"utc": str(iso(moment, 0)), **_command(star, moment)} for moment in command_times(star)
        ],
        "whole": _step_answer(star.blind) | _command(star),
        "steps": [_step_answer(step) | _command(star, step=number) for number, step in enumerate(star.steps)],
    }


def _command(star: AdjustingStar, moment: Time | None = None, step: int = -1) -> dict[str, Any]:
    hour_angle, dec = star.axes(moment, step).value
    place = star.icrs(moment, step)
    return {
        "hour_angle_deg": _number(hour_angle),
        "dec_deg": _number(dec),
        "ra_icrs_deg": _number(place.ra.deg),
        "dec_icrs_deg": _number(place.dec.deg),
    }


def _step_answer(step: StarStep) -> dict[str, Any]:
    return {
        "share": _number(step.share),
        "on_chip": step.on_chip,
        "places": [
            {
                "moment": place.moment,
                "offset_arcmin": _number(np.degrees(place.offset_rad) * 60.0),
                "x_px": None if place.pixels is None else _number(place.pixels[0], 1),
                "y_px": None if place.pixels is None else _number(place.pixels[1], 1),
                "on_chip": place.on_chip,
            }
            for place in step.places
        ],
    }


def compare_answer(comparison: Comparison) -> dict[str, Any]:
    """Keys of `compare`."""
    names = ("altitude", "azimuth") if comparison.before.equatorial else ("tilt_north", "tilt_east")
    return {
        "before": polar_answer(comparison.before),
        "after": polar_answer(comparison.after),
        "limit_arcmin": _value(comparison.limit),
        "upper_total_arcmin": _value(comparison.upper_total),
        "within_limit": comparison.within_limit,
        "changes": [
            {"term": name, "arcmin": _number(change), "stderr_arcmin": _number(error)}
            for name, (change, error) in zip(names, comparison.changes_arcmin, strict=True)
        ],
        "adjusters": [
            {
                "adjuster": each.adjuster,
                "asked_arcmin": _number(each.asked_arcmin),
                "made_arcmin": _number(each.made_arcmin),
                "made_stderr_arcmin": _number(each.stderr_arcmin),
                "miss_arcmin": _number(each.miss_arcmin),
                "p": float(f"{each.p:.6g}"),
                "verdict": each.verdict,
                "sentence": each.sentence,
            }
            for each in comparison.adjusters
        ],
        "terms": [
            {
                "name": str(row["term"]),
                "before_arcsec": _value(row["before"]),
                "after_arcsec": _value(row["after"]),
                "change_arcsec": _value(row["change"]),
                "change_stderr_arcsec": _value(row["stderr"]),
                "p": float(f"{float(row['p']):.6g}"),
                "verdict": str(row["verdict"]),
            }
            for row in comparison.terms
        ],
        "next_moves": [move.adjuster for move in comparison.next_moves],
        "sentences": list(comparison.sentences),
    }


def size_answer(need: PointsNeeded, learning: LearningCurve | None = None) -> dict[str, Any]:
    """Keys of `size`."""
    columns = {
        "points": "points",
        "sky_rms_arcsec": "sky_rms",
        "sky_rms_upper_arcsec": "sky_rms_upper",
        "sky_p95_arcsec": "sky_p95",
        "detectable_arcsec": "detectable",
        "minutes": "minutes",
    }
    informed = need.informed
    return {
        "recommended": need.recommended,
        "smallest": need.smallest,
        "target_arcsec": _value(need.target),
        "sigma_arcsec": _value(need.sigma),
        "sigma_upper_arcsec": _value(need.sigma_upper),
        "terms": list(need.terms),
        "failed_share": need.failed_share,
        "table": _rows(need.table, columns),
        "informed": None
        if informed is None
        else {
            "recommended": informed.recommended,
            "smallest": informed.smallest,
            "table": _rows(informed.table, columns),
        },
        "learning": None if learning is None else learning_answer(learning),
        "sentence": str(need),
    }


def learning_answer(learning: LearningCurve) -> dict[str, Any]:
    """Keys of `learning` in the answer of `size`."""
    columns = {
        "points": "points",
        "sky_rms_arcsec": "sky_rms",
        "sky_rms_upper_arcsec": "sky_rms_upper",
        "missed_arcsec": "missed",
        "expected_arcsec": "expected",
    }
    return {
        "points": learning.points,
        "would_have_done": learning.would_have_done,
        "target_arcsec": _value(learning.target),
        "sigma_arcsec": _value(learning.sigma),
        "missed_over_expected": _number(learning.missed_over_expected, 4),
        "table": _rows(learning.table, columns),
        "sentence": str(learning),
    }


def progress_answer(found: RunProgress) -> dict[str, Any]:
    """Keys of `progress`."""
    return {
        "taken": found.taken,
        "target_arcsec": _value(found.target),
        "sigma_arcsec": _value(found.sigma),
        "sky_rms_arcsec": _value(found.sky_rms),
        "sky_rms_upper95_arcsec": _value(found.sky_rms_upper95),
        "enough": found.enough,
        "reachable": found.reachable,
        "more": found.more,
        "next_points": [
            {
                "point": int(row["point"]),
                "alt_deg": _value(row["alt"]),
                "az_deg": _value(row["az"]),
                "pier": str(row["pier"]) or None,
                "sky_rms_arcsec": _value(row["sky_rms"]),
                "sky_rms_upper95_arcsec": _value(row["sky_rms_upper95"]),
            }
            for row in found.next_points
        ],
        "terms": list(found.terms),
        "sentence": str(found),
    }


def history_answer(past: History) -> dict[str, Any]:
    """Keys of `history`."""
    return {
        "models": [
            {
                "moment": moment,
                "source": model.run.source or None,
                "start_utc": model.run.start_utc or None,
                "end_utc": model.run.end_utc or None,
                "used": model.run.used,
                "session": model.run.session or None,
            }
            for moment, model in zip(past.moments, past.models, strict=True)
        ],
        "changes": [
            {
                "term": each.term,
                "since": each.since,
                "until": each.until,
                "change_arcsec": _number(each.change_rad / ARCSEC),
                "stderr_arcsec": _number(each.stderr_rad / ARCSEC),
                "sigmas": _number(each.sigmas, 2),
                "dof": _number(each.dof, 2),
                "p": float(f"{each.p:.6g}"),
                "moved": each.moved,
                "verdict": each.verdict,
                "sentence": each.sentence or None,
            }
            for each in past.changes
        ],
        "axis": [
            {
                "since": each.since,
                "until": each.until,
                "total_arcmin": _value(each.total),
                "total_stderr_arcmin": _value(each.stderr),
            }
            for each in past.axis
        ],
        "sentences": list(past.sentences),
    }


def tracking_answer(found: Tracking) -> dict[str, Any]:
    """Keys of `tracking`."""
    from skysample.tracking_quality import PRACTICE_ARCSEC

    return {
        "rows": len(found.log),
        "lost": found.log.lost,
        "span_s": _number(found.log.span_s),
        "source": found.log.source,
        "corrections": found.log.corrections,
        "practice_arcsec": list(PRACTICE_ARCSEC),
        "components": [
            {
                "name": each.name,
                "logged_rms_arcsec": _number(each.logged_rms_arcsec),
                "removed": [
                    {
                        "cause": part.cause,
                        "rms_arcsec": _number(part.rms_arcsec),
                        "share": _number(part.share),
                    }
                    for part in each.removed
                ],
                "predicted_arcsec_per_min": _number(each.predicted_arcsec_per_min),
                "drift_arcsec_per_min": _number(each.drift_arcsec_per_min),
                "drift_stderr_arcsec_per_min": _number(each.drift_stderr_arcsec_per_min),
                "rms_arcsec": _number(each.rms_arcsec),
                "sky_factor": _number(each.sky_factor),
                "sky_rms_arcsec": _number(each.sky_rms_arcsec),
                "verdict": each.verdict,
                "periods": [_period(period) for period in each.periods],
                "strongest": None if each.strongest is None else _period(each.strongest),
                "noise_arcsec": _number(each.noise_arcsec),
                "shortest_s": _number(each.shortest_s),
                "longest_s": _number(each.longest_s),
            }
            for each in found.components
        ],
        "condition": found.condition or None,
        "sentences": list(found.sentences),
    }


def _period(period: Period) -> dict[str, Any]:
    return {
        "period_s": _number(period.period_s),
        "period_stderr_s": _number(period.period_stderr_s),
        "amplitude_arcsec": _number(period.amplitude_arcsec),
        "amplitude_stderr_arcsec": _number(period.amplitude_stderr_arcsec),
        "chance": float(f"{period.chance:.6g}"),
    }


def plugins_answer(registry: Registry) -> dict[str, Any]:
    """Keys of `plugins`."""
    return {
        "plugins": [
            {
                "name": each.name,
                "distribution": each.distribution,
                "version": each.version,
                "hooks": list(each.hooks),
                "problem": each.problem or None,
            }
            for each in registry.installed
        ]
    }

"""Results as plain values: what `--json` prints, with the keys of the contract."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    from skysample.scoring import Score, SkyError
    from skysample.sizing import PointsNeeded
    from skysample.tracking_drift import Trails
    from skysample.tracking_quality import Tracking

__all__ = [
    "compare_answer",
    "fit_answer",
    "history_answer",
    "plan_answer",
    "plugins_answer",
    "polar_answer",
    "size_answer",
    "tracking_answer",
]


def _number(value: float | None, digits: int = 6) -> float | None:
    if value is None or not np.isfinite(value):
        return None
    return round(float(value), digits)


def _value(quantity: Quantity | None) -> float | None:
    return None if quantity is None else _number(float(quantity.value))


def _pixels(arcsec: float | None, pixel_arcsec: float | None) -> float | None:
    return None if arcsec is None or pixel_arcsec is None else _number(arcsec / pixel_arcsec)


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
    model: FittedModel, score: Score, error: SkyError, hints: tuple[str, ...], left: Structure
) -> dict[str, Any]:
    """Keys of `fit`."""
    terms = model.terms
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
                "name": str(row["name"]),
                "value_arcsec": _value(row["value"]),
                "stderr_arcsec": _value(row["stderr"]),
                "ci95_arcsec": _value(row["ci95"]),
                "t": _number(row["t"], 4),
                "p": float(f"{float(row['p']):.6g}"),
                "verdict": str(row["verdict"]),
            }
            for row in terms
        ],
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


def polar_answer(alignment: PolarAlignment, trails: Trails | None = None) -> dict[str, Any]:
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
            }
            for move in alignment.moves
        ],
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


def size_answer(need: PointsNeeded) -> dict[str, Any]:
    """Keys of `size`."""
    return {
        "recommended": need.recommended,
        "smallest": need.smallest,
        "target_arcsec": _value(need.target),
        "sigma_arcsec": _value(need.sigma),
        "sigma_upper_arcsec": _value(need.sigma_upper),
        "terms": list(need.terms),
        "failed_share": need.failed_share,
        "table": [
            {
                "points": int(row["points"]),
                "sky_rms_arcsec": _value(row["sky_rms"]),
                "sky_p95_arcsec": _value(row["sky_p95"]),
                "detectable_arcsec": _value(row["detectable"]),
                "minutes": _value(row["minutes"]),
            }
            for row in need.table
        ],
        "sentence": str(need),
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

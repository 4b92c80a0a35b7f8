"""What `polar --json` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.alignment.instructions import aim_sentences, bolt_steps, told
from skysample.cli.answers.star import star_answer
from skysample.cli.answers.values import number, value
from skysample.geometry import ARCSEC
from skysample.tracking_errors.trails import TOLERANCE_PX, trail

if TYPE_CHECKING:
    from skysample.alignment import PolarAlignment
    from skysample.alignment.star import AdjustingStar
    from skysample.tracking_errors.trails import Trails

__all__ = ["polar_answer"]


def polar_answer(
    alignment: PolarAlignment,
    star: AdjustingStar | None = None,
    no_star: str | None = None,
    trails: Trails | None = None,
) -> dict[str, Any]:
    """Keys of `polar`; those of the other mount kind are null."""
    t = alignment.t_limit
    trails = trails or trail(alignment)
    pixel = trails.pixel_arcsec
    tracking = alignment.tracking
    first, second = (float(error) / ARCSEC / 60.0 for error in alignment.stderr_rad)
    equatorial = alignment.equatorial
    answer: dict[str, Any] = {
        "altitude_error_arcmin": value(alignment.altitude_error),
        "altitude_error_refracted_arcmin": value(alignment.altitude_error_refracted),
        "altitude_stderr_arcmin": value(alignment.altitude_stderr),
        "altitude_ci95_arcmin": number(t * first) if equatorial else None,
        "azimuth_error_arcmin": value(alignment.azimuth_error),
        "azimuth_stderr_arcmin": value(alignment.azimuth_stderr),
        "azimuth_ci95_arcmin": number(t * second) if equatorial else None,
        "dof": alignment.dof,
        "points": None if alignment.model is None else alignment.model.run.points,
        "used": None if alignment.model is None else alignment.model.run.used,
        "rms_arcsec": None if alignment.model is None else number(alignment.model.run.rms_rad / ARCSEC),
        "total_error_arcmin": value(alignment.total_error),
        "left_arcmin": value(alignment.left),
        "moves": [
            {
                "adjuster": move.adjuster,
                "direction": move.direction,
                "arcmin": number(move.arcmin),
                "stderr_arcmin": number(move.stderr_arcmin),
                "turns": None if move.turns is None else number(move.turns, 4),
                "bolt": move.bolt,
                "arcmin_per_turn": number(move.arcmin_per_turn, 4),
                "crosstalk_arcmin": number(move.crosstalk_arcmin),
                "steps": list(bolt_steps(move, alignment)) or [told(move, alignment)],
            }
            for move in alignment.moves
        ],
        "feet": [
            {
                "az_deg": foot.az_deg,
                "raise_mm": number(foot.raise_mm, 4),
                "stderr_mm": number(foot.stderr_mm, 4),
                "turns": number(foot.turns, 4),
                "bolt": foot.bolt,
            }
            for foot in alignment.feet
        ],
        "sentences": list(aim_sentences(alignment)),
        "drift_arcsec_per_min": number(tracking.drift_arcsec_per_min),
        "drift_place": _place(tracking.drift_place_deg),
        "field_rotation_deg_per_hour": number(tracking.rotation_deg_per_hour),
        "field_rotation_place": _place(tracking.rotation_place_deg),
        "refraction_drift_arcsec_per_min": number(trails.refraction_arcsec_per_min),
        "refraction_drift_place": _place(trails.refraction_place_deg),
        "inherent_rotation_deg_per_hour": number(trails.inherent_deg_per_hour),
        "inherent_rotation_place": _place(trails.inherent_place_deg),
        "at": _place(trails.at_deg),
        "tolerance_px": TOLERANCE_PX,
        "trails": [
            {
                "minutes": number(row.minutes),
                "drift_arcsec": number(row.drift_arcsec),
                "turn_without_deg": number(row.turn_without_deg, 9),
                "turn_with_deg": number(row.turn_with_deg, 9),
                "turn_place": _place(row.turn_place_deg),
                "corner_without_px": _pixels(row.corner_without_arcsec, pixel),
                "corner_with_px": _pixels(row.corner_with_arcsec, pixel),
                "enough_without_arcmin": number(row.enough_without_arcmin),
                "enough_with_arcmin": number(row.enough_with_arcmin),
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
            "tilt_north_arcmin": value(alignment.tilt_north),
            "tilt_east_arcmin": value(alignment.tilt_east),
            "tilt_north_stderr_arcmin": number(first),
            "tilt_east_stderr_arcmin": number(second),
            "tilt_north_ci95_arcmin": number(t * first),
            "tilt_east_ci95_arcmin": number(t * second),
            "clock_error_arcsec_per_s": number(15.041 * float(np.cos(alignment.site.location.latitude_rad))),
        }
    return answer


def _pixels(arcsec: float | None, pixel_arcsec: float | None) -> float | None:
    return None if arcsec is None or pixel_arcsec is None else number(arcsec / pixel_arcsec)


def _place(place: tuple[float, float] | None) -> dict[str, float] | None:
    return None if place is None else {"alt_deg": place[0], "az_deg": place[1]}

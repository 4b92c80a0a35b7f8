"""What `size --json` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.cli.answers.values import number, rows, value

if TYPE_CHECKING:
    from skysample.sizing import LearningCurve, PointsNeeded

__all__ = ["learning_answer", "size_answer"]


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
        "target_arcsec": value(need.target),
        "sigma_arcsec": value(need.sigma),
        "sigma_upper_arcsec": value(need.sigma_upper),
        "terms": list(need.terms),
        "failed_share": need.failed_share,
        "table": rows(need.table, columns),
        "informed": None
        if informed is None
        else {
            "recommended": informed.recommended,
            "smallest": informed.smallest,
            "table": rows(informed.table, columns),
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
        "target_arcsec": value(learning.target),
        "sigma_arcsec": value(learning.sigma),
        "missed_over_expected": number(learning.missed_over_expected, 4),
        "table": rows(learning.table, columns),
        "sentence": str(learning),
    }

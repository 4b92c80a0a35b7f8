"""What `tracking --json` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.cli.answers.values import number, probability
from skysample.tracking_errors.component import PRACTICE_ARCSEC

if TYPE_CHECKING:
    from skysample.tracking_errors.periodic_errors import Period
    from skysample.tracking_errors.quality import Tracking

__all__ = ["tracking_answer"]


def tracking_answer(found: Tracking) -> dict[str, Any]:
    """Keys of `tracking`."""
    return {
        "rows": len(found.log),
        "lost": found.log.lost,
        "span_s": number(found.log.span_s),
        "source": found.log.source,
        "corrections": found.log.corrections,
        "practice_arcsec": list(PRACTICE_ARCSEC),
        "components": [
            {
                "name": each.name,
                "logged_rms_arcsec": number(each.logged_rms_arcsec),
                "removed": [
                    {
                        "cause": part.cause,
                        "rms_arcsec": number(part.rms_arcsec),
                        "share": number(part.share),
                    }
                    for part in each.removed
                ],
                "predicted_arcsec_per_min": number(each.predicted_arcsec_per_min),
                "drift_arcsec_per_min": number(each.drift_arcsec_per_min),
                "drift_stderr_arcsec_per_min": number(each.drift_stderr_arcsec_per_min),
                "rms_arcsec": number(each.rms_arcsec),
                "sky_factor": number(each.sky_factor),
                "sky_rms_arcsec": number(each.sky_rms_arcsec),
                "verdict": each.verdict,
                "periods": [_period(period) for period in each.periods],
                "strongest": None if each.strongest is None else _period(each.strongest),
                "noise_arcsec": number(each.noise_arcsec),
                "shortest_s": number(each.shortest_s),
                "longest_s": number(each.longest_s),
            }
            for each in found.components
        ],
        "condition": found.condition or None,
        "sentences": list(found.sentences),
    }


def _period(period: Period) -> dict[str, Any]:
    return {
        "period_s": number(period.period_s),
        "period_stderr_s": number(period.period_stderr_s),
        "amplitude_arcsec": number(period.amplitude_arcsec),
        "amplitude_stderr_arcsec": number(period.amplitude_stderr_arcsec),
        "chance": probability(period.chance),
    }

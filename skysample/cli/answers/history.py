"""What `history --json` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.cli.answers.values import number, probability, value
from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from skysample.alignment.history import History

__all__ = ["history_answer"]


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
                "change_arcsec": number(each.change_rad / ARCSEC),
                "stderr_arcsec": number(each.stderr_rad / ARCSEC),
                "sigmas": number(each.sigmas, 2),
                "dof": number(each.dof, 2),
                "p": probability(each.p),
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
                "total_arcmin": value(each.total),
                "total_stderr_arcmin": value(each.stderr),
            }
            for each in past.axis
        ],
        "sentences": list(past.sentences),
    }

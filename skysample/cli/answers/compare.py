"""What `compare --json` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.cli.answers.polar import polar_answer
from skysample.cli.answers.values import number, probability, value

if TYPE_CHECKING:
    from skysample.alignment.comparing import Comparison

__all__ = ["compare_answer"]


def compare_answer(comparison: Comparison) -> dict[str, Any]:
    """Keys of `compare`."""
    names = ("altitude", "azimuth") if comparison.before.equatorial else ("tilt_north", "tilt_east")
    return {
        "before": polar_answer(comparison.before),
        "after": polar_answer(comparison.after),
        "limit_arcmin": value(comparison.limit),
        "upper_total_arcmin": value(comparison.upper_total),
        "within_limit": comparison.within_limit,
        "changes": [
            {"term": name, "arcmin": number(change), "stderr_arcmin": number(error)}
            for name, (change, error) in zip(names, comparison.changes_arcmin, strict=True)
        ],
        "adjusters": [
            {
                "adjuster": each.adjuster,
                "asked_arcmin": number(each.asked_arcmin),
                "made_arcmin": number(each.made_arcmin),
                "made_stderr_arcmin": number(each.stderr_arcmin),
                "miss_arcmin": number(each.miss_arcmin),
                "p": probability(each.p),
                "verdict": each.verdict,
                "sentence": each.sentence,
            }
            for each in comparison.adjusters
        ],
        "terms": [
            {
                "name": str(row["term"]),
                "before_arcsec": value(row["before"]),
                "after_arcsec": value(row["after"]),
                "change_arcsec": value(row["change"]),
                "change_stderr_arcsec": value(row["stderr"]),
                "p": probability(float(row["p"])),
                "verdict": str(row["verdict"]),
            }
            for row in comparison.terms
        ],
        "next_moves": [move.adjuster for move in comparison.next_moves],
        "sentences": list(comparison.sentences),
    }

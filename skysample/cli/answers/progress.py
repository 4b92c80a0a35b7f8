"""What `progress --json` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.cli.answers.values import value

if TYPE_CHECKING:
    from skysample.sizing.stopping import RunProgress

__all__ = ["progress_answer"]


def progress_answer(found: RunProgress) -> dict[str, Any]:
    """Keys of `progress`."""
    return {
        "taken": found.taken,
        "target_arcsec": value(found.target),
        "sigma_arcsec": value(found.sigma),
        "sky_rms_arcsec": value(found.sky_rms),
        "sky_rms_upper95_arcsec": value(found.sky_rms_upper95),
        "enough": found.enough,
        "reachable": found.reachable,
        "more": found.more,
        "next_points": [
            {
                "point": int(row["point"]),
                "alt_deg": value(row["alt"]),
                "az_deg": value(row["az"]),
                "pier": str(row["pier"]) or None,
                "sky_rms_arcsec": value(row["sky_rms"]),
                "sky_rms_upper95_arcsec": value(row["sky_rms_upper95"]),
            }
            for row in found.next_points
        ],
        "terms": list(found.terms),
        "sentence": str(found),
    }

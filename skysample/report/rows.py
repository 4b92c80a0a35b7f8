"""Rows of the record's tables, as text, in the signs of a terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from skysample.geometry import ARCSEC
from skysample.report.sentences import total
from skysample.report.typography import probability, signed

if TYPE_CHECKING:
    from skysample.alignment import PolarAlignment
    from skysample.alignment.history import History
    from skysample.fitting import FittedModel
    from skysample.report.record import AxisFinding, Record
    from skysample.sizing import PointsNeeded
    from skysample.tracking_errors.quality import Tracking
    from skysample.tracking_errors.trails import Trails

__all__ = [
    "TERM_MEANINGS",
    "axis_findings",
    "axis_rows",
    "history_rows",
    "size_rows",
    "term_rows",
    "tracking_names",
    "tracking_rows",
    "trail_rows",
]

TERM_MEANINGS = {
    "polar_altitude": "height of the polar axis above the pole",
    "polar_azimuth": "polar axis east of the pole, about the vertical",
    "tilt_north": "lean of the azimuth axis to the north",
    "tilt_east": "lean of the azimuth axis to the east",
    "primary_zero": "zero of the primary encoder",
    "secondary_zero": "zero of the secondary encoder",
    "axis_skew": "the two axes not square to each other",
    "cone": "tube not square to the secondary axis",
    "tube_flexure": "tube sagging under its weight",
    "fork_flexure": "fork bending under its load",
    "primary_sin": "primary encoder off centre, sine part",
    "primary_cos": "primary encoder off centre, cosine part",
    "secondary_sin": "secondary encoder off centre, sine part",
    "secondary_cos": "secondary encoder off centre, cosine part",
}
"""In words, for whoever does not know the names of the core's terms."""


def axis_rows(record: Record) -> list[list[str]]:
    """Two axis errors and the total, signed: name, and one value for each run."""
    names = (
        ("Lean north (+), south (-)", "Lean east (+), west (-)", "In all")
        if record.site.mount.kind == "altaz"
        else ("Above (+), below (-) the pole", "East (+), west (-) of it", "In all, on the sky")
    )
    columns = [_axis_column(each.alignment) for _, each in axis_findings(record)]
    return [[name, *(column[i] for column in columns)] for i, name in enumerate(names)]


def axis_findings(record: Record) -> list[tuple[str, AxisFinding]]:
    """What each run says about the axis, by its name."""
    quick = [("First run", record.before), ("Second run", record.after)]
    found = [(name, each.axis) for name, each in quick if each is not None]
    return [*found, ("Final run", record.axis)]


def _axis_column(alignment: PolarAlignment | None) -> list[str]:
    if alignment is None:
        return ["not determined"] * 3
    per = math.degrees(1.0) * 60.0
    values = (alignment.first_rad, alignment.second_rad)
    parts = [
        signed(value * per, float(error) * per, "'")
        for value, error in zip(values, alignment.stderr_rad, strict=True)
    ]
    return [*parts, total(alignment)]


def term_rows(model: FittedModel) -> list[list[str]]:
    """Name, value, error, half width, t, p and verdict of each term."""
    return [
        [
            str(row["name"]),
            f"{row['value'].value:+.2f}",
            f"{row['stderr'].value:.2f}",
            f"{row['ci95'].value:.2f}",
            f"{row['t']:.1f}",
            probability(float(row["p"])),
            str(row["verdict"]),
        ]
        for row in model.terms
    ]


def size_rows(need: PointsNeeded) -> list[list[str]]:
    """Points, error over the sky, smallest detectable term, minutes and choice."""
    return [
        [
            f"{int(row['points'])}",
            *(f"{row[name].value:.2f}" for name in ("sky_rms", "sky_rms_upper", "sky_p95", "detectable")),
            f"{row['minutes'].value:.0f}",
            "recommended" if int(row["points"]) == need.recommended else "",
        ]
        for row in need.table
    ]


def trail_rows(trails: Trails) -> list[list[str]]:
    """Time; drift, trail in the corner and good enough without the model; turn and the same two with it."""
    pixel = trails.pixel_arcsec
    return [
        [
            f"{60.0 * row.minutes:g} s" if row.minutes < 1.0 else f"{row.minutes:g} min",
            f'{row.drift_arcsec:.2f}"',
            _pixels(row.corner_without_arcsec, pixel),
            _limit(row.enough_without_arcmin),
            f"{row.turn_with_deg:.2g}°" if row.turn_with_deg >= 1e-4 else "< 0.0001°",
            _pixels(row.corner_with_arcsec, pixel),
            _limit(row.enough_with_arcmin),
        ]
        for row in trails.rows
    ]


def _pixels(arcsec: float | None, pixel_arcsec: float | None) -> str:
    return "-" if arcsec is None or pixel_arcsec is None else f"{arcsec / pixel_arcsec:.2f}"


def _limit(arcmin: float | None) -> str:
    if arcmin is None:
        return "-"
    return f"{arcmin / 60.0:.1f}°" if arcmin >= 100.0 else f"{arcmin:.3g}'"


def history_rows(past: History) -> list[list[str]]:
    """Term, change since the model before, its error, p and verdict."""
    last = past.moments[-2:]
    return [
        [
            each.term,
            f"{each.change_rad / ARCSEC:+.2f}",
            f"{each.stderr_rad / ARCSEC:.2f}",
            probability(each.p),
            each.verdict,
        ]
        for each in past.changes
        if (each.since, each.until) == tuple(last)
    ]


def tracking_rows(found: Tracking) -> list[list[str]]:
    """Cause; then for each component what is left of the log without it, and the share of the log that it was."""
    return [
        [
            parts[0].cause,
            *(cell for part in parts for cell in (f'{part.rms_arcsec:.3f}"', f"{100.0 * part.share:.1f} %")),
        ]
        for parts in zip(*(each.removed for each in found.components), strict=True)
    ]


def tracking_names(found: Tracking) -> list[str]:
    """Head a column each of `tracking_rows`."""
    return ["Taken out", *(name for each in found.components for name in (f"{each.name}, left", "Share"))]

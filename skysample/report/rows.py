"""Facts and tables of the record as text, in the signs of a terminal; `typeset` puts in those of a page."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.times import iso
from skysample.fitting.scaled_design import WEAK
from skysample.site.mount_axes import limits

if TYPE_CHECKING:
    from collections.abc import Callable

    from astropy.table import QTable

    from skysample.alignment import PolarAlignment
    from skysample.alignment.history import History
    from skysample.fitting import FittedModel
    from skysample.report.record import AxisFinding, Record
    from skysample.runs import Run
    from skysample.scoring.judged import JudgedFit
    from skysample.site import Axis, Site, Wedge
    from skysample.sizing import PointsNeeded
    from skysample.sky import UsableSky
    from skysample.tracking_errors.quality import Tracking
    from skysample.tracking_errors.trails import Trails

    Facts = list[tuple[str, str]]
    Rows = list[list[str]]

TERM_MEANINGS = {
    "polar_altitude": "altitude of the polar axis above the pole",
    "polar_azimuth": "polar axis east of the pole, about the vertical",
    "tilt_north": "azimuth axis leaning north",
    "tilt_east": "azimuth axis leaning east",
    "primary_zero": "zero of the primary encoder",
    "secondary_zero": "zero of the secondary encoder",
    "axis_skew": "axes not perpendicular to each other",
    "cone": "tube not perpendicular to the secondary axis",
    "tube_flexure": "tube sagging under its weight",
    "fork_flexure": "fork bending under its load",
    "primary_sin": "primary encoder off centre, sine part",
    "primary_cos": "primary encoder off centre, cosine part",
    "secondary_sin": "secondary encoder off centre, sine part",
    "secondary_cos": "secondary encoder off centre, cosine part",
}
"""What the names of the core's terms mean."""

_SIGNS = (
    (r" \+- ", "\N{NO-BREAK SPACE}\N{PLUS-MINUS SIGN}\N{NO-BREAK SPACE}"),
    (r"\+-", "\N{PLUS-MINUS SIGN}"),
    (r"(?<=\d) deg\b", "°"),
    (r"(?<=\d)'", "\N{PRIME}"),
    (r'(?<=\d)"', "\N{DOUBLE PRIME}"),
    (r"'", "\N{RIGHT SINGLE QUOTATION MARK}"),
    (r"(?<![\w.-])-(?=\d)", "\N{MINUS SIGN}"),
)
_MOUNTS = {
    "fork": "equatorial fork, no pier flip",
    "german": "German equatorial, with a pier flip",
    "altaz": "altazimuth",
}


def typeset(text: str) -> str:
    """Put primes, minus and plus-minus signs into a line written for a terminal."""
    for plain, sign in _SIGNS:
        text = re.sub(plain, sign, text)
    return text


def measured(value: float, error: float, unit: str) -> str:
    """Write a number with its error, to as many decimals as the error bears: 37.42' +- 0.08'."""
    decimals = 1 if error >= 0.1 else 2 if error >= 0.005 or error == 0.0 else 3
    return f"{value:.{decimals}f}{unit} +- {error:.{decimals}f}{unit}"


def signed(value: float, error: float, unit: str) -> str:
    """Write a number with its sign and error; without a sign where it rounds to zero."""
    text = measured(abs(value), error, unit)
    return text if float(text.partition(unit)[0]) == 0.0 else ("-" if value < 0.0 else "+") + text


def probability(p: float) -> str:
    """Write a probability."""
    return "< 0.0001" if p < 1e-4 else f"{p:.4f}"


def total(alignment: PolarAlignment) -> str:
    """Write the angle between the axis and where it should point, with its error."""
    return measured(float(alignment.total_error.value), float(alignment.left.value), "'")


def site_facts(site: Site, sky: UsableSky) -> Facts:
    """Where the telescope is, and how much of the sky it can use."""
    place = site.location
    latitude, longitude = abs(place.latitude_deg), abs(place.longitude_deg)
    north = "north" if place.latitude_deg >= 0.0 else "south"
    east = "east" if place.longitude_deg >= 0.0 else "west"
    lost = ", ".join(
        f"{loss.obstruction} {_share(loss.removed_sr)}" for loss in sky.taken if loss.removed_sr > 0.0
    )
    return [
        ("Place", f"{latitude:.5f}° {north}, {longitude:.5f}° {east}"),
        ("Elevation", f"{place.elevation_m:g} m"),
        ("Air", f"{place.temperature_c:g} °C, {place.station_pressure_hpa:.0f} hPa"),
        ("Usable sky", f"{_share(sky.area_sr)} of the hemisphere"),
        ("Sky lost", f"{lost} (each cause alone; they overlap)" if lost else "none"),
    ]


def _share(solid_angle_sr: float) -> str:
    return f"{50.0 * solid_angle_sr / math.pi:.0f} % ({solid_angle_sr:.2f} sr)"


def instrument_facts(site: Site) -> Facts:
    """Mount, dome, camera and wedge as the site file describes them."""
    mount, dome, camera = site.mount, site.dome, site.camera
    primary, secondary = np.degrees(limits(mount))
    inside = "none"
    if dome is not None:
        inside = f"radius {dome.radius_m:g} m, slit {dome.slit_width_m:g} m, beam {dome.beam_m:g} m"
        inside = f"{inside}, {dome.rate_deg_s:g}°/s"
    pixel = "" if camera.pixel_arcsec is None else f', {camera.pixel_arcsec:g}" per pixel'
    return [
        ("Mount", _MOUNTS[mount.kind]),
        ("Primary axis", _axis(mount.primary, primary)),
        ("Secondary axis", _axis(mount.secondary, secondary)),
        ("Dome", inside),
        ("Camera", f"{camera.exposure_s:g} s exposures, {camera.overhead_s:g} s overhead{pixel}"),
        ("Wedge", "not described" if site.wedge is None else _wedge(site.wedge)),
    ]


def _axis(axis: Axis, bounds: Any) -> str:
    return f"{axis.rate_deg_s:g}°/s, {axis.accel_deg_s2:g}°/s², from {bounds[0]:g}° to {bounds[1]:g}°"


def _wedge(wedge: Wedge) -> str:
    bolts = (
        ("altitude", wedge.altitude_arm_mm, wedge.altitude_pitch_mm),
        ("azimuth", wedge.azimuth_arm_mm, wedge.azimuth_pitch_mm),
    )
    parts = [
        f"{name} bolt {arm:g} mm from its hinge, {pitch:g} mm per turn"
        for name, arm, pitch in bolts
        if arm is not None and pitch is not None
    ]
    hinge = "on the azimuth stage" if wedge.hinge == "on_azimuth" else "on the ground"
    return "; ".join([*parts, f"altitude hinge {hinge}"])


def run_facts(run: Run, model: FittedModel | None) -> Facts:
    """When a run was taken, how many of its points count, and what its readings are."""
    used = f", {model.run.used} used" if model is not None else ""
    facts = [
        ("Points", f"{run.points} solved{used}, {run.failed} failed"),
        ("Encoder readings", f"{run.axes_kind}; pointing model in the mount {run.old_model}"),
    ]
    if run.time is not None:
        start, end = (str(iso(each, 0)).replace("T", " ") for each in (run.time.min(), run.time.max()))
        facts.insert(0, ("Taken", f"{start} to {end} UTC"))
    return [*facts, ("Session", run.session)] if run.session else facts


def score_facts(final: JudgedFit) -> Facts:
    """How well the model stands up to its own run."""
    model, score, error = final.model, final.score, final.error
    return [
        ("Points used", f"{model.run.used} of {model.run.points}"),
        ("Residual", f'{score.rms.value:.2f}" RMS'),
        ("Leave-one-out", f'{score.loo_rms.value:.2f}" RMS error'),
        ("Noise", f'{model.sigma.value:.2f}" per axis, {model.dof} degrees of freedom'),
        (
            "Model error",
            f'{error.rms.value:.2f}" RMS; below {error.p95.value:.2f}" on 95 % of the usable sky',
        ),
        ("Condition number", f"{model.condition:.1f} (good below {WEAK:.0f})"),
    ]


def axis_findings(record: Record) -> list[tuple[str, AxisFinding]]:
    """What each run says about the axis, by the run's name."""
    quick = [("First run", record.before), ("Second run", record.after)]
    return [*((name, each.axis) for name, each in quick if each is not None), ("Final run", record.axis)]


def axis_rows(record: Record) -> Rows:
    """Both axis errors and the total, signed: name, and one value for each run."""
    names = ("Above (+), below (-) the pole", "East (+), west (-) of it", "Total, on the sky")
    if record.site.mount.kind == "altaz":
        names = ("Lean north (+), south (-)", "Lean east (+), west (-)", "Total")
    columns = [names, *(_axis_column(each.alignment) for _, each in axis_findings(record))]
    return [list(row) for row in zip(*columns, strict=True)]


def _axis_column(alignment: PolarAlignment | None) -> list[str]:
    if alignment is None:
        return ["not determined"] * 3
    values = np.degrees((alignment.first_rad, alignment.second_rad)) * 60.0
    errors = np.degrees(alignment.stderr_rad) * 60.0
    return [*(signed(*each, "'") for each in zip(values, errors, strict=True)), total(alignment)]


def _cells(table: QTable, **formats: Callable[[Any], str]) -> Rows:
    """Rows of some columns of a table, each cell written by its column's format."""
    columns = [
        [write(getattr(cell, "value", cell)) for cell in table[name]] for name, write in formats.items()
    ]
    return [list(row) for row in zip(*columns, strict=True)]


def term_rows(model: FittedModel) -> Rows:
    """Name, value, error, half width, t, p and verdict of each term."""
    value, number = "{:+.2f}".format, "{:.2f}".format
    return _cells(
        model.terms,
        name=str,
        value=value,
        stderr=number,
        ci95=number,
        t="{:.1f}".format,
        p=probability,
        verdict=str,
    )


def size_rows(need: PointsNeeded) -> Rows:
    """Points, error over the sky, smallest detectable term, minutes, and which is recommended."""
    whole, numbers = "{:.0f}".format, ("sky_rms", "sky_rms_upper", "sky_p95", "detectable")
    cells = _cells(need.table, points=whole, **dict.fromkeys(numbers, "{:.2f}".format), minutes=whole)
    return [[*row, "recommended" if row[0] == f"{need.recommended}" else ""] for row in cells]


def trail_rows(trails: Trails) -> Rows:
    """Time; drift, corner trail and limit without the model; field rotation and the same two with it."""
    return _cells(
        trails.table,
        time=_time,
        drift='{:.2f}"'.format,
        corner_without_px=_pixels,
        enough_without=_limit,
        turn_with=_turn,
        corner_with_px=_pixels,
        enough_with=_limit,
    )


def _time(minutes: float) -> str:
    return f"{60.0 * minutes:g} s" if minutes < 1.0 else f"{minutes:g} min"


def _pixels(pixels: float) -> str:
    return "-" if math.isnan(pixels) else f"{pixels:.2f}"


def _limit(arcmin: float) -> str:
    if math.isnan(arcmin):
        return "-"
    return f"{arcmin / 60.0:.1f}°" if arcmin >= 100.0 else f"{arcmin:.3g}'"


def _turn(deg: float) -> str:
    return f"{deg:.2g}°" if deg >= 1e-4 else "< 0.0001°"


def history_rows(past: History) -> Rows:
    """Term, change since the model before, its error, p and verdict."""
    since, until = past.moments[-2:]
    last = past.table[(past.table["since"] == since) & (past.table["until"] == until)]
    return _cells(last, term=str, change="{:+.2f}".format, stderr="{:.2f}".format, p=probability, verdict=str)


def tracking_rows(found: Tracking) -> Rows:
    """Cause; then for each component what remains of the log without it, and its share of the log."""
    return [
        [
            parts[0].cause,
            *(cell for part in parts for cell in (f'{part.rms_arcsec:.3f}"', f"{100.0 * part.share:.1f} %")),
        ]
        for parts in zip(*(each.removed for each in found.components), strict=True)
    ]


def tracking_names(found: Tracking) -> list[str]:
    """Column heads of `tracking_rows`."""
    return [
        "Removed",
        *(name for each in found.components for name in (f"{each.name}, remaining", "Share of variance")),
    ]

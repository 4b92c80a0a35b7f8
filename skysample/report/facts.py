"""Facts of the record: names and values as text, in the signs of a terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.site.mount_axes import limits

if TYPE_CHECKING:
    from skysample.fitting import FittedModel
    from skysample.report.record import Record
    from skysample.runs import Run
    from skysample.site import Axis, Site, Wedge

__all__ = ["Facts", "instrument_facts", "run_facts", "score_facts", "site_facts"]

Facts = list[tuple[str, str]]
"""Name and value."""

_KINDS = {
    "fork": "equatorial on a fork, no pier flip",
    "german": "german equatorial, flips at the pier",
    "altaz": "altitude over azimuth",
}


def site_facts(record: Record) -> Facts:
    """Where the telescope stands, and what of the sky it can use."""
    place, sky = record.site.location, record.sky
    taken = [f"{loss.obstruction} {loss.removed_sr:.2f} sr" for loss in sky.taken if loss.removed_sr > 0.0]
    share = 100.0 * sky.area_sr / (2.0 * math.pi)
    return [
        (
            "Place",
            f"{_side(place.latitude_deg, 'north', 'south')}, {_side(place.longitude_deg, 'east', 'west')}",
        ),
        ("Elevation", f"{place.elevation_m:g} m"),
        ("Air", f"{place.temperature_c:g} °C, {place.station_pressure_hpa:.0f} hPa"),
        ("Usable sky", f"{sky.area_sr:.2f} sr, {share:.0f} % of the hemisphere"),
        ("Taken by", ", ".join(taken) or "nothing"),
    ]


def _side(angle_deg: float, plus: str, minus: str) -> str:
    return f"{abs(angle_deg):.5f}° {plus if angle_deg >= 0.0 else minus}"


def instrument_facts(site: Site) -> Facts:
    """Mount, dome, camera and wedge as the site file describes them."""
    mount, dome, camera = site.mount, site.dome, site.camera
    bounds = np.degrees(limits(mount))
    inside = "none"
    if dome is not None:
        inside = f"radius {dome.radius_m:g} m, slit {dome.slit_width_m:g} m, beam {dome.beam_m:g} m"
        inside = f"{inside}, {dome.rate_deg_s:g}°/s"
    pixel = "" if camera.pixel_arcsec is None else f', {camera.pixel_arcsec:g}" a pixel'
    return [
        ("Mount", _KINDS[mount.kind]),
        ("Primary axis", _axis(mount.primary, bounds[0])),
        ("Secondary axis", _axis(mount.secondary, bounds[1])),
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
        f"{name} bolt {arm:g} mm from its hinge, {pitch:g} mm a turn"
        for name, arm, pitch in bolts
        if arm is not None and pitch is not None
    ]
    hinge = "on the azimuth stage" if wedge.hinge == "on_azimuth" else "on the ground"
    return "; ".join([*parts, f"altitude hinge {hinge}"])


def run_facts(run: Run, model: FittedModel | None) -> Facts:
    """When a run was taken, how much of it counts, and what its readings are."""
    from skysample.astrometry.times import iso

    used = f", {model.run.used} used" if model is not None else ""
    facts = [
        ("Points", f"{run.points} solved{used}, {run.failed} failed"),
        ("Readings", f"axes {run.axes_kind}, model in the mount {run.old_model}"),
    ]
    if run.time is not None:
        facts.insert(
            0,
            (
                "Taken",
                " to ".join(str(iso(each, 0)).replace("T", " ") for each in (run.time.min(), run.time.max()))
                + " UTC",
            ),
        )
    if run.session:
        facts.append(("Session", run.session))
    return facts


def score_facts(record: Record) -> Facts:
    """How well the model stands up to its own run."""
    model, score, error = record.model, record.score, record.error
    return [
        ("Points used", f"{model.run.used} of {model.run.points}"),
        ("Residual", f'{score.rms.value:.2f}" RMS'),
        ("Left out", f'{score.loo_rms.value:.2f}" RMS, each point predicted by the others'),
        ("Noise", f'{model.sigma.value:.2f}" per axis, {model.dof} degrees of freedom'),
        ("Model's error", f'{error.rms.value:.2f}" RMS, {error.p95.value:.2f}" at 95 % of the usable sky'),
        ("Condition", f"{model.condition:.1f}"),
    ]

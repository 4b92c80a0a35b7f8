"""What `polar --star --json` prints of the star."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.alignment.star.instructions import command_times
from skysample.astrometry.times import iso
from skysample.cli.answers.values import number, value

if TYPE_CHECKING:
    from astropy.time import Time

    from skysample.alignment.star import AdjustingStar
    from skysample.alignment.star.steps import StarStep

__all__ = ["star_answer"]


def star_answer(star: AdjustingStar) -> dict[str, Any]:
    """Keys of `star`, within `polar`."""
    place, view = star.place(), star.view
    return {
        "name": star.star,
        "magnitude": star.candidate.magnitude,
        "up_now": star.up_now,
        "when_utc": str(iso(star.when, 0)),
        "alt_deg": number(place.alt.deg),
        "az_deg": number(place.az.deg),
        "pier": star.pier,
        "amplification": number(star.amplification),
        "centring_arcsec": value(star.centring),
        "model_error_arcsec": value(star.model_error),
        "accuracy_arcsec": value(star.accuracy),
        "creep_arcsec_per_min": value(star.creep),
        "camera": None
        if view is None
        else {
            "roll_in_tube_deg": number(np.degrees(view.angle_rad)),
            "mirrored": view.mirrored,
            "parity_known": view.parity_known,
            "source": view.source,
        },
        "commands": [
            {"utc": str(iso(moment, 0)), **_command(star, moment)} for moment in command_times(star)
        ],
        "whole": _step_answer(star.blind) | _command(star),
        "steps": [_step_answer(step) | _command(star, step=number) for number, step in enumerate(star.steps)],
    }


def _command(star: AdjustingStar, moment: Time | None = None, step: int = -1) -> dict[str, Any]:
    hour_angle, dec = star.axes(moment, step).value
    place = star.icrs(moment, step)
    return {
        "hour_angle_deg": number(hour_angle),
        "dec_deg": number(dec),
        "ra_icrs_deg": number(place.ra.deg),
        "dec_icrs_deg": number(place.dec.deg),
    }


def _step_answer(step: StarStep) -> dict[str, Any]:
    return {
        "share": number(step.share),
        "on_chip": step.on_chip,
        "places": [
            {
                "moment": place.moment,
                "offset_arcmin": number(np.degrees(place.offset_rad) * 60.0),
                "x_px": None if place.pixels is None else number(place.pixels[0], 1),
                "y_px": None if place.pixels is None else number(place.pixels[1], 1),
                "on_chip": place.on_chip,
            }
            for place in step.places
        ],
    }

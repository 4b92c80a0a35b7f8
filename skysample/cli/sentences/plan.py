"""A plan in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment.cautions import MOVING
from skysample.astrometry.observed_place import sun_direction
from skysample.cli.sentences.columns import columns
from skysample.geometry import alt_az

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from skysample.ordering import FrontPoint
    from skysample.planning.plan_table import Plan

__all__ = ["plan_lines"]

_SUNRISE_DEG = -0.83
"""Altitude of the Sun's centre as its limb rises, with the usual refraction (Astronomical Almanac; from memory)."""


def plan_lines(plan: Plan, choices: Sequence[FrontPoint] = ()) -> Iterator[str]:
    """Say what a plan will take, what less dome would cost, and list its points."""
    grid = plan.grid
    yield str(plan)
    for choice in choices[1:]:
        yield f"With --dome-weight {choice.dome_weight:g}: {choice.compared(choices[0])}."
    yield (
        f"Usable sky {plan.sky.area_sr:.2f} sr ({100.0 * plan.sky.area_sr / (2.0 * np.pi):.0f} % of the"
        f" hemisphere); no place in it"
        f" is more than {np.degrees(grid.covering_radius_rad):.1f} deg from a point,"
        f" no two points are closer than {np.degrees(grid.min_separation_rad):.1f} deg."
    )
    if grid.informed is not None:
        yield (
            f"Placed where {len(grid.informed.terms)} terms are learnt best: as good for them as"
            f" {grid.informed.even_points} even points. Even points also see what no term describes."
        )
    taken = [
        f"{loss.obstruction} {loss.removed_sr:.2f} sr" for loss in plan.sky.taken if loss.removed_sr > 0.0
    ]
    yield f"Taken from the hemisphere, each for itself: {', '.join(taken)}."
    dome = plan.site.dome is not None
    german = plan.site.mount.kind == "german"
    timed = plan.start is not None
    header = (
        "no",
        "point",
        "alt",
        "az",
        "ha",
        "dec",
        *(("pier",) if german else ()),
        *(("start UTC",) if timed else ()),
        "slew s",
    )
    rows = []
    for number, row in enumerate(plan.rows, 1):
        cells = [
            f"{number}",
            f"{row['point']}",
            *(f"{row[key]:.1f}" for key in ("alt_deg", "az_deg", "hour_angle_deg", "dec_deg")),
        ]
        if german:
            cells.append(str(row["pier"]))
        if timed:
            cells.append(str(row["start_utc"])[11:19])
        cells.append(f"{row['slew_s']:.1f}")
        if dome:
            cells.append(f"{row['dome_az_deg']:.0f}" + ("" if row["dome_move_deg"] else " stays"))
        rows.append(tuple(cells))
    yield from columns((*header, *(("dome az",) if dome else ())), rows)
    if plan.start is not None:
        yield from _by_day(plan)
    yield from MOVING


def _by_day(plan: Plan) -> Iterator[str]:
    """Warn where the Sun is up at any time of the plan: points keep away from it, slews between them may not."""
    from astropy import units as u

    times = plan.start + np.linspace(0.0, plan.total_s, 13) * u.s
    sun = sun_direction(plan.site, times)
    highest = int(np.argmax(sun[:, 2]))
    altitude, azimuth = (float(np.degrees(each)) for each in alt_az(sun[highest]))
    if altitude > _SUNRISE_DEG:
        yield (
            f"The Sun is up: altitude {altitude:.0f}, azimuth {azimuth % 360.0:.0f}. Points keep away from it, slews"
            " between them may cross it: do not run this unattended, and cover the tube while it slews."
        )

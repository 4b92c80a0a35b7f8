"""What `plan --json` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.cli.answers.values import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.ordering import FrontPoint
    from skysample.planning.plan_table import Plan

__all__ = ["plan_answer"]


def plan_answer(plan: Plan, choices: Sequence[FrontPoint] = ()) -> dict[str, Any]:
    """Keys of `plan`."""
    grid = plan.grid
    return {
        "points": plan.points,
        "sky_sr": number(plan.sky.area_sr),
        "sky_losses": [
            {
                "obstruction": loss.obstruction,
                "removed_sr": number(loss.removed_sr),
                "only_sr": number(loss.only_sr),
            }
            for loss in plan.sky.taken
        ],
        "covering_radius_deg": number(np.degrees(grid.covering_radius_rad)),
        "min_separation_deg": number(np.degrees(grid.min_separation_rad)),
        "total_s": number(plan.total_s, 2),
        "slew_s": number(plan.slew_s, 2),
        "dome_deg": number(np.degrees(plan.schedule.dome_rad), 2),
        "dome_moves": int(plan.schedule.dome_moves),
        "bound_s": number(plan.bound_s, 2) if plan.bound_s is not None else None,
        "gap": number(plan.gap, 4) if plan.gap is not None else None,
        "design": grid.design,
        "even_points": None if grid.informed is None else grid.informed.even_points,
        "order": plan.ordering,
        "dome_weight": plan.dome_weight,
        "front": [
            {
                "dome_weight": choice.dome_weight,
                "slew_s": number(choice.schedule.total_slew_s, 2),
                "dome_deg": number(np.degrees(choice.schedule.dome_rad), 2),
                "dome_moves": int(choice.schedule.dome_moves),
            }
            for choice in choices
        ],
        "sun_checked": plan.sun_checked,
        "rows": plan.rows,
    }

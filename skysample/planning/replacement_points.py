"""Every point that a plan ever had, by number: its own, and the replacements for those that failed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.geometry import separation
from skysample.sampling.grid import ideal_separation_rad
from skysample.site.mount_axes import sides

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.planning.plan_table import Plan
    from skysample.runs.points_done import PointsDone
    from skysample.sky import UsableSky

__all__ = ["PlanPoints", "points_with_replacements"]

_ASIDE = 0.3
"""Least distance of a replacement from the failed point, in hexagonal separations: enough to leave a small cloud."""


@dataclass(frozen=True)
class PlanPoints:
    """Every point that a plan ever had.

    Numbers, directions, sides, the number of the point that each replaces (or 0), and whether room was found for it.
    """

    numbers: NDArray[np.int64]
    directions: Array
    side: NDArray[np.int64]
    replaces: NDArray[np.int64]
    placed: NDArray[np.bool_]

    def still_to_take(self, taken: PointsDone) -> NDArray[np.bool_]:
        """Which points are neither done nor failed, nor replace a point that was solved later."""
        served = set(taken.done)
        for number, replaced in zip(self.numbers.tolist(), self.replaces.tolist(), strict=True):
            if replaced in served:
                served.add(number)
        return self.placed & ~np.isin(self.numbers, [*served, *taken.failed])

    def check_known(self, taken: PointsDone) -> None:
        """Refuse a run that names a point which is not among these."""
        for number in (*taken.done, *taken.failed):
            if number not in self.numbers:
                raise InputError(
                    f"the run has point {number}, which is not in this plan; name the first plan, or give the plan's"
                    " own points and seed",
                    key="point",
                )


def points_with_replacements(first: Plan, taken: PointsDone, sky_now: UsableSky) -> PlanPoints:
    """Collect the points of the first plan, then one replacement for each that failed, in order of failure.

    The numbers are the same at any time, and so are the places of points already taken; no other point comes near
    these. All others have to be usable now.
    """
    numbers = list(range(1, first.points + 1)) if first.grid_numbers is None else list(first.grid_numbers)
    directions = [np.asarray(each) for each in first.grid.directions]
    side = [int(each) for each in first.grid.sides]
    replaces, placed = [0] * len(numbers), [True] * len(numbers)
    aside = _ASIDE * ideal_separation_rad(first.sky.area_sr, first.points)
    tried = {*taken.done, *taken.failed}
    every_side = sides(first.site.mount.kind)
    for failed in taken.failed:
        if failed not in numbers:
            continue
        at, number = numbers.index(failed), max(numbers) + 1
        column = every_side.index(side[at])
        sky = first.sky if number in tried else sky_now
        reachable = sky.directions[sky.reachable[:, column]]
        clear = np.min([separation(reachable, other) for other in directions], axis=0) >= aside
        nearest = int(np.argmin(np.where(clear, separation(reachable, directions[at]), np.inf)))
        numbers.append(number)
        # Without room the number is used up all the same: later numbers must not depend on the time.
        directions.append(reachable[nearest] if clear.any() else directions[at])
        side.append(side[at])
        replaces.append(failed)
        placed.append(bool(clear.any()))
    return PlanPoints(
        np.array(numbers), np.array(directions), np.array(side), np.array(replaces), np.array(placed)
    )

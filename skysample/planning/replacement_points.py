"""Every point that a plan ever had, under its number: its own, and those that replace the ones that failed."""

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

__all__ = ["NumberedPoints", "check_known", "every_point"]

_ASIDE = 0.3
"""How far a failed point is moved, at least, in units of the hexagonal separation: out of a small cloud."""


@dataclass(frozen=True)
class NumberedPoints:
    """Every point that a plan ever had.

    Numbers, directions, sides, the number that each replaces (or 0), and whether there is a place for it.
    """

    numbers: NDArray[np.int64]
    directions: Array
    side: NDArray[np.int64]
    replaces: NDArray[np.int64]
    placed: NDArray[np.bool_]

    def open_after(self, taken: PointsDone) -> NDArray[np.bool_]:
        """Which are still to be taken: not one that was, nor what replaces a point that was solved later."""
        served = set(taken.done)
        for number, replaced in zip(self.numbers.tolist(), self.replaces.tolist(), strict=True):
            if replaced in served:
                served.add(number)
        return self.placed & ~np.isin(self.numbers, [*served, *taken.failed])


def every_point(first: Plan, taken: PointsDone, sky_now: UsableSky) -> NumberedPoints:
    """Points of the first plan, then one for each that failed, in the order in which they did.

    The numbers do not depend on when this is asked. Neither do the places of those that were taken already, which
    nothing else may come close to; the others have to be usable now.
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
        # Without a place the number is used up all the same: those after it must not depend on the time.
        directions.append(reachable[nearest] if clear.any() else directions[at])
        side.append(side[at])
        replaces.append(failed)
        placed.append(bool(clear.any()))
    return NumberedPoints(
        np.array(numbers), np.array(directions), np.array(side), np.array(replaces), np.array(placed)
    )


def check_known(points: NumberedPoints, taken: PointsDone) -> None:
    """Refuse a run that names a point which is not one of these."""
    for number in (*taken.done, *taken.failed):
        if number not in points.numbers:
            raise InputError(
                f"the run has point {number}, which this plan has not: name the first plan,"
                " or give its own points and seed",
                key="point",
            )

"""Nearest neighbour: always on to the stop reached soonest, dome included."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.motion.tables import Tables

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.ordering.problem import OrderingProblem


class Nearest:
    """Nearest neighbour by leg time: a baseline, short-sighted by construction."""

    name = "nearest"

    def order(self, problem: OrderingProblem) -> NDArray[np.int64]:
        """Return the order in which each stop is the one reached soonest from the previous one."""
        return np.array(nearest_order(Tables.of(problem)), dtype=np.int64)


def nearest_order(tables: Tables) -> list[int]:
    """Return the nearest-neighbour order; the dome goes to the nearest azimuth that serves the next stop."""
    legs, stands = tables.legs, tables.stands
    place, stand = legs.start, stands.start
    left = set(range(len(stands.serves)))
    order: list[int] = []
    while left:
        reach = {stop: stands.nearest(stands.serves[stop], stand) for stop in left}
        moving = stands.move_s[stand]
        stop = min((max(legs.seconds[place][each], moving[reach[each]]), each) for each in left)[1]
        left.remove(stop)
        order.append(stop)
        place, stand = legs.arrival[place][stop], reach[stop]
    return order

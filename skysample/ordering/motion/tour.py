"""The true cost of an order, mount and lazy dome, re-evaluated only where a change has an effect."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.ordering.motion.tables import Tables


Stay = tuple[int, int, int, float]
"""Position where a run starts; the dome's stand and the mount's place before it; the price until then.

The price of an order is its seconds of motion and, where the problem weighs the dome, what its moves are worth.
"""


def walk(
    tables: Tables,
    order: Sequence[int],
    begin: Stay,
    known: Sequence[Stay] = (),
    last_changed: int = -1,
) -> tuple[list[Stay], Stay]:
    """Follow an order from the start of one dome stay to the end, or until nothing differs any more.

    The dome is lazy: it stays while it serves the next stop; when it must move, it goes to the nearest
    azimuth that serves the longest possible run of stops from there on. For a given order this is the fewest
    moves (greedy partition into runs whose sets share a member). It moves while the mount slews to the run's
    first stop.

    Parameters
    ----------
    tables : Tables
        Of the problem.
    order : sequence of int
        Stops.
    begin : Stay
        Where to begin, and the state there.
    known : sequence of Stay
        For each position of an earlier order, the run that it is in.
    last_changed : int
        After this position the earlier order has the same stops.

    Returns
    -------
    runs : list of Stay
        Those passed, the first being `begin`. Each stop at which the dome stays counts as its own run.
    end : Stay
        The state where the walk ended: at the end of the order, or at a position after `last_changed` where a
        known run starts from the same stand and place. No settling is counted.
    """
    seconds, arrival = tables.legs.seconds, tables.legs.arrival
    serves, nearest = tables.stands.serves, tables.stands.nearest
    move_s, move_rad = tables.stands.move_s, tables.stands.move_rad
    move_worth_s = tables.problem.move_worth_s
    radian_worth_s = math.degrees(tables.problem.degree_worth_s)
    position, stand, place, spent = begin
    count = len(order)
    runs: list[Stay] = []
    while position < count:
        if position > last_changed and known:
            met = known[position]
            if met[0] == position and met[1] == stand and met[2] == place:
                break
        runs.append((position, stand, place, spent))
        head_start_s = tables.problem.dome_head_start_s if position else 0.0
        stop = order[position]
        position += 1
        shared = serves[stop]
        leg = seconds[place][stop]
        place = arrival[place][stop]
        if shared >> stand & 1:
            spent += leg
            continue
        rest = 0.0
        while position < count:
            stop = order[position]
            still_shared = shared & serves[stop]
            if not still_shared:
                break
            shared = still_shared
            rest += seconds[place][stop]
            place = arrival[place][stop]
            position += 1
        target = nearest(shared, stand)
        move = move_s[stand][target] - head_start_s
        spent += max(leg, move) + rest + move_worth_s + radian_worth_s * move_rad[stand][target]
        stand = target
    return runs, (position, stand, place, spent)


class LazyTour:
    """The current order of a search under the lazy dome, its price, and the effect of a change.

    Keeps the state at the start of each run.

    Parameters
    ----------
    tables : Tables
        Of the problem.
    order : sequence of int
        Every stop once.

    Attributes
    ----------
    order : list of int
        The present order, changed in place.
    total : float
        Its price: seconds of motion without settling, and what the dome's moves are worth.
    """

    def __init__(self, tables: Tables, order: Sequence[int]) -> None:
        self._tables = tables
        self.order = list(order)
        self._begin: Stay = (0, tables.stands.start, tables.legs.start, 0.0)
        runs, end = walk(tables, self.order, self._begin)
        self._runs = _by_position(runs, end[0])
        self.total = end[3]
        self._proposal = (0, -1, self.order[:0], runs, end)

    def propose(self, first: int, last: int, stops: list[int]) -> float:
        """Return the price of the order with other stops in positions first..last."""
        begin = self._runs[first - 1] if first else self._begin
        order = self.order.copy()
        order[first : last + 1] = stops
        runs, end = walk(self._tables, order, begin, self._runs, last)
        self._proposal = (first, last, stops, runs, end)
        if end[0] == len(order):
            return end[3]
        return end[3] + (self.total - self._runs[end[0]][3])

    def accept(self) -> None:
        """Accept the last proposal as the current order."""
        first, last, stops, runs, end = self._proposal
        rest = self._runs[end[0] :]
        shift = end[3] - (rest[0][3] if rest else self.total)
        later = [(position, stand, place, spent + shift) for position, stand, place, spent in rest]
        self._runs[runs[0][0] :] = _by_position(runs, end[0]) + later
        self.total += shift
        self.order[first : last + 1] = stops


def _by_position(runs: list[Stay], stop_before: int) -> list[Stay]:
    """Repeat each run for every position that it holds."""
    ends = [*(run[0] for run in runs[1:]), stop_before]
    return [run for run, end in zip(runs, ends, strict=False) for _ in range(run[0], end)]

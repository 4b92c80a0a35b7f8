"""An order under the true cost: mount legs and a lazy dome, re-evaluated only where a change reaches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from skysample.ordering.dome_stands import DomeStands, dome_stands
from skysample.ordering.legs import MountLegs, mount_legs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.ordering.problem import OrderingProblem

__all__ = ["Run", "Tables", "Tour", "walk"]


@dataclass(frozen=True, slots=True)
class Tables:
    """What every evaluation of an order of one problem looks up."""

    legs: MountLegs
    stands: DomeStands

    @classmethod
    def of(cls, problem: OrderingProblem) -> Self:
        """Tabulate a problem."""
        return cls(mount_legs(problem), dome_stands(problem))


Run = tuple[int, int, int, float]
"""Position where a run starts; the dome's stand and the mount's place before it; seconds until then."""


def walk(
    tables: Tables,
    order: Sequence[int],
    begin: Run,
    known: Sequence[Run] = (),
    last_changed: int = -1,
) -> tuple[list[Run], Run]:
    """Follow an order from the start of a run until its end, or until nothing differs any more.

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
    begin : Run
        Where to begin, and the state there.
    known : sequence of Run
        For each position of an earlier order, the run that it is in.
    last_changed : int
        After this position the earlier order has the same stops.

    Returns
    -------
    runs : list of Run
        Those passed, the first being `begin`. Each stop at which the dome stays counts as its own run.
    end : Run
        The state where the walk ended: at the end of the order, or at a position after `last_changed` where a
        known run starts from the same stand and place. No settling is counted.
    """
    seconds, arrival = tables.legs.seconds, tables.legs.arrival
    serves, move_s, nearest = tables.stands.serves, tables.stands.move_s, tables.stands.nearest
    position, stand, place, spent = begin
    count = len(order)
    runs: list[Run] = []
    while position < count:
        if position > last_changed and known:
            met = known[position]
            if met[0] == position and met[1] == stand and met[2] == place:
                break
        runs.append((position, stand, place, spent))
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
        move = move_s[stand][target]
        spent += max(leg, move) + rest
        stand = target
    return runs, (position, stand, place, spent)


class Tour:
    """The present order of a search, with the state at the start of each run.

    Parameters
    ----------
    tables : Tables
        Of the problem.
    order : sequence of int
        Every stop once.

    Attributes
    ----------
    order : list of int
        The present order.
    total : float
        Its seconds of motion, without settling.
    """

    def __init__(self, tables: Tables, order: Sequence[int]) -> None:
        self._tables = tables
        self.order = list(order)
        self._begin: Run = (0, tables.stands.start, tables.legs.start, 0.0)
        runs, end = walk(tables, self.order, self._begin)
        self._runs = _by_position(runs, end[0])
        self.total = end[3]
        self._proposal = (self.order, runs, end)

    def propose(self, order: list[int], first: int, last: int) -> float:
        """Return the seconds of an order that differs from the present one in positions first..last only."""
        begin = self._runs[first - 1] if first else self._begin
        runs, end = walk(self._tables, order, begin, self._runs, last)
        self._proposal = (order, runs, end)
        if end[0] == len(order):
            return end[3]
        return end[3] + (self.total - self._runs[end[0]][3])

    def accept(self) -> None:
        """Make the last proposal the present order."""
        order, runs, end = self._proposal
        rest = self._runs[end[0] :]
        shift = end[3] - (rest[0][3] if rest else self.total)
        later = [(position, stand, place, spent + shift) for position, stand, place, spent in rest]
        self._runs[runs[0][0] :] = _by_position(runs, end[0]) + later
        self.total += shift
        self.order = order


def _by_position(runs: list[Run], stop_before: int) -> list[Run]:
    """Repeat each run for every position that it holds."""
    ends = [*(run[0] for run in runs[1:]), stop_before]
    return [run for run, end in zip(runs, ends, strict=False) for _ in range(run[0], end)]

"""The timely dome: it may turn on any leg, as early as possible, so that the mount rarely waits."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from skysample.ordering.motion.tables import TURN, dome_reach
from skysample.ordering.motion.tour import LazyTour

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from skysample.geometry import Array
    from skysample.ordering.motion.tables import MountLegs, Tables
    from skysample.ordering.problem import OrderingProblem

Arc = tuple[float, float]
State = tuple[float, float, int]
"""Both ends of the interval where the dome may be, radians, and the mount's place."""

_Step = tuple[float, float, int, float | None, float | None]


class DomeReach:
    """Lookup tables for evaluating an order with the timely dome.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and present state.
    legs : MountLegs
        Of the same problem.

    Attributes
    ----------
    legs : MountLegs
        As given.
    steps : list of list of tuple
        `steps[place][stop]`: the mount's seconds of that leg, how far the dome turns without keeping it waiting, the
        place where it arrives, and from where to where the dome may stand there, radians, to - from <= 2 pi; None and
        None if that is more than one arc.
    arcs : list of tuple
        For each stop the azimuths that serve it: (from, to) of each arc.
    start : float
        Where the dome is.
    """

    def __init__(self, problem: OrderingProblem, legs: MountLegs) -> None:
        self.legs = legs
        self._head_start_s = problem.dome_head_start_s
        seconds = np.array(legs.seconds, float).reshape(len(legs.axes), problem.points)
        free, self.start = np.zeros_like(seconds), 0.0
        self.arcs: list[tuple[Arc, ...]] = [((0.0, TURN),)] * problem.points
        self._rate, self._acceleration = 1.0, 1.0  # without a dome nothing ever waits
        self._delay_s = 0.0
        if problem.dome is not None:
            self._rate = math.radians(problem.dome.rate_deg_s)
            self._acceleration = math.radians(problem.dome.accel_deg_s2)
            self._delay_s = problem.dome.start_delay_s
            head_start = np.full((len(legs.axes), 1), problem.dome_head_start_s)
            head_start[legs.start] = 0.0  # nothing is read out before the first leg
            free = np.minimum(dome_reach(problem.dome, seconds + head_start), math.pi)
            self.start = problem.start_dome % TURN
            self.arcs = [tuple((a, a + width) for a, width in arcs.tolist()) for arcs in problem.arcs]
        self._ramp_rad = self._rate * self._rate / self._acceleration
        only = [arcs[0] if len(arcs) == 1 else (None, None) for arcs in self.arcs]
        self.steps: list[list[_Step]] = [
            [(leg, away, there, *arc) for leg, away, there, arc in zip(*rows, only, strict=True)]
            for rows in zip(legs.seconds, free.tolist(), legs.arrival, strict=True)
        ]

    def wait(self, place: int, gap_rad: float) -> float:
        """Seconds of a leg if the dome has to turn through a gap: a fast scalar `turning_time`."""
        if gap_rad >= self._ramp_rad:
            turning_s = gap_rad / self._rate + self._rate / self._acceleration
        else:
            turning_s = 2.0 * math.sqrt(gap_rad / self._acceleration)
        return turning_s + self._delay_s - (0.0 if place == self.legs.start else self._head_start_s)


class Passage(NamedTuple):
    """For a row of stops: seconds of the leg to each, and the state at each.

    Attributes
    ----------
    seconds : list of float
        Without settling.
    states : list of State
        Interval where the dome may be, and the mount's place.
    """

    seconds: list[float]
    states: list[State]


def pass_stops(
    reach: DomeReach,
    stops: Sequence[int],
    begin: State,
    known: Sequence[State] = (),
    known_from: int = 0,
) -> Passage:
    """Follow stops with a dome that defers every choice.

    At each stop it may be anywhere in an interval that it can have reached without keeping the mount
    waiting. On a leg the interval grows by what the dome can turn in the mount's time and is cut to an arc of
    the next stop; only where nothing is left does the mount wait, until the dome gets to the near end of the
    arc. Which azimuths are really taken is settled backwards afterwards, by `dome_azimuths`.

    Parameters
    ----------
    reach : DomeReach
        Tables of the problem.
    stops : sequence of int
        In visiting order.
    begin : State
        Interval of the dome and place of the mount beforehand.
    known : sequence of State
        Of an earlier passage that ends with the same stops: no need to go on once its states are met.
    known_from : int
        How many stops to pass before looking at them.

    Returns
    -------
    Passage
        Of as many stops as were passed.
    """
    steps = reach.steps
    taken: list[float] = []
    states: list[State] = []
    low, high, place = begin
    ahead = len(known) - len(stops) - 1
    compare_from = max(known_from, 1) if known else len(stops)
    for number, stop in enumerate(stops):
        if number >= compare_from and (low, high, place) == known[ahead + number]:
            break
        leg, free, there, first, last = steps[place][stop]
        low -= free
        high += free
        if first is None or last is None:
            first, last = _widest_overlap(reach.arcs[stop], low, high)
        aside = first + last - low - high
        if not -TURN <= aside <= TURN:
            turn = math.copysign(TURN, aside)
            low += turn
            high += turn
        if high - low >= TURN:
            low, high = first, last
        elif last - first < TURN:
            if low > last or high < first:
                leg = reach.wait(place, (low - last if low > last else first - high) + free)
                low = high = last if low > last else first
            else:
                low, high = max(low, first), min(high, last)
        place = there
        taken.append(leg)
        states.append((low, high, place))
    return Passage(taken, states)


def _widest_overlap(arcs: tuple[Arc, ...], low: float, high: float) -> Arc:
    """Return the arc with the widest overlap with an interval; if none overlaps, the nearest."""

    def shared(arc: Arc) -> float:
        turns = round((low + high - arc[0] - arc[1]) / (2.0 * TURN))
        return min(high, arc[1] + turns * TURN) - max(low, arc[0] + turns * TURN)

    return max(arcs, key=shared)


def dome_azimuths(reach: DomeReach, passage: Passage) -> Array:
    """Azimuths at which the dome stands at each stop of a passage, radians, 0..2 pi.

    Backwards from the end: where the dome is afterwards, if it may already be there, else as near as it may.
    """
    stands = np.zeros(len(passage.states))
    after = passage.states[-1][1] if passage.states else reach.start
    for number, (low, high, _) in reversed(list(enumerate(passage.states))):
        aside = math.remainder(after - 0.5 * (low + high), TURN)
        if aside > 0.5 * (high - low):
            after = high % TURN
        elif aside < -0.5 * (high - low):
            after = low % TURN
        stands[number] = after
    return stands % TURN


class TimelyTour:
    """The current order of a search under the timely dome; same interface as `tour.LazyTour`.

    Attributes
    ----------
    order : list of int
        The present order, changed in place.
    total : float
        Its seconds of motion, without settling.
    """

    def __init__(self, reach: DomeReach, order: Sequence[int]) -> None:
        self._reach = reach
        self.order = list(order)
        self._now = pass_stops(reach, self.order, self._state(0))
        self.total = sum(self._now.seconds)
        self._proposal = (0, -1, self.order[:0], Passage([], []), 0.0)

    def propose(self, first: int, last: int, stops: list[int]) -> float:
        """Return the seconds of the order with other stops in positions first..last."""
        row = stops + self.order[last + 1 :]
        passage = pass_stops(self._reach, row, self._state(first), self._now.states, len(stops))
        longer = sum(passage.seconds) - sum(self._now.seconds[first : first + len(passage.seconds)])
        self._proposal = (first, last, stops, passage, longer)
        return self.total + longer

    def accept(self) -> None:
        """Accept the last proposal as the current order."""
        first, last, stops, passage, longer = self._proposal
        self.order[first : last + 1] = stops
        end = first + len(passage.seconds)
        self._now.seconds[first:end] = passage.seconds
        self._now.states[first:end] = passage.states
        self.total += longer

    def _state(self, position: int) -> State:
        if position == 0:
            return self._reach.start, self._reach.start, self._reach.legs.start
        return self._now.states[position - 1]


Tour = LazyTour | TimelyTour
"""The current order of a search, its price, and the effect of a change."""


def tours_of(tables: Tables) -> list[Callable[[Sequence[int]], Tour]]:
    """Return the evaluations to search a problem with.

    The lazy dome and the timely dome are each their own. Where a timely dome's moves weigh, the best order
    may come from either: the timely evaluation does not see the weight, the lazy one nothing else.
    """
    problem, lazy = tables.problem, partial(LazyTour, tables)
    if problem.dome_policy == "lazy":
        return [lazy]
    timely = partial(TimelyTour, DomeReach(problem, tables.legs))
    return [timely, lazy] if problem.dome_weight > 0.0 and problem.dome is not None else [timely]

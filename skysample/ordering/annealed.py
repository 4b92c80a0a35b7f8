"""Simulated annealing on the true time, dome and all, from the best azimuth snake."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.bound import least_legs
from skysample.ordering.exact import exact_order
from skysample.ordering.moves import Moves
from skysample.ordering.nearest import nearest_order
from skysample.ordering.snake import best_snake
from skysample.ordering.tour import Tables, Tour

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from skysample.ordering.moves import Change
    from skysample.ordering.problem import OrderingProblem

__all__ = ["Annealed"]

_EXACT_UP_TO = 9
_MOST_SWEEPS = 20
# In mean legs of the first order: temperatures at both ends, and by how much a change of order may lengthen
# the plain pairwise path and still be worth a full evaluation, because the dome may give it back. Chosen by
# trial on the instance of benchmarks/ordering_reference.py, where nearby values differ by less than seeds do.
_HOT, _COLD, _SLACK = 0.45, 0.035, 0.45
_LONGEST_SEGMENT = 16
_REVERSALS, _RELOCATIONS = 0.35, 0.5


@dataclass(frozen=True)
class Annealed:
    """Annealing with the lazy dome's true time as the target; exact for up to 9 stops.

    Reversals, moved segments and exchanges, proposed between stops that are near each other, are accepted as
    in Kirkpatrick, Gelatt & Vecchi, "Optimization by simulated annealing", Science 220, 1983; a greedy
    descent ends it.

    Parameters
    ----------
    trials : int
        Budget of changes tried, times the root of the number of stops.
    """

    name: str = field(default="annealed", init=False)
    trials: int = 40_000

    def order(self, problem: OrderingProblem) -> NDArray[np.int64]:
        """Return the best order found; the same problem and seed give the same order."""
        tables = Tables.of(problem)
        if problem.points < 2:
            return problem.numbers
        legs = least_legs(problem, tables.stands)
        starts = [Tour(tables, order) for order in (best_snake(problem, tables), nearest_order(tables))]
        tour = min(starts, key=lambda each: each.total)
        mean_leg = tour.total / problem.points
        if mean_leg == 0.0:
            return np.array(tour.order, dtype=np.int64)
        moves = Moves(legs, tour.order)
        if problem.points > _EXACT_UP_TO:
            trials = round(self.trials * math.sqrt(problem.points))
            tour = _anneal(tables, tour, moves, mean_leg, trials=trials, seed=problem.seed)
        best = _descend(tour, Moves(legs, tour.order), _SLACK * mean_leg)
        if problem.points <= _EXACT_UP_TO:
            best = exact_order(tables, legs, best)
        return np.array(best, dtype=np.int64)


def _uniform(seed: int) -> Iterator[float]:
    generator = np.random.default_rng(seed)
    while True:
        yield from generator.random(4096).tolist()


def _anneal(tables: Tables, tour: Tour, moves: Moves, mean_leg: float, *, trials: int, seed: int) -> Tour:
    draw = _uniform(seed).__next__
    count = len(tour.order)
    temperature, slack = _HOT * mean_leg, _SLACK * mean_leg
    cooling = (_COLD / _HOT) ** (1.0 / trials)
    best, best_s = tour.order, tour.total
    for _ in range(trials):
        temperature *= cooling
        allowed = -temperature * math.log(1.0 - draw())
        position = int(draw() * count)
        near = moves.near[tour.order[position]]
        other = moves.position[near[int(draw() * len(near))]]
        change = _random_change(moves, tour.order, (position, other), draw, allowed + slack)
        if change is None:
            continue
        if tour.propose(*change) - tour.total <= allowed:
            tour.accept()
            moves.moved(*change)
            if tour.total < best_s - 1e-9:
                best, best_s = tour.order, tour.total
    return Tour(tables, best)


def _random_change(
    moves: Moves, order: list[int], at: tuple[int, int], draw: Callable[[], float], slack: float
) -> Change | None:
    position, other = at
    kind = draw()
    if kind < _REVERSALS:
        if kind < 0.02:
            return moves.reversal(order, 0, position, slack)
        if kind < 0.04:
            return moves.reversal(order, position, len(order) - 1, slack)
        first, last = (position + 1, other) if position < other else (other, position - 1)
        return moves.reversal(order, first, last, slack)
    if kind < _REVERSALS + _RELOCATIONS:
        length = 1 + int(draw() * draw() * _LONGEST_SEGMENT)
        side = int(4.0 * draw())
        return moves.relocation(
            order, position + (side & 1), other, length=length, backwards=side >= 2, slack=slack
        )
    return moves.exchange(order, position, other, slack)


def _descend(tour: Tour, moves: Moves, slack: float) -> list[int]:
    """Take every change that shortens, until none does."""
    for _ in range(_MOST_SWEEPS):
        before = tour.total
        for stop in range(len(tour.order)):
            for near in moves.near[stop]:
                for change in moves.all_changes(tour.order, stop, near, slack):
                    if tour.propose(*change) < tour.total - 1e-9:
                        tour.accept()
                        moves.moved(*change)
                        break
        if tour.total > before - 1e-9:
            break
    return tour.order

"""Simulated annealing on the true time, dome included, from the best snake; the proven optimum for few stops."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from skysample.ordering.least_time import completions, search_beginnings
from skysample.ordering.motion.moves import Moves, random_changes
from skysample.ordering.motion.tables import Tables, least_legs
from skysample.ordering.motion.timely_dome import tours_of
from skysample.ordering.schedules import best_by_schedule
from skysample.ordering.strategies.nearest import nearest_order
from skysample.ordering.strategies.snake import snakes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.motion.timely_dome import Tour
    from skysample.ordering.problem import OrderingProblem

DEFAULT_TRIALS = 300_000

_EXACT_UP_TO = 12
_MOST_BRANCHES = 20_000
_MOST_SWEEPS = 20
# Each round's share of the trials, and in mean legs of the first order its temperatures at both ends; then by how
# much a change of order may lengthen the plain pairwise path and still be worth a full evaluation, because the dome
# may give it back. Chosen by trial on the instance of benchmarks/ordering_reference.py, where nearby values differ
# by less than seeds do.
_ROUNDS = (0.6, 0.15, 0.03), (0.4, 0.06, 0.02)
_MOST_SLACK, _SLACK_TIMES_POINTS = 0.5, 50.0
_FEW, _MANY = 40, 300


@dataclass(frozen=True)
class Annealed:
    """Annealing on the true time, dome included; the proven optimum for few stops.

    Proven under the problem's dome policy as `tour_of` evaluates it, unless 20,000 branches do not settle it:
    then, as with more stops, the best that was found.

    Reversals and moved segments, proposed between stops that are near each other, are accepted as
    in Kirkpatrick, Gelatt & Vecchi, "Optimization by simulated annealing", Science 220, 1983; a greedy
    descent ends it.

    Parameters
    ----------
    trials : int
        Budget of changes tried for 40 to 300 stops. Fewer beyond, by the fourth root of their number, as each
        change reaches farther; below 40 in proportion to it.
    exact_up_to : int
        Up to how many stops the best is proven. Beyond 15 the tables of the proof outgrow a small computer.
    """

    name: str = field(default="annealed", init=False)
    trials: int = DEFAULT_TRIALS
    exact_up_to: int = _EXACT_UP_TO

    def order(self, problem: OrderingProblem) -> NDArray[np.int64]:
        """Return the best order found; the same problem and seed give the same order."""
        if problem.points < 2:
            return problem.numbers
        tables = Tables.of(problem)
        found = [search(tables, tour_of, self.trials, self.exact_up_to) for tour_of in tours_of(tables)]
        return best_by_schedule(problem, found)


def search(
    tables: Tables,
    tour_of: Callable[[Sequence[int]], Tour],
    trials: int,
    exact_up_to: int = _EXACT_UP_TO,
) -> list[int]:
    """Search with one evaluation: best snake, annealing, descent; the proven optimum for few stops.

    Parameters
    ----------
    tables : Tables
        Of two stops or more.
    tour_of : callable
        From `tours_of`.
    trials, exact_up_to : int
        See `Annealed`.

    Returns
    -------
    list of int
    """
    problem = tables.problem
    legs = least_legs(problem, tables.stands)
    starts = snakes(problem, legs)
    if problem.points <= _MANY:
        starts.append(nearest_order(tables))
    tour = min((tour_of(order) for order in starts), key=lambda each: each.total)
    mean_leg = tour.total / problem.points
    if mean_leg == 0.0:
        return tour.order
    slack = min(_MOST_SLACK, _SLACK_TIMES_POINTS / problem.points) * mean_leg
    trials = round(trials * min(problem.points / _FEW, 1.0, (_MANY / problem.points) ** 0.25))
    for number, (share, *ends) in enumerate(_ROUNDS):
        heat = ends[0] * mean_leg, ends[1] * mean_leg
        seed = len(_ROUNDS) * problem.seed + number
        tour = tour_of(_anneal(tour, Moves(legs, tour.order), round(share * trials), seed, heat, slack))
    _descend(tour, Moves(legs, tour.order), slack)
    if problem.points > exact_up_to:
        return tour.order
    settled = exact_order(lambda order: tour_of(order).total, legs, tour.order, _MOST_BRANCHES)
    return tour.order if settled is None else settled


def _anneal(
    tour: Tour, moves: Moves, trials: int, seed: int, heat: tuple[float, float], slack: float
) -> list[int]:
    best, best_s = tour.order.copy(), tour.total
    for change, allowed in random_changes(moves, trials=trials, seed=seed, heat=heat, slack=slack):
        if tour.propose(*change) - tour.total <= allowed:
            tour.accept()
            if tour.total < best_s - 1e-9:
                best, best_s = tour.order.copy(), tour.total
    return best


def _descend(tour: Tour, moves: Moves, slack: float) -> None:
    """Accept every improving change until there is none."""
    for _ in range(_MOST_SWEEPS):
        before = tour.total
        for change in moves.all_changes(slack):
            if tour.propose(*change) < tour.total - 1e-9:
                tour.accept()
        if tour.total > before - 1e-9:
            break


def exact_order(
    price: Callable[[Sequence[int]], float], legs: Array, incumbent: Sequence[int], most: int
) -> list[int] | None:
    """Return the order of least price, by depth-first branch and bound.

    The price of a beginning never falls when it is carried on, and what is still to come takes at least the
    shortest path through the stops left, by pairwise legs (Held & Karp, "A dynamic programming approach to
    sequencing problems", J. SIAM 10, 1962).

    Parameters
    ----------
    price : callable
        Of a beginning of an order.
    legs : ndarray, shape (n + 1, n + 1)
        Least seconds of each pair, the start last.
    incumbent : sequence of int
        A good order; it comes back unless a better one exists.
    most : int
        How many beginnings may be looked at.

    Returns
    -------
    list of int or None
        None if that many did not settle it.
    """
    count = len(incumbent)
    to_come = completions([list(row) for row in legs[:count, :count, None, None]])

    def extend(order: tuple[int, ...], stop: int, left: int, _: None) -> tuple[float, None]:
        return price([*order, stop]) + float(to_come[stop][left, 0]), None

    def settle(_: tuple[int, ...], least: float) -> float:
        return least - 1e-9

    known = price(incumbent) - 1e-9, tuple(incumbent)
    _, order = search_beginnings(count, extend, settle, most, known=known, depth_first=True)
    return None if order is None else list(order)

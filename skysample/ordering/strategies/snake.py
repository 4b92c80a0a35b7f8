"""The azimuth snake: once round the sky in azimuth strips, up one strip and down the next."""

from __future__ import annotations

import math
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.motion.tables import Tables, least_legs
from skysample.ordering.motion.timely_dome import tours_of
from skysample.ordering.schedules import best_by_schedule

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem

_PHASES = 2
_MOST_WIDTHS = 24
_SHORTLIST = 64


class Snake:
    """The best of many azimuth snakes by true time: the dome goes round once, the mount zigzags."""

    name = "snake"

    def order(self, problem: OrderingProblem) -> NDArray[np.int64]:
        """Return the fastest snake: several widths of strip, places to begin and both senses are tried."""
        if not problem.points:
            return problem.numbers
        tables = Tables.of(problem)
        candidates = snakes(problem, least_legs(problem, tables.stands))
        best = [
            min((tour_of(order) for order in candidates), key=lambda tour: tour.total).order
            for tour_of in tours_of(tables)
        ]
        return best_by_schedule(problem, best)


def snakes(problem: OrderingProblem, legs: Array) -> list[list[int]]:
    """Return the snakes that are shortest by pairwise legs.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and present state.
    legs : ndarray, shape (n + 1, n + 1)
        Least seconds of each pair, the start last.
    """

    def length(order: tuple[int, ...]) -> float:
        path = np.array([problem.points, *order])
        return float(legs[path[:-1], path[1:]].sum())

    every = sorted((length(order), order) for order in set(_snakes(problem)))
    return [list(order) for _, order in every[:_SHORTLIST]]


def _snakes(problem: OrderingProblem) -> Iterator[tuple[int, ...]]:
    height = problem.axes[:, 1]
    if problem.dome is not None:
        height = np.array([arcs[:, 1].sum() for arcs in problem.arcs])
    most = max(1, min(problem.points, 4 * math.isqrt(problem.points)))
    counts = np.unique(np.geomspace(1, most, min(most, _MOST_WIDTHS)).round().astype(int))
    for strips in counts.tolist():
        width = 2.0 * math.pi / strips
        for phase in range(_PHASES):
            origin = width * phase / _PHASES
            along = (problem.azimuth - origin) % (2.0 * math.pi)
            strip = np.minimum((along / width).astype(int), strips - 1)
            for first, sense in product(range(0, strips, max(1, strips // 8)), (1, -1)):
                rank = (sense * (strip - first)) % strips
                for upward in (1.0, -1.0):
                    zigzag = np.where(rank % 2 == 0, upward, -upward) * height
                    yield tuple(np.lexsort((problem.numbers, zigzag, rank)).tolist())

"""The azimuth snake: once round the sky in strips of azimuth, up one strip and down the next."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.tour import Tables, walk

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem

__all__ = ["Snake", "best_snake"]

_PHASES = 2


class Snake:
    """The best of many azimuth snakes by true time: the dome goes round once, the mount zigzags."""

    name = "snake"

    def order(self, problem: OrderingProblem) -> NDArray[np.int64]:
        """Return the fastest snake: several widths of strip, places to begin and both senses are tried."""
        return np.array(best_snake(problem, Tables.of(problem)), dtype=np.int64)


def best_snake(problem: OrderingProblem, tables: Tables) -> list[int]:
    """Return the fastest snake of a problem whose tables are at hand."""
    begin = (0, tables.stands.start, tables.legs.start, 0.0)
    return min(_snakes(problem), key=lambda order: walk(tables, order, begin)[1][3])


def _snakes(problem: OrderingProblem) -> Iterator[list[int]]:
    height = problem.axes[:, 1] if problem.dome is None else _arc_width(problem)
    most = max(1, min(problem.points, 4 * math.isqrt(problem.points)))
    for strips in range(1, most + 1):
        width = 2.0 * math.pi / strips
        for phase in range(_PHASES):
            origin = width * phase / _PHASES
            along = (problem.azimuth - origin) % (2.0 * math.pi)
            strip = np.minimum((along / width).astype(int), strips - 1)
            for first in _first_strips(strips):
                for sense in (1, -1):
                    rank = (sense * (strip - first)) % strips
                    for upward in (1.0, -1.0):
                        zigzag = np.where(rank % 2 == 0, upward, -upward) * height
                        yield np.lexsort((problem.numbers, zigzag, rank)).tolist()


def _first_strips(strips: int) -> range:
    return range(0, strips, max(1, strips // 8))


def _arc_width(problem: OrderingProblem) -> Array:
    return np.array([arcs[:, 1].sum() for arcs in problem.arcs])

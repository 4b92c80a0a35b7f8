"""Table of least times from stop to stop, for a general route solver."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.motion.tables import dome_stands, least_legs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.ordering import OrderingProblem

__all__ = ["TICKS", "pairwise_s", "pairwise_ticks"]

TICKS = 10_000
"""Ticks per second: route solvers count in whole numbers."""


def pairwise_ticks(problem: OrderingProblem) -> NDArray[np.int64]:
    """Compute the least time of every leg: that of the mount, or of the dome between both stops if that is longer.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and current state.

    Returns
    -------
    ndarray of int, shape (n + 1, n + 1)
        Ticks, without settling. Node 0 is the start, node i + 1 is stop i. Going back to the start costs nothing, so
        that a round trip is an open path.
    """
    legs = np.roll(least_legs(problem, dome_stands(problem)), 1, axis=(0, 1))
    legs[:, 0] = 0.0
    return np.rint(legs * TICKS).astype(np.int64)


def pairwise_s(problem: OrderingProblem, order: Sequence[int]) -> float:
    """Seconds of motion of an order by the table, settling included: never more than the true time."""
    table = pairwise_ticks(problem)
    legs = sum(table[a, b] for a, b in pairwise([0, *(stop + 1 for stop in order)])) / TICKS
    return float(legs + problem.points * problem.mount.settle_s)

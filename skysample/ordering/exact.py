"""The best order of a few stops by branch and bound."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering.tour import walk

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.geometry import Array
    from skysample.ordering.tour import Tables

__all__ = ["exact_order"]


def exact_order(tables: Tables, legs: Array, incumbent: Sequence[int]) -> list[int]:
    """Return the order of least true time, by depth-first branch and bound.

    The time of a beginning never falls when it is carried on: a further stop can only narrow where the dome
    may stand. What is still to come takes at least the shortest leg to each stop left.

    Parameters
    ----------
    tables : Tables
        Of the problem.
    legs : ndarray, shape (n + 1, n + 1)
        Least seconds of each pair, the start last.
    incumbent : sequence of int
        A good order; it comes back unless a better one exists.

    Returns
    -------
    list of int
    """
    begin = (0, tables.stands.start, tables.legs.start, 0.0)
    count = len(incumbent)
    others = legs + np.diag(np.full(count + 1, np.inf))
    least_in = others.min(axis=0).tolist()
    seconds: list[list[float]] = legs.tolist()
    best = list(incumbent)
    best_s = walk(tables, best, begin)[1][3]
    open_branches: list[list[int]] = [[]]
    while open_branches:
        so_far = open_branches.pop()
        spent = walk(tables, so_far, begin)[1][3]
        left = [stop for stop in range(count) if stop not in so_far]
        if spent + sum(least_in[stop] for stop in left) >= best_s - 1e-9:
            continue
        if not left:
            best, best_s = so_far, spent
            continue
        here = so_far[-1] if so_far else count
        left.sort(key=seconds[here].__getitem__, reverse=True)
        open_branches.extend([*so_far, stop] for stop in left)
    return best

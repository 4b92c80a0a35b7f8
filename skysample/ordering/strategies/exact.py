"""The best order of a few stops by branch and bound."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from skysample.geometry import Array

__all__ = ["exact_order"]


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
    remaining = _shortest_completions(legs[:, :count]).tolist()
    everything = (1 << count) - 1
    best = list(incumbent)
    best_s = price(best)
    open_branches: list[tuple[list[int], int, float]] = [([], everything, 0.0)]
    looked_at = 0
    while open_branches:
        so_far, left, least = open_branches.pop()
        if least >= best_s - 1e-9:
            continue
        if not left:
            best, best_s = so_far, least
            continue
        looked_at += 1
        if looked_at > most:
            return None
        branches = []
        for stop in range(count):
            if left >> stop & 1:
                onward, still = [*so_far, stop], left ^ (1 << stop)
                at_least = price(onward) + remaining[still][stop]
                if at_least < best_s - 1e-9:
                    branches.append((onward, still, at_least))
        branches.sort(key=lambda branch: branch[2], reverse=True)
        open_branches.extend(branches)
    return best


def _shortest_completions(legs: Array) -> Array:
    """Length of the shortest path from each node through each set of stops.

    Parameters
    ----------
    legs : ndarray, shape (m, n)
        From node to stop; the first n nodes are the stops.

    Returns
    -------
    ndarray, shape (2**n, m)
        Indexed by the set, bit j being stop j, and by the node.
    """
    nodes, count = legs.shape
    shortest = np.zeros((1 << count, nodes))
    bits = 1 << np.arange(count)
    for stops in range(1, 1 << count):
        inside = np.flatnonzero(stops & bits)
        onward = shortest[stops ^ bits[inside], inside]
        shortest[stops] = (legs[:, inside] + onward).min(axis=1)
    return shortest

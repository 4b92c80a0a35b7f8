"""Least time to visit a set of stops from a state, for every set and state: dynamic programming over sets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.geometry import Array

__all__ = ["completions"]

_CHUNK = 400_000
"""Sums formed at once: they stay in the processor's cache."""


def completions(legs: Sequence[Sequence[Array]]) -> list[Array]:
    """Least seconds from each state of each stop through each set of other stops, ending anywhere.

    The recursion of Held & Karp, "A dynamic programming approach to sequencing problems", J. SIAM 10, 1962, and
    of Bellman, "Dynamic programming treatment of the travelling salesman problem", J. ACM 9, 1962, with
    several states to each stop.

    Parameters
    ----------
    legs : sequence of sequence of ndarray
        `legs[i][j]`, shape (states of i, states of j): seconds of a leg; n rows of n.

    Returns
    -------
    list of n ndarray, shape (2**n, states of the stop)
        Row r: through the stops whose bits are set in r. Rows that hold the stop itself are infinite.
    """
    count = len(legs)
    every_set = np.arange(1 << count)
    size = np.array([int(each).bit_count() for each in every_set])
    states = [legs[i][(i + 1) % count].shape[0] for i in range(count)]
    least = [np.full((1 << count, each), np.inf) for each in states]
    for rows in least:
        rows[0] = 0.0
    for visited in range(count - 1):
        of_size = every_set[size == visited]
        for following in range(count):
            onward = of_size[(of_size >> following) & 1 == 0]
            for stop in range(count):
                if stop == following:
                    continue
                sets = onward[(onward >> stop) & 1 == 0]
                leg = legs[stop][following]
                step = max(1, _CHUNK // leg.size)
                for first in range(0, len(sets), step):
                    part = sets[first : first + step]
                    through = (least[following][part][:, None, :] + leg).min(axis=2)
                    rows = part | (1 << following)
                    least[stop][rows] = np.minimum(least[stop][rows], through)
    return least

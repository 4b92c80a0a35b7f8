"""Small changes of an order, each refused early when the plain pairwise path gets too much longer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from skysample.geometry import Array

__all__ = ["Change", "Moves"]

_NEAREST = 10
_SHORT_SEGMENT = 3

Change = tuple[list[int], int, int]
"""A new order, and the first and the last position in which it differs from the old one."""


class Moves:
    """What can be changed in an order.

    Parameters
    ----------
    legs : ndarray, shape (n + 1, n + 1)
        Least seconds of each pair, the start last.
    order : sequence of int
        The present order.

    Attributes
    ----------
    near : list of list of int
        For each stop, those soonest reached from it.
    position : list of int
        Where each stop is in the present order.
    """

    def __init__(self, legs: Array, order: Sequence[int]) -> None:
        count = len(order)
        others = legs[:count, :count] + np.diag(np.full(count, np.inf))
        self.near = np.argsort(others, axis=1, kind="stable")[:, : min(_NEAREST, count - 1)].tolist()
        # Leaving from the start (stop number n) takes its time; after the end (number n + 1) nothing does.
        self._legs: list[list[float]] = np.pad(legs, ((0, 1), (0, 1))).tolist()
        self._start, self._end = count, count + 1
        self.position = [0] * count
        self.moved(list(order), 0, count - 1)

    def moved(self, order: list[int], first: int, last: int) -> None:
        """Note that a change has been made."""
        for place in range(first, last + 1):
            self.position[order[place]] = place

    def reversal(self, order: list[int], first: int, last: int, slack: float) -> Change | None:
        """Take positions first..last in the opposite sense."""
        if last <= first:
            return None
        before, after = self._around(order, first, last)
        legs, head, tail = self._legs, order[first], order[last]
        if legs[before][tail] + legs[head][after] - legs[before][head] - legs[tail][after] > slack:
            return None
        return [*order[:first], *order[first : last + 1][::-1], *order[last + 1 :]], first, last

    def relocation(
        self, order: list[int], target: int, source: int, *, length: int, backwards: bool, slack: float
    ) -> Change | None:
        """Move a segment in front of position `target`; the stop at `source` is its end on that side."""
        if source >= target:
            begin, end = source, min(source + length, len(order))
        else:
            begin, end = max(source + 1 - length, 0), source + 1
        if begin <= target <= end:
            return None
        segment = order[begin:end]
        if backwards:
            segment.reverse()
        legs = self._legs
        before, after = self._around(order, begin, end - 1)
        ahead, behind = self._around(order, target, target - 1)
        longer = (
            legs[before][after]
            - legs[before][order[begin]]
            - legs[order[end - 1]][after]
            + legs[ahead][segment[0]]
            + legs[segment[-1]][behind]
            - legs[ahead][behind]
        )
        if longer > slack:
            return None
        if target < begin:
            return [*order[:target], *segment, *order[target:begin], *order[end:]], target, end - 1
        return [*order[:begin], *order[end:target], *segment, *order[target:]], begin, target - 1

    def exchange(self, order: list[int], one: int, other: int, slack: float) -> Change | None:
        """Let the stops at two positions change places."""
        if one == other:
            return None
        first, last = min(one, other), max(one, other)
        if last == first + 1:
            return self.reversal(order, first, last, slack)
        legs, a, b = self._legs, order[first], order[last]
        before_a, after_a = self._around(order, first, first)
        before_b, after_b = self._around(order, last, last)
        longer = (
            legs[before_a][b]
            + legs[b][after_a]
            - legs[before_a][a]
            - legs[a][after_a]
            + legs[before_b][a]
            + legs[a][after_b]
            - legs[before_b][b]
            - legs[b][after_b]
        )
        if longer > slack:
            return None
        new = order.copy()
        new[first], new[last] = b, a
        return new, first, last

    def all_changes(self, order: list[int], stop: int, near: int, slack: float) -> Iterator[Change]:
        """Return every change that brings two stops together; short segments only."""
        one, other = self.position[stop], self.position[near]
        first, last = min(one, other), max(one, other)
        tried = [
            self.reversal(order, first + 1, last, slack),
            self.reversal(order, first, last - 1, slack),
            self.reversal(order, 0, one, slack),
            self.reversal(order, one, len(order) - 1, slack),
            self.exchange(order, one, other, slack),
        ]
        tried.extend(
            self.relocation(order, one + side, other, length=length, backwards=backwards, slack=slack)
            for length in range(1, _SHORT_SEGMENT + 1)
            for side in (0, 1)
            for backwards in (False, True)
        )
        return (change for change in tried if change is not None)

    def _around(self, order: list[int], first: int, last: int) -> tuple[int, int]:
        before = order[first - 1] if first > 0 else self._start
        after = order[last + 1] if last + 1 < len(order) else self._end
        return before, after

"""Small changes to an order, each refused early if it lengthens the pairwise path too much."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from skysample.listeners import tell

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from skysample.geometry import Array

    Ints = NDArray[np.int64]

_NEAREST = 8
_SHORT_SEGMENT = 3
_LONGEST_SEGMENT = 16
_LONGEST_REACH = 100
"""Changes that touch more positions than this cost much to evaluate and rarely help."""
_REVERSALS, _OPEN_ENDS = 0.35, 0.02
_BLOCK = 512

_AFTER_FIRST, _BEFORE_LAST, _FROM_START, _TO_END, _RELOCATIONS = range(5)
"""How to bring two stops together: four reversals; from `_RELOCATIONS` on, segments of any length (see `_splits`)."""

Change = tuple[int, int, list[int]]
"""First and last position of a piece of the order, and the stops that are to stand there instead."""


class _Splits(NamedTuple):
    """Changes as arrays: positions first..last are cut before `cut`, and the two parts are swapped.

    Of these the part that is not `leftward` stays as it is; the moved one is `backward` or not. A reversal
    is a move of the whole to the left.
    """

    first: Ints
    last: Ints
    cut: Ints
    leftward: NDArray[np.bool_]
    backward: NDArray[np.bool_]

    def at(self, index: Ints | NDArray[np.bool_]) -> _Splits:
        """Return some of them."""
        return _Splits._make(each[index] for each in self)


class Moves:
    """The changes that can be made to an order.

    Parameters
    ----------
    legs : ndarray, shape (n + 1, n + 1)
        Least seconds of each pair, the start last.
    order : list of int
        The present order of all stops or some, which the caller changes in place.

    Attributes
    ----------
    order : list of int
        The same list.
    stops : ndarray of int, shape (m,)
        Those of the order, ascending.
    near : ndarray of int, shape (m, k)
        For each of them those soonest reached from it.
    """

    def __init__(self, legs: Array, order: list[int]) -> None:
        self.order = order
        self.stops: Ints = np.sort(np.array(order, np.int64))
        others = legs[np.ix_(self.stops, self.stops)] + np.diag(np.full(len(order), np.inf))
        nearest = np.argsort(others, axis=1, kind="stable")[:, : min(_NEAREST, len(order) - 1)]
        self.near: Ints = self.stops[nearest]
        # Leaving from the start (stop number n) takes its time; after the end (number n + 1) nothing does.
        self._legs = np.pad(legs, ((0, 1), (0, 1)))
        self._start, self._end = len(legs) - 1, len(legs)

    def changes(self, stop: Ints, near: Ints, how: Ints, slack: Array) -> Iterator[tuple[int, Change]]:
        """Return those changes that lengthen the pairwise path by less than the slack.

        Parameters
        ----------
        stop, near : ndarray of int, shape (m,)
            Two stops of the order to bring together.
        how : ndarray of int, shape (m,)
            See `_splits`.
        slack : ndarray, shape (m,)
            Seconds.

        Yields
        ------
        tuple of int and Change
            Which of the m, and the change as it was at first: one made in the meantime does not matter, since
            any piece of an order may be replaced.
        """
        position = np.zeros(self._end, np.int64)
        position[self.order] = np.arange(len(self.order))
        splits = _splits(position[stop], position[near], how, len(self.order))
        split = (splits.first < splits.cut) & (splits.cut <= splits.last)
        reversal = (
            (splits.first == splits.cut) & (splits.cut < splits.last) & splits.leftward & splits.backward
        )
        worth = np.flatnonzero((split | reversal) & (splits.last - splits.first <= _LONGEST_REACH))
        worth = worth[self._longer(splits.at(worth)) <= slack[worth]]
        for number, first, last, cut, leftward, backward in zip(
            worth.tolist(), *(each.tolist() for each in splits.at(worth)), strict=True
        ):
            front, back = self.order[first:cut], self.order[cut : last + 1]
            if backward:
                (back if leftward else front).reverse()
            yield number, (first, last, back + front)

    def _longer(self, splits: _Splits) -> Array:
        """Increase of the pairwise path, in seconds."""
        order = np.array([self._start, *self.order, self._end], np.int64)
        first, last, cut = splits.first + 1, splits.last + 1, splits.cut + 1
        before, after = order[first - 1], order[last + 1]
        front, front_end = order[first], order[cut - 1]
        back, back_end = order[cut], order[last]
        legs = self._legs
        whole = splits.cut == splits.first  # nothing in front: legs of a stop to itself take no time
        backs = splits.leftward & splits.backward
        fronts = ~splits.leftward & splits.backward
        old = legs[before, np.where(whole, before, front)] + legs[front_end, back] + legs[back_end, after]
        back, back_end = np.where(backs, back_end, back), np.where(backs, back, back_end)
        front, front_end = np.where(fronts, front_end, front), np.where(fronts, front, front_end)
        front, front_end = np.where(whole, after, front), np.where(whole, after, front_end)
        longer: Array = legs[before, back] + legs[back_end, front] + legs[front_end, after] - old
        return longer

    def all_changes(self, slack: float) -> Iterator[Change]:
        """Return every change that brings two near stops together; short segments only."""
        kinds = np.arange(_RELOCATIONS + 4 * _SHORT_SEGMENT)
        width = self.near.shape[1]
        stop = np.repeat(self.stops, width * len(kinds))
        near = np.repeat(self.near.ravel(), len(kinds))
        how = np.tile(kinds, self.near.size)
        return (change for _, change in self.changes(stop, near, how, np.full(len(stop), slack)))


def _splits(one: Ints, other: Ints, how: Ints, count: int) -> _Splits:
    """Turn "bring these two positions together" into swaps of segments.

    Parameters
    ----------
    one, other : ndarray of int, shape (m,)
        Positions.
    how : ndarray of int, shape (m,)
        A reversal between the two, or from one to an end of the order; or, with
        `_RELOCATIONS` + 4 (length - 1) + 2 backward + side: the segment of that length that has `other` at its
        end goes before (side 0) or behind (side 1) `one`.
    count : int
        Stops of the order.
    """
    moving = np.maximum(how - _RELOCATIONS, 0)
    length, backward, side = moving // 4 + 1, (moving & 2) > 0, moving & 1
    target = one + side
    leftward = target <= other
    begin = np.where(leftward, other, np.maximum(other + 1 - length, 0))
    end = np.where(leftward, np.minimum(other + length, count), other + 1)
    first, last = np.where(leftward, target, begin), np.where(leftward, end, target) - 1
    cut = np.where(leftward, begin, end)
    low, high = np.minimum(one, other), np.maximum(one, other)
    turned = [how == each for each in (_AFTER_FIRST, _BEFORE_LAST, _FROM_START, _TO_END)]
    first = np.select(turned, [low + 1, low, np.zeros_like(low), one], first)
    last = np.select(turned, [high, high - 1, one, np.full_like(low, count - 1)], last)
    reversal = how < _RELOCATIONS
    return _Splits(first, last, np.where(reversal, first, cut), leftward | reversal, backward | reversal)


def random_changes(
    moves: Moves, *, trials: int, seed: int, heat: tuple[float, float], slack: float
) -> Iterator[tuple[Change, float]]:
    """Propose random changes between neighbouring stops, for annealing.

    Parameters
    ----------
    moves : Moves
        Of the present order, which may change between proposals.
    trials : int
        How many are drawn. Most fail on the pairwise path and never appear.
    seed : int
        Same seed, same proposals.
    heat : tuple of float
        Temperatures at the beginning and at the end, seconds; falling geometrically.
    slack : float
        Seconds by which the pairwise path may be longer than the true time, because the dome may give it back.

    Yields
    ------
    tuple of Change and float
        A change, and the seconds by which it may lengthen the true time and still be taken.
    """
    generator = np.random.default_rng(seed)
    count, width = moves.near.shape
    for first_trial in range(0, trials, _BLOCK):
        tell("ordering the points", first_trial, trials)
        size = min(_BLOCK, trials - first_trial)
        fraction = (first_trial + np.arange(size)) / trials
        temperature = heat[0] * (heat[1] / heat[0]) ** fraction
        allowances = -temperature * np.log1p(-generator.random(size))
        lengths = (generator.random((2, size)).prod(axis=0) * _LONGEST_SEGMENT).astype(np.int64)
        number, which = generator.integers(count, size=size), generator.integers(width, size=size)
        kind, quarter = generator.random(size), generator.integers(4, size=size)
        how = np.select(
            [kind < _OPEN_ENDS, kind < _REVERSALS],
            [_FROM_START + quarter % 2, _AFTER_FIRST + quarter % 2],
            _RELOCATIONS + 4 * lengths + quarter,
        )
        stop, near = moves.stops[number], moves.near[number, which]
        for trial, change in moves.changes(stop, near, how, allowances + slack):
            yield change, float(allowances[trial])

"""Orderings: in which order to visit the points, and what that costs in motion."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError, PluginError
from skysample.ordering.bound import mount_bound
from skysample.ordering.front import FrontPoint, front
from skysample.ordering.problem import OrderingProblem
from skysample.ordering.schedules import Schedule, schedule
from skysample.ordering.strategies.annealed import Annealed
from skysample.ordering.strategies.nearest import Nearest
from skysample.ordering.strategies.snake import Snake
from skysample.plugins.guarded_calls import guarded_call, is_own
from skysample.plugins.hookspecs import hookimpl

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from skysample.plugins.contracts import Ordering

__all__ = [
    "DEFAULT_ORDERING",
    "Annealed",
    "FrontPoint",
    "Nearest",
    "OrderingProblem",
    "Schedule",
    "Snake",
    "best_order",
    "front",
    "mount_bound",
    "named_ordering",
    "schedule",
    "skysample_orderings",
]

DEFAULT_ORDERING = "annealed"
_HOOK = "skysample_orderings"


@hookimpl
def skysample_orderings() -> list[Ordering]:
    """Return the core's orderings; they suit any site."""
    return [Annealed(), Snake(), Nearest()]


def named_ordering(name: str | None, known: Mapping[str, Ordering]) -> Ordering:
    """Look an ordering up by its name; the default one for None, InputError for an unknown one."""
    wanted = name or DEFAULT_ORDERING
    if wanted not in known:
        raise InputError(f"there is no ordering {wanted!r}; known: {', '.join(sorted(known))}", key="order")
    return known[wanted]


def best_order(problem: OrderingProblem, ordering: Ordering) -> NDArray[np.int64]:
    """Ask an ordering, the core's or a plugin's, and check what it answers.

    Parameters
    ----------
    problem : OrderingProblem
        Stops and present state.
    ordering : Ordering
        Whom to ask.

    Returns
    -------
    ndarray of int, shape (n,)
        A permutation of 0..n-1, in visiting order.

    Raises
    ------
    PluginError
        If the ordering raises, or answers with anything but such a permutation.
    """
    with guarded_call(ordering.name, _HOOK, "its order()", own=is_own(ordering)):
        answer: Any = np.asarray(ordering.order(problem.read_only()))
    if answer.shape != (problem.points,):
        reason = f"its order() returned shape {answer.shape}, not {problem.points} numbers"
        raise PluginError(reason, plugin=ordering.name, hook=_HOOK)
    if problem.points == 0:
        return problem.numbers
    if answer.dtype.kind not in "iu" or not np.array_equal(np.sort(answer), problem.numbers):
        reason = f"its order() returned {answer.dtype} values that are not a permutation of 0..{problem.points - 1}"
        raise PluginError(reason, plugin=ordering.name, hook=_HOOK)
    order: NDArray[np.int64] = answer.astype(np.int64)
    return order

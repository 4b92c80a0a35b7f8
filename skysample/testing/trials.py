"""Run many simulated nights on any executor, each with its own seed: one core and a cluster give the same answers."""

from __future__ import annotations

from functools import partial
from itertools import chain
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor

Result = TypeVar("Result")


def trials(
    work: Callable[[np.random.Generator], Result],
    count: int,
    *,
    seed: int | tuple[int, ...] = 0,
    executor: Executor | None = None,
    batch: int = 25,
    progress: Callable[[int, int], None] | None = None,
) -> list[Result]:
    """Repeat a calculation with fresh random numbers.

    Trial i always draws from `numpy.random.default_rng([*seed, i])`: neither the executor, nor the number of its
    workers, nor `batch` changes an answer, and more trials leave the first ones unchanged.

    Parameters
    ----------
    work : callable
        Takes a generator. Picklable, and its answer too, if the executor works in other processes.
    count : int
        Number of trials, 0 or more.
    seed : int or tuple of int
        0 or more.
    executor : concurrent.futures.Executor, optional
        Threads, processes, `Client.get_executor()` of dask, `MPIPoolExecutor` of mpi4py; default: this process.
    batch : int
        Trials sent together.
    progress : callable, optional
        Called after each batch with the number of trials done, and the number of all.

    Returns
    -------
    list
        The answer of each trial, in order.

    Raises
    ------
    InputError
        If a number is out of range.
    """
    for key, number, least in (("count", count, 0), ("batch", batch, 1)):
        if number < least:
            raise InputError(f"{key} is {number}; give {least} or more", key=key)
    root = (seed,) if isinstance(seed, int) else tuple(seed)
    parts = [range(start, min(start + batch, count)) for start in range(0, count, batch)]
    do = partial(_batch, work, root)
    found: list[list[Result]] = []
    for part, answers in zip(parts, (map if executor is None else executor.map)(do, parts), strict=True):
        found.append(answers)
        if progress is not None:
            progress(part.stop, count)
    return list(chain.from_iterable(found))


def _batch(
    work: Callable[[np.random.Generator], Result], root: tuple[int, ...], numbers: range
) -> list[Result]:
    return [work(np.random.default_rng([*root, number])) for number in numbers]

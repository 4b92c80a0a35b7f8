"""What a long calculation is at: told to whoever listens in the same context, to nobody else."""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    Listener = Callable[[str, int, int], None]

__all__ = ["listening", "tell"]

_LISTENER: ContextVar[Listener | None] = ContextVar("skysample_listener", default=None)


@contextmanager
def listening(listener: Listener) -> Iterator[None]:
    """Be told what a long calculation is at, for a progress bar.

    Holds for the calls made in the `with` block, in this context: another thread neither hears nor is heard, unless
    the context was copied to it, as `asyncio.to_thread` does, or to a task made in the block. The listener is then
    called from there, and has to bear it.

    Parameters
    ----------
    listener : callable
        Called with what is being done, in words; how much of it is done; and of how much, 0 where that is not known.
        What it raises ends the calculation: a way to cancel one.

    Yields
    ------
    None
    """
    token = _LISTENER.set(listener)
    try:
        yield
    finally:
        _LISTENER.reset(token)


def tell(doing: str, done: int = 0, of: int = 0) -> None:
    """Tell the listener, if there is one."""
    listener = _LISTENER.get()
    if listener is not None:
        listener(doing, done, of)

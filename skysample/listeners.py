"""Report what a long calculation is doing, to a listener in the same context only."""

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
    """Receive reports of what a long calculation is doing, for a progress bar.

    Applies to the calls in the `with` block, in this context: another thread neither hears nor is heard, unless the
    context is copied to it, as `asyncio.to_thread` does, or to a task made in the block. The listener is then called
    from that thread, so it has to be thread-safe.

    Parameters
    ----------
    listener : callable
        Called with what is being done, in words; how much of it is done; and out of how much, 0 if unknown. If it
        raises, the calculation ends with that exception: a way to cancel one.

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
    """Report to the listener, if there is one."""
    listener = _LISTENER.get()
    if listener is not None:
        listener(doing, done, of)

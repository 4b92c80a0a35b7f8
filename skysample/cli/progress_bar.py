"""A progress bar on the terminal: shown after a second, gone before the command prints."""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from contextvars import ContextVar
from threading import Lock, Timer
from typing import TYPE_CHECKING

from skysample.listeners import listening

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.progress import Progress

_DELAY_S = 1.0


class _Bar:
    """Shows the latest stage; rich, which draws it, is imported only if the bar appears."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._stage = ("working", 0, 0)
        self._drawn: Progress | None = None
        self._ended = False
        self._timer = Timer(_DELAY_S, self._show)
        self._timer.daemon = True
        self._timer.start()

    def update(self, doing: str, done: int, of: int) -> None:
        self._stage = (doing, done, of)
        drawn = self._drawn
        if drawn is not None:
            # `Progress.update` cannot clear a total.
            drawn.tasks[0].total = of or None
            drawn.update(drawn.task_ids[0], description=doing, completed=done)

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
        # Standard output may be a file or a pipe: leave it alone.
        drawn = Progress(
            *columns,
            console=Console(stderr=True),
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
        )
        with self._lock:
            if self._ended:
                return
            doing, done, of = self._stage
            drawn.add_task(doing, completed=done, total=of or None)
            drawn.start()
            self._drawn = drawn

    def end(self) -> None:
        self._timer.cancel()
        with self._lock:
            self._ended = True
            if self._drawn is not None:
                self._drawn.stop()
                self._drawn = None


_BAR: ContextVar[_Bar | None] = ContextVar("skysample_bar", default=None)


@contextmanager
def progress_bar() -> Iterator[None]:
    """Show a bar on stderr if that is a terminal that can move its cursor."""
    if not sys.stderr.isatty() or os.environ.get("TERM", "") in {"", "dumb"}:
        yield
        return
    bar = _Bar()
    token = _BAR.set(bar)
    try:
        with listening(bar.update):
            yield
    finally:
        bar.end()
        _BAR.reset(token)


def clear_bar() -> None:
    """Remove the bar for good, before anything is printed."""
    bar = _BAR.get()
    if bar is not None:
        bar.end()

"""Ask a plugin one thing: whatever it raises is named in a sentence, and so is the time where it takes long."""

from __future__ import annotations

import time
import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from skysample.errors import InputError, PluginError, SkysampleWarning

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["SLOW_S", "asking", "is_own"]

SLOW_S = 10.0
"""A plugin that takes longer over one question is named. Nothing is cut off: an answer never depends on the clock."""


@contextmanager
def asking(plugin: str, hook: str, what: str = "", *, own: bool = False) -> Iterator[None]:
    """Put one question to a plugin within this context.

    Parameters
    ----------
    plugin, hook : str
        How it is named.
    what : str
        What is called, where it is not the hook itself: "its blocks()".
    own : bool
        Whether it is the core's own, whose time is not remarked on.

    Raises
    ------
    PluginError
        If it raises anything.
    InputError
        As it raised it: its own settings in the site file are wrong.
    """
    start_of_sentence = f"{what} " if what else ""
    begun = time.perf_counter()
    try:
        yield
    except (InputError, PluginError):
        raise
    except Exception as error:
        problem = f"{start_of_sentence}raised {type(error).__name__}: {error}"
        raise PluginError(problem, plugin=plugin, hook=hook) from error
    spent = time.perf_counter() - begun
    if spent > SLOW_S and not own:
        warnings.warn(
            f"plugin {plugin!r}, hook {hook!r}: {start_of_sentence}took {spent:.0f} s over one question; the answer"
            " stands",
            SkysampleWarning,
            stacklevel=3,
        )


def is_own(part: Any) -> bool:
    """Whether an obstruction, ordering or term is the core's own."""
    return type(part).__module__.partition(".")[0] == "skysample"

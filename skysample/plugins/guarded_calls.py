"""Guard a call of a plugin: its exceptions become one-sentence errors, and a slow call a warning."""

from __future__ import annotations

import time
import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from skysample.errors import InputError, PluginError, SkysampleWarning

if TYPE_CHECKING:
    from collections.abc import Iterator

SLOW_S = 10.0
"""A call that takes longer gives a warning. It is never cut off: no answer depends on the clock."""


@contextmanager
def guarded_call(plugin: str, hook: str, what: str = "", *, own: bool = False) -> Iterator[None]:
    """Call a plugin within this context.

    Parameters
    ----------
    plugin, hook : str
        Named in errors.
    what : str
        What is called, if it is not the hook itself: "its blocks()".
    own : bool
        Whether it is one of ours, which may take its time.

    Raises
    ------
    PluginError
        If it raises anything.
    InputError
        As raised: its own settings in the site file are wrong.
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
            f"plugin {plugin!r}, hook {hook!r}: {start_of_sentence}took {spent:.0f} s for one call; the answer"
            " stands",
            SkysampleWarning,
            stacklevel=3,
        )


def is_own(part: Any) -> bool:
    """Whether an obstruction, ordering or term is one of skysample's own."""
    return type(part).__module__.partition(".")[0] == "skysample"

"""The exceptions and the warning that skysample raises.

::

    SkysampleError
    ├── InputError       a file, a row, a key or an argument is wrong
    ├── NotDetermined    the data cannot tell two terms apart
    ├── NoSolution       nothing usable, or a target out of reach
    └── PluginError      a plugin raised, or returned what does not fit

    SkysampleWarning     an answer stands, with the reservation named
"""

from __future__ import annotations

__all__ = [
    "InputError",
    "NoSolution",
    "NotDetermined",
    "PluginError",
    "SkysampleError",
    "SkysampleWarning",
]


class SkysampleError(Exception):
    """Base of every error that skysample raises on purpose."""


class InputError(SkysampleError, ValueError):
    """Something handed in is wrong: one sentence says what, where, and what to do.

    Parameters
    ----------
    message : str
        What is wrong and what to do.
    file : str, optional
        The file it was read from.
    row : int, optional
        The data row, counted from 1.
    key : str, optional
        The key, column or parameter at fault.
    """

    def __init__(
        self,
        message: str,
        *,
        file: str | None = None,
        row: int | None = None,
        key: str | None = None,
    ) -> None:
        self.message = message
        self.file = file
        self.row = row
        self.key = key
        where = [] if file is None else [f"{file}"]
        if row is not None:
            where.append(f"row {row}")
        super().__init__(": ".join([*where, message]))


class NotDetermined(SkysampleError):
    """The data does not determine what was asked for.

    Parameters
    ----------
    message : str
        What is not determined, why, and what to do.
    pair : tuple of str
        The names of the terms that cannot be told apart (empty when the points are too few).
    condition : float
        Condition number of the column-scaled design matrix.
    """

    def __init__(self, message: str, *, pair: tuple[str, ...] = (), condition: float = float("inf")) -> None:
        self.pair = pair
        self.condition = condition
        super().__init__(message)


class NoSolution(SkysampleError):
    """Nothing usable is left, or the target cannot be reached.

    Parameters
    ----------
    message : str
        What cannot be had, and what to do.
    partial : object, optional
        The part of the answer that was found before it failed.
    """

    def __init__(self, message: str, *, partial: object = None) -> None:
        self.partial = partial
        super().__init__(message)


class PluginError(SkysampleError):
    """A plugin raised, or returned what does not fit.

    Parameters
    ----------
    message : str
        What went wrong.
    plugin : str
        The plugin's registered name.
    hook : str
        The hook that was being answered.
    """

    def __init__(self, message: str, *, plugin: str, hook: str) -> None:
        self.plugin = plugin
        self.hook = hook
        # What a plugin raises may run over many lines; an error is one.
        super().__init__(f"plugin {plugin!r}, hook {hook!r}: {' '.join(message.split())}")


class SkysampleWarning(UserWarning):
    """An answer stands, but with a reservation that the message names."""

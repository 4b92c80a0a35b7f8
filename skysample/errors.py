"""The exceptions and the warning that skysample raises.

::

    SkysampleError
    ├── InputError       a file, a row, a key or an argument is wrong
    ├── NotDetermined    the data cannot separate two terms
    ├── NoSolution       nothing usable, or a target out of reach
    └── PluginError      a plugin raised, or returned something invalid

    SkysampleWarning     the answer stands, with a reservation
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
    """An input is wrong: one sentence says what, where, and what to do.

    Parameters
    ----------
    message : str
        What is wrong and what to do.
    file : str, optional
        The file that it was read from.
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
    """The data do not determine the answer.

    Parameters
    ----------
    message : str
        What is not determined, why, and what to do.
    pair : tuple of str
        Names of the terms that cannot be separated (empty if there are too few points).
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
        What is missing, and what to do.
    partial : object, optional
        The part of the answer found before the failure.
    """

    def __init__(self, message: str, *, partial: object = None) -> None:
        self.partial = partial
        super().__init__(message)


class PluginError(SkysampleError):
    """A plugin raised, or returned something invalid.

    Parameters
    ----------
    message : str
        What went wrong.
    plugin : str
        The plugin's registered name.
    hook : str
        The hook that was called.
    """

    def __init__(self, message: str, *, plugin: str, hook: str) -> None:
        self.plugin = plugin
        self.hook = hook
        # An exception of a plugin may have many lines; an error has one.
        super().__init__(f"plugin {plugin!r}, hook {hook!r}: {' '.join(message.split())}")


class SkysampleWarning(UserWarning):
    """The answer stands, with the reservation in the message."""

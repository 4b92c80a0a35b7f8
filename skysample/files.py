"""Reading and writing files: whole or not at all, and every file says its format and version."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["check_format", "read_json", "read_text", "write_json", "write_whole"]


def read_text(path: str | os.PathLike[str]) -> str:
    """Return a file's text.

    Raises
    ------
    InputError
        If it is missing, a folder, unreadable, or not UTF-8.
    """
    name = os.fspath(path)
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError("there is no such file; check the path", file=name) from None
    except IsADirectoryError:
        raise InputError("is a folder; name a file", file=name) from None
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text; save it as UTF-8", file=name) from None
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read ({error}); check the path and its permissions", file=name) from None


def write_whole(path: str | os.PathLike[str], content: str | bytes) -> None:
    """Write a file whole or not at all: temporary file beside it, fsync, rename.

    Raises
    ------
    InputError
        If the place cannot be written to. A file that was there before is then still there.
    """
    target = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        mode = target.stat().st_mode & 0o777 if target.exists() else 0o666 & ~_umask()
        Path(temporary).chmod(mode)
        Path(temporary).replace(target)
    except OSError as error:
        if temporary:
            Path(temporary).unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise InputError(
            f"cannot be written ({reason}); name a file in a folder that exists and may be written to",
            file=os.fspath(path),
        ) from None


def _umask() -> int:
    current = os.umask(0o022)
    os.umask(current)
    return current


def write_json(path: str | os.PathLike[str], content: Mapping[str, Any]) -> None:
    """Write one JSON object, whole or not at all."""
    write_whole(path, json.dumps(content, indent=1, allow_nan=False) + "\n")


def read_json(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read one JSON object.

    Raises
    ------
    InputError
        If the file cannot be read or does not hold one JSON object.
    """
    name = os.fspath(path)
    try:
        content = json.loads(read_text(path))
    except json.JSONDecodeError as error:
        raise InputError(
            f"is not JSON ({error.msg}, line {error.lineno}); name a file that skysample wrote", file=name
        ) from None
    except RecursionError:
        raise InputError("is not a file of ours (nested too deeply)", file=name) from None
    if not isinstance(content, dict):
        raise InputError("does not hold a JSON object; name a file that skysample wrote", file=name)
    return content


def check_format(content: Mapping[str, Any], expected: str, version: int, file: str) -> None:
    """Refuse a file of another format, or of a newer major version.

    Raises
    ------
    InputError
        Says which format and version were found.
    """
    found = content.get("format")
    if found != expected:
        raise InputError(
            f"its format is {found!r}, not {expected!r}; name a file of that kind", file=file, key="format"
        )
    number = content.get("version")
    if not isinstance(number, int) or isinstance(number, bool) or number < 1:
        raise InputError(f"its version is {number!r}, not a whole number from 1", file=file, key="version")
    if number > version:
        raise InputError(
            f"was written by a newer skysample (format version {number}, this one reads up to {version});"
            " update skysample",
            file=file,
            key="version",
        )

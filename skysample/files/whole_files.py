"""Read and write files: written whole or not at all, and every file declares its format and version."""

from __future__ import annotations

import errno
import json
import os
import re
import secrets
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

_FORMAT = re.compile(r"""format["']?\s*:\s*["']?(skysample-[a-z]+)""")
_HEAD = 4096

LARGEST_BYTES = 2**29
"""Largest file that is read: four times a table of a million exposures, and a stop for endless devices."""


def read_text(path: str | os.PathLike[str]) -> str:
    """Return a file's text.

    Raises
    ------
    InputError
        If it is missing, a folder, unreadable, larger than half a gigabyte, or not UTF-8.
    """
    try:
        with Path(path).open("rb") as stream:
            content = stream.read(LARGEST_BYTES + 1)
        if len(content) <= LARGEST_BYTES:
            # Line ends as in Python's own text files, whatever system wrote them.
            return content.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
        fault = f"is larger than {LARGEST_BYTES} bytes; name the right file"
    except FileNotFoundError:
        fault = "there is no such file; check the path"
    except IsADirectoryError:
        fault = "is a folder; name a file"
    except UnicodeDecodeError:
        fault = "is not UTF-8 text; save it as UTF-8"
    except OSError as error:
        fault = f"cannot be read ({error.strerror or error}); check the path and its permissions"
    except ValueError:
        fault = "is not a path; check it"
    raise InputError(fault, file=os.fspath(path))


def check_place(
    path: str | os.PathLike[str],
    inputs: Iterable[str | os.PathLike[str]] = (),
    *,
    holds: str | None = None,
) -> None:
    """Refuse a path that cannot be written to, before the work whose result goes there.

    Parameters
    ----------
    path : path-like
        Where a file is to be written.
    inputs : iterable of path-like
        Files that the result is made from: none may be overwritten.
    holds : str, optional
        Format to be written, empty if it is not one of ours: a file of another of our formats is not overwritten.

    Raises
    ------
    InputError
        If the folder is missing or protected, or the path is a folder, a device, a protected file, one of the inputs,
        or a file of another of our formats.
    """
    refusal = partial(InputError, file=os.fspath(path))
    target = _resolved(path)
    exists = target.exists()
    if os.fspath(target) in map(os.path.realpath, inputs):
        raise refusal("is already used by this command; name another file to write to")
    if target.is_dir():
        raise refusal("cannot be written (it is a folder); name a file")
    if exists and not target.is_file():
        raise refusal("cannot be written (it is not an ordinary file); name a file")
    if holds is not None and exists and (other := _format_of(target)) not in {None, holds}:
        raise refusal(f"is a {other} file, which would be lost; name another file to write to")
    if not target.parent.is_dir():
        raise refusal(
            f"cannot be written (there is no folder {target.parent}); make it, or name another file"
        )
    if not os.access(target if exists else target.parent, os.W_OK):
        raise refusal("cannot be written (it is protected); name another file")


def declared_format(text: str) -> str | None:
    """Name the skysample format that a text declares in its first lines; None for any other text."""
    found = _FORMAT.search(text[:_HEAD])
    return None if found is None else found[1]


def _format_of(path: Path) -> str | None:
    with path.open("rb") as stream:
        return declared_format(stream.read(_HEAD).decode("utf-8", "replace"))


def write_whole(path: str | os.PathLike[str], content: str | bytes) -> None:
    """Write a file whole or not at all: temporary file beside it, fsync, rename, fsync of the folder.

    When this returns, the new content survives the end of the process, and a power cut as far as system and disk
    keep the promise of fsync. Until then the old content does.

    Raises
    ------
    InputError
        If the file cannot be written. The earlier file is then still there, unless only the folder could not be
        synced: then the new one is.
    """
    check_place(path)
    target = _resolved(path)
    # What UTF-8 cannot hold (half of a surrogate pair) is written as its number.
    data = content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content
    temporary = target.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with temporary.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if target.exists():
            temporary.chmod(target.stat().st_mode & 0o777)
        temporary.replace(target)
        _sync_folder(target.parent)
    except OSError as error:
        reason = error.strerror or error
        message = f"cannot be written ({reason}); name a file in a folder that exists and may be written to"
        raise InputError(message, file=os.fspath(path)) from None
    finally:
        temporary.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    """Sync a rename to disk, on systems where folders can be opened and synced."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except PermissionError:
        return
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(descriptor)


def _resolved(path: str | os.PathLike[str]) -> Path:
    """Follow links: a link stays a link, and the file that it points to is written."""
    try:
        target = Path(os.path.realpath(path))
        target.exists()
    except (OSError, ValueError):
        raise InputError("cannot be written (it is not a path); name a file", file=os.fspath(path)) from None
    return target


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
    text = read_text(path)
    try:
        content = json.loads(text)
    except json.JSONDecodeError as error:
        fault = f"is not JSON ({error.msg}, line {error.lineno})"
    except RecursionError:
        fault = "is nested too deeply"
    except ValueError:
        fault = "holds a number of thousands of digits"
    else:
        if isinstance(content, dict):
            return content
        fault = "does not hold a JSON object"
    raise InputError(f"{fault}; name a file that skysample wrote", file=os.fspath(path))


def check_format(content: Mapping[str, Any], expected: str, version: int, file: str) -> None:
    """Refuse a file of another format, or of a newer version.

    Raises
    ------
    InputError
        Gives the format and version found.
    """
    found, number = content.get("format"), content.get("version")
    if found != expected:
        message = f"its format is {found!r}, not {expected!r}; name a file of that kind"
        raise InputError(message, file=file, key="format")
    if not isinstance(number, int) or isinstance(number, bool) or number < 1:
        raise InputError(f"its version is {number!r}; write a whole number from 1", file=file, key="version")
    if number > version:
        message = (
            f"was written by a newer skysample (format version {number}, this one reads up to {version});"
            " update skysample"
        )
        raise InputError(message, file=file, key="version")

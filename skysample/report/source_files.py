"""The files and the software behind a record, so that it can be computed again."""

from __future__ import annotations

import hashlib
import platform
import tomllib
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from skysample.errors import InputError
from skysample.files.whole_files import read_text
from skysample.version import __version__

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable

    from skysample.plugins.registry import Registry

_PACKAGES = ("numpy", "scipy", "astropy", "pyerfa", "hpgeom")


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file behind the record.

    Attributes
    ----------
    part : str
        What it is: "site", "horizon", "final run", "first run", "second run", "earlier model", "tracking log".
    name : str
        Without its folder.
    sha256 : str
        Hexadecimal digest of its bytes.
    size_bytes : int
    """

    part: str
    name: str
    sha256: str
    size_bytes: int


def source_files(
    site_path: str | os.PathLike[str], others: Iterable[tuple[str, str | os.PathLike[str] | None]]
) -> tuple[SourceFile, ...]:
    """Name, size and digest of a site file, of its horizon file if it has one, and of other parts that are not None.

    Raises
    ------
    InputError
        If one cannot be read.
    """
    horizon = tomllib.loads(read_text(site_path)).get("sky", {}).get("horizon")
    sources: list[tuple[str, str | os.PathLike[str] | None]] = [("site", site_path)]
    if isinstance(horizon, str):
        sources.append(("horizon", Path(site_path).parent / horizon))
    return tuple(_source_file(part, Path(path)) for part, path in [*sources, *others] if path is not None)


def _source_file(part: str, path: Path) -> SourceFile:
    try:
        content = path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"cannot be read ({reason}); check the path", file=str(path)) from None
    return SourceFile(part, path.name, hashlib.sha256(content).hexdigest(), len(content))


def software(registry: Registry) -> tuple[tuple[str, str], ...]:
    """Names and versions of the software that computed the record, third-party plugins included."""
    others = {
        (each.distribution, each.version)
        for each in registry.installed
        if each.distribution != "skysample" and not each.problem
    }
    own = ((package, version(package)) for package in _PACKAGES)
    return ("Python", platform.python_version()), ("skysample", __version__), *own, *sorted(others)

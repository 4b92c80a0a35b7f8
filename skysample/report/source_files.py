"""The files and the software that a record rests on, so that it can be computed again."""

from __future__ import annotations

import hashlib
import os
import platform
import tomllib
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

from skysample.errors import InputError
from skysample.files.whole_files import read_text

if TYPE_CHECKING:
    from skysample.plugins.registry import Registry

__all__ = ["SourceFile", "horizon_file", "software", "source_file"]

_PACKAGES = ("skysample", "numpy", "scipy", "astropy", "pyerfa", "hpgeom")


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file that the record rests on.

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


def source_file(part: str, path: str | os.PathLike[str]) -> SourceFile:
    """Take down name, size and digest of a file; an InputError if it cannot be read."""
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"cannot be read ({reason}); check the path", file=os.fspath(path)) from None
    return SourceFile(part, Path(path).name, hashlib.sha256(content).hexdigest(), len(content))


def horizon_file(site_path: str | os.PathLike[str]) -> list[SourceFile]:
    """Find the horizon file that a site file names, if it names one."""
    horizon = tomllib.loads(read_text(site_path)).get("sky", {}).get("horizon")
    return [source_file("horizon", Path(site_path).parent / horizon)] if isinstance(horizon, str) else []


def software(registry: Registry) -> tuple[tuple[str, str], ...]:
    """Names and versions of what computed the record, third-party plugins included."""
    listed = [("Python", platform.python_version())]
    for package in _PACKAGES:
        try:
            listed.append((package, version(package)))
        except PackageNotFoundError:
            listed.append((package, "version not recorded"))
    others = {
        (each.distribution, each.version)
        for each in registry.installed
        if each.distribution != "skysample" and not each.problem
    }
    return (*listed, *sorted(others))

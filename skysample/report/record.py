"""What a record holds: everything already computed, and the files it was computed from."""

from __future__ import annotations

import hashlib
import os
import platform
import tomllib
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

from skysample.comparing import Comparison, compare
from skysample.errors import InputError, NoSolution, NotDetermined
from skysample.files import read_text
from skysample.fitting import FittedModel, fit
from skysample.plugins.registry import Registry, default_registry
from skysample.polar_axis import PolarAlignment, polar
from skysample.runs import Run, read_run
from skysample.scoring import Score, SkyError, score, sky_error
from skysample.sky import UsableSky, usable_sky

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.site import Site
    from skysample.sizing import PointsNeeded

__all__ = ["AxisFinding", "EarlierRun", "Record", "SourceFile", "build_record"]

_PACKAGES = ("skysample", "numpy", "scipy", "astropy", "pyerfa", "healpy")


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file that the record rests on.

    Attributes
    ----------
    part : str
        What it is: "site", "horizon", "run", "run before".
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


@dataclass(frozen=True, slots=True)
class AxisFinding:
    """What a run says about the primary axis.

    Attributes
    ----------
    alignment : PolarAlignment or None
        None where it is not determined.
    reason : str
        Why it is not; empty where it is.
    """

    alignment: PolarAlignment | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class EarlierRun:
    """The run before the adjustment.

    Attributes
    ----------
    run : Run
    model : FittedModel or None
        None where the points do not determine one; the reason stands in `axis`.
    axis : AxisFinding
    """

    run: Run
    model: FittedModel | None
    axis: AxisFinding


@dataclass(frozen=True, slots=True)
class Record:
    """A job done, ready to be put on a page.

    Attributes
    ----------
    site : Site
    files : tuple of SourceFile
    run : Run
        The final one.
    model : FittedModel
        Fitted to it.
    score : Score
    axis : AxisFinding
        From the final run.
    sky : UsableSky
    error : SkyError
        The model's own, over that sky.
    software : tuple of (str, str)
        Names and versions, third-party plugins included.
    made_utc : str
        ISO 8601.
    before : EarlierRun or None
    comparison : Comparison or None
        None without a run before, or where either axis is not determined.
    need : PointsNeeded or None
        How the number of points was decided.
    """

    site: Site
    files: tuple[SourceFile, ...]
    run: Run
    model: FittedModel
    score: Score
    axis: AxisFinding
    sky: UsableSky
    error: SkyError
    software: tuple[tuple[str, str], ...]
    made_utc: str
    before: EarlierRun | None = None
    comparison: Comparison | None = None
    need: PointsNeeded | None = None


def build_record(
    site: Site,
    site_path: str | os.PathLike[str],
    run_path: str | os.PathLike[str],
    before_path: str | os.PathLike[str] | None = None,
    *,
    made: Time,
    terms: Sequence[str] | None = None,
    assume: Mapping[str, str] | None = None,
    limit: Quantity | None = None,
    need: PointsNeeded | None = None,
    sky: UsableSky | None = None,
    registry: Registry | None = None,
) -> Record:
    """Read the files of a job and compute all that its record says.

    Parameters
    ----------
    site : Site
        As read from `site_path`.
    site_path, run_path : path-like
        The site file, and the final run.
    before_path : path-like, optional
        The run before the adjustment.
    made : Time
        The moment to put on the record.
    terms : sequence of str, optional
        Of the final model, see `skysample.fit`.
    assume : mapping, optional
        See `skysample.read_run`; for both runs.
    limit : Quantity, optional
        See `skysample.compare`.
    need : PointsNeeded, optional
        The decision on the number of points, to be recorded.
    sky : UsableSky, optional
        If it is at hand already.
    registry : Registry, optional
        Plugins to ask; default: everything installed.

    Returns
    -------
    Record
        Where an axis is not determined (a model was active in the mount, say) it holds the reason.

    Raises
    ------
    InputError
        If a file cannot be read, or is not what it should be.
    NotDetermined
        If the final run does not determine a model.
    """
    from skysample.times import iso

    plugins = registry or default_registry()
    run = read_run(run_path, site, assume=assume)
    model = fit(run, site, terms, registry=plugins)
    axis = _axis(model, site)
    files = [_source("site", site_path), *_horizon(site_path), _source("run", run_path)]
    before = comparison = None
    if before_path is not None:
        before = _earlier(read_run(before_path, site, assume=assume), site, plugins)
        files.append(_source("run before", before_path))
        if before.axis.alignment is not None and axis.alignment is not None:
            comparison = compare(before.axis.alignment, axis.alignment, limit)
    region = sky or usable_sky(site, registry=plugins)
    return Record(
        site=site,
        files=tuple(files),
        run=run,
        model=model,
        score=score(model, run),
        axis=axis,
        sky=region,
        error=sky_error(model, region),
        software=_software(plugins),
        made_utc=str(iso(made, 0)),
        before=before,
        comparison=comparison,
        need=need,
    )


def _axis(model: FittedModel, site: Site) -> AxisFinding:
    try:
        return AxisFinding(polar(model, site))
    except NotDetermined as error:
        return AxisFinding(None, str(error))


def _earlier(run: Run, site: Site, registry: Registry) -> EarlierRun:
    try:
        model = fit(run, site, registry=registry)
    except (NotDetermined, NoSolution) as error:
        return EarlierRun(run, None, AxisFinding(None, str(error)))
    return EarlierRun(run, model, _axis(model, site))


def _source(part: str, path: str | os.PathLike[str]) -> SourceFile:
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"cannot be read ({reason}); check the path", file=os.fspath(path)) from None
    return SourceFile(part, Path(path).name, hashlib.sha256(content).hexdigest(), len(content))


def _horizon(site_path: str | os.PathLike[str]) -> list[SourceFile]:
    """Find the horizon file that a site file names, if it names one."""
    horizon = tomllib.loads(read_text(site_path)).get("sky", {}).get("horizon")
    return [_source("horizon", Path(site_path).parent / horizon)] if isinstance(horizon, str) else []


def _software(registry: Registry) -> tuple[tuple[str, str], ...]:
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

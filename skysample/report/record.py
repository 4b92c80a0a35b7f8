"""What a record holds: all results, and the files and the software they were computed with."""

from __future__ import annotations

import hashlib
import pathlib
import platform
import tomllib
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING

from skysample.alignment import PolarAlignment, polar
from skysample.alignment.comparing import Comparison, compare
from skysample.alignment.history import History, history
from skysample.errors import InputError, NoSolution, NotDetermined
from skysample.files.whole_files import read_text
from skysample.fitting import FittedModel, fit, load_model
from skysample.plugins.registry import Registry, default_registry
from skysample.runs import Run, read_run
from skysample.scoring.judged import JudgedFit, judge
from skysample.sizing import LearningCurve, PointsNeeded, learning_curve, points_needed
from skysample.sky import UsableSky, usable_sky
from skysample.tracking_errors.log import read_tracking_log
from skysample.tracking_errors.quality import Tracking, tracking
from skysample.tracking_errors.trails import Trails, trail
from skysample.trust import Trust, check
from skysample.version import __version__

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable, Mapping, Sequence

    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.site import Site

    Path = str | os.PathLike[str]

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
    """A quick run before or right after the adjustment.

    Attributes
    ----------
    run : Run
    model : FittedModel or None
        None where the points do not determine one; `axis` has the reason.
    axis : AxisFinding
    trust : Trust
        Whether its inputs can be trusted.
    """

    run: Run
    model: FittedModel | None
    axis: AxisFinding
    trust: Trust


@dataclass(frozen=True, slots=True)
class Record:
    """A finished job, ready for its page.

    Attributes
    ----------
    site : Site
    files : tuple of SourceFile
    run : Run
        The final one.
    final : JudgedFit
        Model of the final run, with its score, its error over the usable sky and what its residuals still hold.
    axis : AxisFinding
        From the final run.
    sky : UsableSky
    learning : LearningCurve
        What fewer points of the final run would have given.
    software : tuple of (str, str)
        Names and versions, third-party plugins included.
    made_utc : str
        ISO 8601.
    before, after : EarlierRun or None
        The first run, and the second, right after the adjustment; without a second run the final run takes its place.
    comparison : Comparison or None
        None without a run before, or where either axis is not determined.
    trails : Trails or None
        Of the axis by the final run; None where that is not determined.
    need : PointsNeeded or None
        How the number of points was decided.
    undecided : str
        Why it could not be decided; empty where it was, or where there is no second run.
    history : History or None
        What moved since the earlier models.
    tracking : Tracking or None
        From a tracking log.
    trust : Trust or None
        Whether the inputs of the final run can be trusted.
    turn_anyway : str
        Why moves were given although they cannot; empty where that was not asked for.
    """

    site: Site
    files: tuple[SourceFile, ...]
    run: Run
    final: JudgedFit
    axis: AxisFinding
    sky: UsableSky
    learning: LearningCurve
    software: tuple[tuple[str, str], ...]
    made_utc: str
    before: EarlierRun | None = None
    after: EarlierRun | None = None
    comparison: Comparison | None = None
    trails: Trails | None = None
    need: PointsNeeded | None = None
    undecided: str = ""
    history: History | None = None
    tracking: Tracking | None = None
    trust: Trust | None = None
    turn_anyway: str = ""

    def gives_moves(self, trust: Trust | None) -> bool:
        """Whether the moves of a run with these inputs are given."""
        return trust is None or trust.turns_allowed or bool(self.turn_anyway)


def build_record(
    site: Site,
    site_path: Path,
    run_path: Path,
    before_path: Path | None = None,
    *,
    made: Time,
    after_path: Path | None = None,
    model_paths: Sequence[Path] = (),
    tracking_path: Path | None = None,
    terms: Sequence[str] | None = None,
    assume: Mapping[str, str] | None = None,
    limit: Quantity | None = None,
    target: Quantity | None = None,
    need: PointsNeeded | None = None,
    sky: UsableSky | None = None,
    turn_anyway: str = "",
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
        The first run, before the adjustment.
    made : Time
        The date of the record.
    after_path : path-like, optional
        The second run, right after the adjustment; it also decides the number of points, as the pilot run.
        Default: the final run shows what the adjustment did, and no number of points is decided.
    model_paths : sequence of path-like
        Earlier models of the telescope, to find what moved since; for that the final run is fitted with their terms.
    tracking_path : path-like, optional
        Tracking log, judged with the final model where it has its target and time.
    terms : sequence of str, optional
        Of the final model, see `skysample.fit`.
    assume : mapping, optional
        See `skysample.read_run`; for all runs.
    limit : Quantity, optional
        See `skysample.compare`.
    target : Quantity, optional
        Wanted standard error of the final model over the sky, see `skysample.points_needed`.
    need : PointsNeeded, optional
        The decision on the number of points, if already computed.
    sky : UsableSky, optional
        If already computed.
    turn_anyway : str
        Why moves are to be given although a run contradicts its inputs; empty: they are kept back.
    registry : Registry, optional
        Default: all installed plugins.

    Returns
    -------
    Record
        Where an axis is not determined (a model was active in the mount, say) it holds the reason.

    Raises
    ------
    InputError
        If a file cannot be read, or is not of the kind expected.
    NotDetermined
        If the final run does not determine a model.
    """
    from skysample.astrometry.times import iso

    plugins = registry or default_registry()
    region = sky or usable_sky(site, registry=plugins)
    run = read_run(run_path, site, assume=assume, any_place=True)
    final = judge(run, site, terms, sky=region, registry=plugins)
    axis = _axis(final.model, site)
    before, after = (
        None if path is None else _earlier(read_run(path, site, assume=assume, any_place=True), site, plugins)
        for path in (before_path, after_path)
    )
    undecided = ""
    if need is None and after is not None and after.model is not None:
        try:
            need = points_needed(
                site, after.model, target, terms=final.model.names, sky=region, registry=plugins
            )
        except (NotDetermined, NoSolution) as error:
            undecided = str(error)
    first = None if before is None else before.axis.alignment
    last = (axis if after is None else after.axis).alignment
    wanted = target if need is None else need.target
    sources = [("first run", before_path), ("second run", after_path), ("final run", run_path)]
    sources += [*(("earlier model", path) for path in model_paths), ("tracking log", tracking_path)]
    return Record(
        site=site,
        files=_source_files(site_path, sources),
        run=run,
        final=final,
        axis=axis,
        sky=region,
        learning=learning_curve(final.model, run, site, wanted, sky=region, registry=plugins),
        software=_software(plugins),
        made_utc=str(iso(made, 0)),
        before=before,
        after=after,
        comparison=compare(first, last, limit) if first is not None and last is not None else None,
        trails=None if axis.alignment is None else trail(axis.alignment, region),
        need=need,
        undecided=undecided,
        history=_moved(
            [load_model(path, registry=plugins) for path in model_paths], run, final.model, plugins
        ),
        tracking=None if tracking_path is None else _tracked(tracking_path, site, final.model),
        trust=check(run, site, registry=plugins),
        turn_anyway=turn_anyway,
    )


def _axis(model: FittedModel, site: Site) -> AxisFinding:
    try:
        return AxisFinding(polar(model, site))
    except NotDetermined as error:
        return AxisFinding(None, str(error))


def _earlier(run: Run, site: Site, registry: Registry) -> EarlierRun:
    trust = check(run, site, registry=registry)
    try:
        model = fit(run, site, registry=registry)
    except (NotDetermined, NoSolution) as error:
        return EarlierRun(run, None, AxisFinding(None, str(error)), trust)
    return EarlierRun(run, model, _axis(model, site), trust)


def _moved(
    earlier: Sequence[FittedModel], run: Run, model: FittedModel, registry: Registry
) -> History | None:
    if not earlier:
        return None
    names = earlier[-1].names
    last = model if model.names == names else fit(run, run.site, names, registry=registry)
    return history([*earlier, last], run.site)


def _tracked(path: Path, site: Site, model: FittedModel) -> Tracking:
    """Judge a tracking log; without its target and time only its drift is fitted."""
    log = read_tracking_log(path)
    known = log.target_deg is not None and log.start is not None
    return tracking(log, site, model) if known else tracking(log)


def _source_files(site_path: Path, others: Iterable[tuple[str, Path | None]]) -> tuple[SourceFile, ...]:
    """Name, size and digest of a site file, of its horizon file if it has one, and of other parts that are not None.

    Raises
    ------
    InputError
        If one cannot be read.
    """
    horizon = tomllib.loads(read_text(site_path)).get("sky", {}).get("horizon")
    sources: list[tuple[str, Path | None]] = [("site", site_path)]
    if isinstance(horizon, str):
        sources.append(("horizon", pathlib.Path(site_path).parent / horizon))
    return tuple(
        _source_file(part, pathlib.Path(path)) for part, path in [*sources, *others] if path is not None
    )


def _source_file(part: str, path: pathlib.Path) -> SourceFile:
    try:
        content = path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"cannot be read ({reason}); check the path", file=str(path)) from None
    return SourceFile(part, path.name, hashlib.sha256(content).hexdigest(), len(content))


def _software(registry: Registry) -> tuple[tuple[str, str], ...]:
    """Names and versions of the software that computed the record, third-party plugins included."""
    others = {
        (each.distribution, each.version)
        for each in registry.installed
        if each.distribution != "skysample" and not each.problem
    }
    own = ((package, version(package)) for package in _PACKAGES)
    return ("Python", platform.python_version()), ("skysample", __version__), *own, *sorted(others)

"""Fit a pointing model: true rotations plus small displacements, from any encoder zero, past false solutions."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import NoSolution, NotDetermined
from skysample.fitting.gauss_newton import Converged, Observations, converge
from skysample.fitting.loading import load_model
from skysample.fitting.model import FittedModel, Rejection, RunSummary, WeakPair
from skysample.fitting.multiple_tests import set_beyond_chance, sidak_f
from skysample.fitting.outliers import deletion_f, trusted_points
from skysample.fitting.pointing import PointingFunction
from skysample.fitting.scaled_design import SINGULAR, ScaledDesign
from skysample.fitting.terms import choose_terms
from skysample.geometry import ARCSEC
from skysample.plugins.registry import default_registry

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.site import Site

__all__ = [
    "FittedModel",
    "Rejection",
    "RunSummary",
    "WeakPair",
    "fingerprint",
    "fit",
    "load_model",
]


_POORER = 3.0
"""So many times the condition of all points is no accident of which were trusted."""


def fit(
    run: Run,
    site: Site,
    terms: Sequence[str] | None = None,
    *,
    reject: bool = True,
    registry: Registry | None = None,
) -> FittedModel:
    """Fit a pointing model.

    Parameters
    ----------
    run : Run
        Readings and plate solutions.
    site : Site
        Latitude and mount.
    terms : sequence of str, optional
        Names of terms, or of the sets "standard" and "extended"; default: the standard set for the mount kind.
    reject : bool
        Whether false plate solutions are looked for. A point whose `use` is false is never used.
    registry : Registry, optional
        Where displacements come from; default: everything installed.

    Returns
    -------
    FittedModel

    Raises
    ------
    NotDetermined
        If there are too few points, or they cannot separate two terms at all.
    InputError
        If a term is unknown, or the run is of another mount or latitude than the site.
    NoSolution
        If the fit does not settle.
    """
    run.check_site(site)
    available = (registry or default_registry()).terms(site.mount, site.plugins)
    names = choose_terms(site.mount.kind, terms, available)
    function = PointingFunction.of(site.mount.kind, site.location.latitude_rad, names, available)
    usable = np.flatnonzero(run.use)
    if 2 * len(usable) <= len(names):
        raise NotDetermined(
            f"{len(names)} terms need at least {len(names) // 2 + 1} points; this run has {len(usable)}: take more"
            " points, or name fewer terms"
        )
    data = Observations.of(run, usable)
    kept, start = trusted_points(function, data)
    if not reject:
        kept = np.ones(len(usable), bool)
    try:
        found, kept = _settle(function, data, kept, start, reject=reject)
    except NoSolution:
        if not _poorer(function, data, kept, start):
            raise
        found, kept = _settle(function, data, np.ones_like(kept), start, reject=reject)
    if not kept.all():
        found, kept = _spared(function, data, found, kept)
    return _finished(run, site, function, found, usable, kept, data)


def _settle(
    function: PointingFunction, data: Observations, kept: NDArray[np.bool_], start: Array, *, reject: bool
) -> tuple[Converged, NDArray[np.bool_]]:
    """Converge, and judge every point once more at the minimum, until no verdict changes."""
    found = converge(function, start, data.part(kept))
    for _ in range(10 if reject else 0):
        here = found if kept.all() else Converged.at(function, found.values, data)
        f, dof = deletion_f(here.design, here.residuals, data.weights, kept)
        if dof < 1:
            break
        limit = np.where(kept, sidak_f(len(kept), dof), sidak_f(len(kept), dof + 2))
        wanted = f <= limit
        if np.array_equal(wanted, kept) or 2 * int(wanted.sum()) <= len(function.names):
            break
        kept = wanted
        found = converge(function, found.values, data.part(kept))
    return found, kept


def _poorer(function: PointingFunction, data: Observations, kept: NDArray[np.bool_], start: Array) -> bool:
    """Whether the kept points determine the terms so much less than all that it may be why they do not settle."""
    _, design = function.predict_with_design(start, data.axes, data.moment)
    part = ScaledDesign.of(design[kept], weights=data.weights[kept])
    return part.condition > _POORER * ScaledDesign.of(design, weights=data.weights).condition


def _spared(
    function: PointingFunction, data: Observations, found: Converged, kept: NDArray[np.bool_]
) -> tuple[Converged, NDArray[np.bool_]]:
    """Take back points that only look false together, from a fit that barely determines where they are.

    Each point is judged anew from a fit to all; what that keeps beyond the trusted points has to be noise as a set.
    """
    try:
        other, spared = _settle(function, data, np.ones_like(kept), found.values, reject=True)
    except NoSolution:
        return found, kept
    more = int(np.sum(spared & ~kept))
    if not more or np.any(kept & ~spared):
        return found, kept
    dof = 2 * int(kept.sum()) - len(function.names)
    f = (other.cost - found.cost) / (2 * more) / (found.cost / dof) if found.cost > 0.0 else np.inf
    return (found, kept) if set_beyond_chance(int(spared.sum()), more, f, dof) else (other, spared)


def _finished(
    run: Run,
    site: Site,
    function: PointingFunction,
    found: Converged,
    usable: NDArray[np.int64],
    kept: NDArray[np.bool_],
    data: Observations,
) -> FittedModel:
    names = function.names
    used = usable[kept]
    scaled = ScaledDesign.of(found.design, weights=data.weights[kept])
    if scaled.condition > SINGULAR:
        first, *second = scaled.worst_pair(names)
        what = f"separate {first} from {second[0]}" if second else f"determine {first}"
        raise NotDetermined(
            f"these {len(used)} points cannot {what} (condition {scaled.condition:.1e}): spread them over more of the"
            " sky (both sides of the meridian and of the pier), or leave one of the terms out",
            pair=(first, *second),
            condition=scaled.condition,
        )
    dof = 2 * len(used) - len(names)
    sigma = float(np.sqrt(found.cost / dof))
    times = ("", "")
    if run.time is not None:
        from skysample.astrometry.times import iso

        order = np.argsort(run.time.jd)
        times = (str(iso(run.time[order[0]])), str(iso(run.time[order[-1]])))
    summary = RunSummary(
        source=run.source or "",
        points=run.points,
        used=len(used),
        rejected=_rejections(run, function, found, usable, kept, data),
        rows=tuple(int(run.rows[i]) for i in used),
        rms_rad=float(np.sqrt(np.mean(np.sum(found.residuals**2, axis=1)))),
        axes_kind=run.axes_kind,
        old_model=run.old_model,
        session=run.session or "",
        fingerprint=fingerprint(run),
        start_utc=times[0],
        end_utc=times[1],
    )
    return FittedModel(
        site.mount,
        function,
        found.values,
        scaled.unscaled_covariance * sigma**2,
        sigma,
        dof,
        scaled.condition,
        scaled.weak_pairs(names),
        summary,
        plugins=site.plugins,
    )


def _rejections(
    run: Run,
    function: PointingFunction,
    found: Converged,
    usable: NDArray[np.int64],
    kept: NDArray[np.bool_],
    data: Observations,
) -> tuple[Rejection, ...]:
    listed = [
        Rejection(int(run.rows[i]), run.frames[i], "use = false in the run") for i in np.flatnonzero(~run.use)
    ]
    if not kept.all():
        here = Converged.at(function, found.values, data)
        f, dof = deletion_f(here.design, here.residuals, data.weights, kept)
        limit = sidak_f(len(kept), dof + 2)
        for i in np.flatnonzero(~kept):
            away = float(np.linalg.norm(here.residuals[i])) / ARCSEC
            size = f"{away / 60.0:.1f}'" if away >= 60.0 else f'{away:.1f}"'
            reason = (
                f"{size} from where the other points put it, {np.sqrt(f[i]):.1f} times its error (limit"
                f" {np.sqrt(limit):.1f}); a false plate solution, or the mount slipped"
            )
            listed.append(Rejection(int(run.rows[usable[i]]), run.frames[usable[i]], reason))
    return tuple(sorted(listed, key=lambda each: each.row))


def fingerprint(run: Run) -> str:
    """Short digest of a run's readings and solved directions."""
    digest = hashlib.sha256()
    for array in (run.axes, run.directions):
        digest.update(np.ascontiguousarray(np.round(array, 12)).tobytes())
    return digest.hexdigest()[:16]

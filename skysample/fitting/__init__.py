"""Fit a pointing model: true rotations plus small displacements, from any encoder zero, past false solutions."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import NoSolution, NotDetermined
from skysample.fitting.degeneracy import SINGULAR, scaled_condition, weak_pairs
from skysample.fitting.least_squares import Converged, converge
from skysample.fitting.loading import load_model
from skysample.fitting.model import FittedModel, Rejection, RunSummary, WeakPair
from skysample.fitting.outliers import (
    Observations,
    deletion_f,
    family_limit,
    set_beyond_chance,
    trusted_points,
)
from skysample.fitting.pointing import Moment, PointingFunction
from skysample.fitting.terms import choose_terms
from skysample.geometry import ARCSEC
from skysample.plugins.contracts import ROTATIONS
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
    "moment_of",
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
        If there are too few points, or the points cannot tell two terms apart at all.
    InputError
        If a term is unknown, or the run is of another mount or latitude than the site.
    NoSolution
        If the fit does not settle.
    """
    run.check_site(site)
    available = (registry or default_registry()).terms(site.mount, site.plugins)
    names = choose_terms(site.mount.kind, terms, available)
    rotations = ROTATIONS[site.mount.kind]
    function = PointingFunction(
        site.mount.kind,
        site.location.latitude_rad,
        names,
        tuple(available[n] for n in names if n not in rotations),
    )
    usable = np.flatnonzero(run.use)
    if 2 * len(usable) - len(names) < 1:
        raise NotDetermined(
            f"{len(usable)} points give {2 * len(usable)} numbers, {len(names)} terms need more than that;"
            f" take at least"
            f" {(len(names) + 2) // 2 + 1} points or name fewer terms"
        )
    data = _observations(run, usable)
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


def _observations(run: Run, usable: NDArray[np.int64]) -> Observations:
    weights = np.ones(len(usable))
    if run.sigma_arcsec is not None:
        weights = 1.0 / run.sigma_arcsec[usable]
        weights = weights / np.sqrt(np.mean(weights**2))
    return Observations(run.axes[usable], run.directions[usable], weights, moment_of(run, usable))


def moment_of(run: Run, chosen: NDArray[Any]) -> Moment:
    """Time and air of some of a run's points; a temperature counts only where all of them have one."""
    temperature = run.temperature_c[chosen]
    return Moment(
        None if run.time is None else run.time[chosen],
        temperature if np.isfinite(temperature).all() else None,
    )


def _part(data: Observations, kept: NDArray[np.bool_]) -> tuple[Array, Array, Array, Moment]:
    moment = Moment(
        None if data.moment.time is None else data.moment.time[kept],
        None if data.moment.temperature_c is None else data.moment.temperature_c[kept],
    )
    return data.axes[kept], data.observed[kept], data.weights[kept], moment


def _settle(
    function: PointingFunction, data: Observations, kept: NDArray[np.bool_], start: Array, *, reject: bool
) -> tuple[Converged, NDArray[np.bool_]]:
    """Converge, and judge every point once more at the minimum, until no verdict changes."""
    found = converge(function, start, *_part(data, kept))
    for _ in range(10 if reject else 0):
        design, residuals = found.design, found.residuals
        if not kept.all():
            predicted, design = function.predict_with_design(found.values, data.axes, data.moment)
            residuals = function.residuals(predicted, data.observed)
        f, dof = deletion_f(design, residuals, data.weights, kept)
        if dof < 1:
            break
        limit = np.where(kept, family_limit(len(kept), dof), family_limit(len(kept), dof + 2))
        wanted = f <= limit
        if np.array_equal(wanted, kept) or 2 * int(wanted.sum()) <= len(function.names):
            break
        kept = wanted
        found = converge(function, found.values, *_part(data, kept))
    return found, kept


def _poorer(function: PointingFunction, data: Observations, kept: NDArray[np.bool_], start: Array) -> bool:
    """Whether the kept points determine the terms so much less than all that it may be why they do not settle."""
    _, design = function.predict_with_design(start, data.axes, data.moment)
    rows = design * data.weights[:, None, None]
    part, whole = (scaled_condition(each.reshape(-1, design.shape[-1]))[0] for each in (rows[kept], rows))
    return part > _POORER * whole


def _spared(
    function: PointingFunction, data: Observations, found: Converged, kept: NDArray[np.bool_]
) -> tuple[Converged, NDArray[np.bool_]]:
    """Take points back that only look false together, from a fit that hardly determines where they are.

    Each point is judged anew from a fit to all; what that keeps beyond the trusted points has to be noise as a set.
    """
    try:
        other, spared = _settle(function, data, np.ones_like(kept), found.values, reject=True)
    except NoSolution:
        return found, kept
    more = int(np.sum(spared & ~kept))
    if not more or np.any(kept & ~spared):
        return found, kept
    squares, all_squares = (
        float(np.sum((each.residuals * data.weights[which][:, None]) ** 2))
        for each, which in ((found, kept), (other, spared))
    )
    dof = 2 * int(kept.sum()) - len(function.names)
    f = (all_squares - squares) / (2 * more) / (squares / dof) if squares > 0.0 else np.inf
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
    weights = data.weights[kept]
    rows = (found.design * weights[:, None, None]).reshape(-1, len(names))
    condition, weak = weak_pairs(rows, names)
    if condition > SINGULAR:
        raise NotDetermined(
            f"these {len(used)} points cannot tell {weak[0].pair[0]} from {weak[0].pair[1]} (condition"
            f" {condition:.1e});"
            " spread the points over more of the sky (both sides of the meridian and of the pier), or leave"
            " one of the two out",
            pair=weak[0].pair,
            condition=condition,
        )
    dof = rows.shape[0] - len(names)
    sigma = float(np.sqrt(np.sum((found.residuals * weights[:, None]) ** 2) / dof))
    scale = np.linalg.norm(rows, axis=0)
    triangle = np.linalg.qr(rows / scale, mode="r")
    inverse = np.linalg.inv(triangle) / scale[:, None]
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
        inverse @ inverse.T * sigma**2,
        sigma,
        dof,
        condition,
        weak,
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
        Rejection(int(run.rows[i]), run.frames[i], "the run says not to use it")
        for i in np.flatnonzero(~run.use)
    ]
    if not kept.all():
        predicted, design = function.predict_with_design(found.values, data.axes, data.moment)
        residuals = function.residuals(predicted, data.observed)
        f, dof = deletion_f(design, residuals, data.weights, kept)
        limit = family_limit(len(kept), dof + 2)
        for i in np.flatnonzero(~kept):
            away = float(np.linalg.norm(residuals[i])) / ARCSEC
            size = f"{away / 60.0:.1f}'" if away >= 60.0 else f'{away:.1f}"'
            reason = (
                f"stands {size} from where the other points put it, {np.sqrt(f[i]):.1f} times its error"
                f" (limit {np.sqrt(limit):.1f}): a false plate solution, or a point that slipped"
            )
            listed.append(Rejection(int(run.rows[usable[i]]), run.frames[usable[i]], reason))
    return tuple(sorted(listed, key=lambda each: each.row))


def fingerprint(run: Run) -> str:
    """Short digest of a run's readings and solved directions."""
    digest = hashlib.sha256()
    for array in (run.axes, run.directions):
        digest.update(np.ascontiguousarray(np.round(array, 12)).tobytes())
    return digest.hexdigest()[:16]

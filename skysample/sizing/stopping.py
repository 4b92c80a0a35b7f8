"""During a run: how good the model is so far, which points to take next, and when to stop."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError, NotDetermined
from skysample.fitting import fit
from skysample.fitting.gauss_newton import Observations
from skysample.planning.plan_table import Plan
from skysample.planning.session import Session
from skysample.sampling.exchange import gains
from skysample.sizing.confidence import noise_limits
from skysample.sizing.final_model import DEFAULT_TARGET, mean_variance, over_the_sky, wanted_error

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from astropy.table import QTable
    from astropy.units import Quantity
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.sky import UsableSky

__all__ = ["RunProgress", "progress"]


@dataclass(frozen=True)
class RunProgress:
    """How close a run is to its target.

    Attributes
    ----------
    taken : int
        Points that the model uses so far.
    terms : tuple of str
        Terms of the model.
    target : Quantity or None
        Wanted standard error of the model over the usable sky, radial RMS; None while it is half a noise that is not
        known yet.
    sigma : Quantity
        Noise per axis from the points so far, arcsec; nan while there are too few for the terms.
    sky_rms : Quantity
        Expected standard error of the model over the usable sky; infinite while there are too few points.
    sky_rms_upper95 : Quantity
        Not exceeded with 95 % confidence, however often one looks.
    enough : bool
        Whether the target is met with that confidence, so that the run may stop. A target of half the noise is met by
        the design alone.
    reachable : bool
        Whether the rest of the plan will meet the target if the noise stays as it is; True while nothing is known.
    next_points : QTable
        The points still worth taking, best first: point, alt, az, pier, and the sky_rms and sky_rms_upper95 expected
        with each. Up to the one that meets the target, or all that are left; none once the target is met. In the order
        of the plan while there are too few points.
    by_design : bool
        Whether the target is half the noise, which depends on the design alone.
    """

    taken: int
    terms: tuple[str, ...]
    target: Quantity | None
    sigma: Quantity
    sky_rms: Quantity
    sky_rms_upper95: Quantity
    enough: bool
    reachable: bool
    next_points: QTable
    by_design: bool = False

    @property
    def more(self) -> int:
        """Number of points still worth taking."""
        return len(self.next_points)

    @property
    def table(self) -> QTable:
        """The points still worth taking: `next_points`."""
        return self.next_points

    def summary(self) -> str:
        """Say how good the model is so far, and whether to stop or which points to take next."""
        if not np.isfinite(self.sky_rms.value):
            return f"{self.taken} points: too few for {len(self.terms)} terms; continue with the plan."
        text = (
            f'With {self.taken} points the model error is {self.sky_rms.value:.2f}" RMS over the usable sky'
        )
        if self.target is not None:
            upper = self.sky_rms_upper95.value
            if not self.by_design and np.isfinite(upper):
                text += f' (95 % upper limit {upper:.2f}")'
            noise = ", half this run's noise per axis" if self.by_design else ""
            text += f'; the target is {self.target.value:.2f}"{noise}'
        if self.enough:
            return f"Enough: stop. {text}."
        if not self.reachable:
            left = (
                f"The {self.more} points left will not be enough"
                if self.more
                else "The plan has no points left"
            )
            return f"Not enough. {text}. {left}: plan a longer run; `skysample size` says how many points it needs."
        best = ", ".join(str(number) for number in self.next_points["point"][:5])
        return f"Not enough yet. {text}. About {self.more} more points are needed; best next: {best}."

    def __str__(self) -> str:
        return self.summary()


def progress(
    taken: Session | Run,
    plan: Plan | None = None,
    target: Quantity | None = None,
    *,
    terms: Sequence[str] | None = None,
    skipped: Iterable[int] = (),
    sky: UsableSky | None = None,
    registry: Registry | None = None,
) -> RunProgress:
    """Find how good the model is so far, whether that is enough, and which points to take next.

    Call it after every point. The 95 % hold for the whole run: a run that stops as soon as `enough` is true meets its
    target in 95 % of nights (see `skysample.sizing.confidence`). The points may be taken in the order of `next_points`,
    which depends on places alone and not on what was measured there.

    Parameters
    ----------
    taken : Session or Run
        The session, or its run so far, in the order in which it was taken, with point numbers.
    plan : Plan, optional
        The plan of a run; a session has its own.
    target : Quantity, optional
        Wanted standard error of the model over the usable sky (radial RMS); default: half the noise per axis.
    terms : sequence of str, optional
        Terms of the model; default: the extended set.
    skipped : iterable of int
        Numbers of points that failed and are not to be taken again; a session knows its own.
    sky : UsableSky, optional
        Default: that of the plan.
    registry : Registry, optional

    Returns
    -------
    RunProgress

    Raises
    ------
    InputError
        If a run comes without a plan, a session with one, or points have no numbers.
    """
    run: Run | None
    if isinstance(taken, Session):
        if plan is not None:
            raise InputError(
                "a session has its own plan; leave plan out, and name the target: target=...", key="plan"
            )
        plan, run, skipped = taken.plan, taken.run(), (*skipped, *taken.skipped)
    else:
        run = taken
    if plan is None:
        raise InputError("a run needs its plan, which shows what is left; give it too", key="plan")
    if not isinstance(plan, Plan):
        raise InputError(f"plan is a {type(plan).__name__}; give a Plan, and the target after it", key="plan")
    if run is not None and (run.point < 0).any():
        message = "not every point of the run has its number in the plan (column point); write it"
        raise InputError(message, file=run.source, key="point")
    wanted_terms = ("extended",) if terms is None else tuple(terms)
    done = () if run is None else tuple(run.point)
    left = np.flatnonzero(~np.isin(plan.numbers, [*done, *skipped]))
    model = None
    if run is not None:
        with suppress(NotDetermined):
            model = fit(run, plan.site, wanted_terms, registry=registry)
    if run is None or model is None:
        return _too_few(len(done), plan, left, target, wanted_terms, registry)
    final = over_the_sky(plan.site, model, sky or plan.sky, registry)
    rows = final.weighted_rows(Observations.of(run, np.isin(run.rows, model.run.rows)))[0]
    information = np.cumsum(np.swapaxes(rows, 1, 2) @ rows, axis=0)
    first = min(final.terms // 2 + 1, len(rows))
    errors = np.sqrt(mean_variance(information[first - 1 :]))
    if not np.isfinite(errors[-1]):
        return _too_few(model.run.used, plan, left, target, wanted_terms, registry)
    # Looks at which the points did not determine the terms were none.
    blind = int(np.argmax(np.isfinite(errors)))
    at = plan.order[left]
    order, after = _best_first(information[-1], final.rows(plan.grid.directions[at], plan.grid.sides[at]))
    first_dof = 2 * (first + blind) - final.terms
    return _judged(model, plan, first_dof, errors[blind:], left[order], after, target)


def _best_first(information: Array, rows: Array) -> tuple[NDArray[np.int64], Array]:
    """Order points by what each adds to those before it; error over the sky for unit noise after each."""
    order = np.empty(len(rows), int)
    errors = np.empty(len(rows))
    columns = np.moveaxis(rows, 0, -1)
    free = np.ones(len(rows), bool)
    for place in range(len(rows)):
        best = int(np.argmax(np.where(free, gains(information, columns), -np.inf)))
        information = information + rows[best].T @ rows[best]
        free[best] = False
        order[place], errors[place] = best, np.sqrt(mean_variance(information))
    return order, errors


def _judged(
    model: FittedModel,
    plan: Plan,
    first_dof: int,
    before: Array,
    order: NDArray[np.int64],
    after: Array,
    target: Quantity | None,
) -> RunProgress:
    """Judge the errors for unit noise at each look so far and after each point still to come."""
    from astropy import units as u

    errors = np.concatenate([before, after])
    dof = first_dof + 2 * np.arange(len(errors))
    limits = noise_limits(first_dof, errors)
    # From now on expect the noise as estimated now, with ever more degrees of freedom.
    now = len(before) - 1
    with np.errstate(divide="ignore"):
        upper = model.sigma * errors[now:] * np.sqrt(dof[now:] / limits[now:])
    expected = model.sigma * errors[now:]
    wanted = wanted_error(target, model.sigma)
    met = errors[now:] <= DEFAULT_TARGET if target is None else upper <= wanted
    first = int(np.argmax(met)) if met.any() else len(met) - 1
    return RunProgress(
        taken=model.run.used,
        terms=model.names,
        target=wanted,
        sigma=model.sigma.to(u.arcsec),
        sky_rms=expected[0],
        sky_rms_upper95=upper[0],
        enough=bool(met[0]),
        reachable=bool(met.any()),
        next_points=_points(plan, order[:first], expected[1 : first + 1], upper[1 : first + 1]),
        by_design=target is None,
    )


def _too_few(
    taken: int,
    plan: Plan,
    left: NDArray[np.int64],
    target: Quantity | None,
    terms: Sequence[str],
    registry: Registry | None,
) -> RunProgress:
    from astropy import units as u

    from skysample.fitting.terms import choose_terms
    from skysample.plugins.registry import default_registry

    available = (registry or default_registry()).terms(plan.site.mount, plan.site.plugins)
    unknown = np.full(len(left), np.inf) * u.arcsec
    return RunProgress(
        taken=taken,
        terms=choose_terms(plan.site.mount.kind, terms, available),
        target=None if target is None else wanted_error(target, 1.0 * u.arcsec),
        sigma=np.nan * u.arcsec,
        sky_rms=np.inf * u.arcsec,
        sky_rms_upper95=np.inf * u.arcsec,
        enough=False,
        reachable=True,
        next_points=_points(plan, left, unknown, unknown),
    )


def _points(plan: Plan, chosen: NDArray[np.int64], sky_rms: Quantity, upper: Quantity) -> QTable:
    """Rows of the plan, with the errors expected after each."""
    from astropy import units as u
    from astropy.table import QTable

    rows = plan.table[chosen]
    return QTable(
        {
            "point": rows["point"],
            "alt": rows["alt_deg"] * u.deg,
            "az": rows["az_deg"] * u.deg,
            "pier": rows["pier"],
            "sky_rms": sky_rms,
            "sky_rms_upper95": upper,
        }
    )

"""While a run goes on: how good its model is so far, which points are still worth taking, and when to stop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError, NotDetermined
from skysample.fitting import fit
from skysample.fitting.gauss_newton import Converged, Observations
from skysample.geometry import alt_az
from skysample.planning.plan_table import Plan
from skysample.planning.session import Session
from skysample.sampling.exchange import gains
from skysample.site.mount_axes import SIDE_NAMES
from skysample.sizing.final_model import DEFAULT_TARGET, mean_variance, over_the_sky, wanted_error
from skysample.sizing.sequential import noise_limits

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from astropy.table import QTable
    from astropy.units import Quantity
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.sizing.final_model import FinalModel
    from skysample.sky import UsableSky

__all__ = ["RunProgress", "progress"]


@dataclass(frozen=True)
class RunProgress:
    """How far a run is on its way to a target.

    Attributes
    ----------
    taken : int
        Points that the model uses so far.
    terms : tuple of str
        What it carries.
    target : Quantity or None
        Of the model's own standard error over the usable sky, radial RMS, arcsec. None while it is half a noise that is
        not yet known.
    sigma : Quantity
        Noise per axis by the points so far, arcsec; nan while there are too few for the terms.
    sky_rms : Quantity
        The model's standard error over the usable sky as expected; infinite while there are too few points.
    sky_rms_upper95 : Quantity
        Not exceeded with 95 % confidence, however often one looks.
    enough : bool
        Whether the target is met, with that confidence: the run may stop. A target that is half the noise is met by the
        design alone.
    reachable : bool
        Whether the rest of the plan will do, should the noise stay as it is; True while nothing is known.
    next_points : QTable
        The points still worth taking, best next one first: point, alt, az, pier, sky_rms and sky_rms_upper95 as they
        are expected to be with it. Up to the one that meets the target; all that are left where none does; none when
        it is met. In the order of the plan while there are too few points to tell.
    by_design : bool
        Whether the target is half the noise, which the design alone meets or not.
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
        """How many points are still worth taking."""
        return len(self.next_points)

    def __str__(self) -> str:
        if not np.isfinite(self.sky_rms.value):
            return f"{self.taken} points: too few for {len(self.terms)} terms; go on with the plan."
        upper = self.sky_rms_upper95.value
        text = f'{self.taken} points: {self.sky_rms.value:.2f}" over the sky'
        text += f', at most {upper:.2f}" with 95 % confidence' if np.isfinite(upper) else ""
        target = "" if self.target is None else f' for the {self.target.value:.2f}" wanted'
        if self.target is not None and self.by_design:
            text = f'{self.taken} points: {self.sky_rms.value:.2f}" over the sky'
            target = " for half the noise per axis, whatever the noise is"
        if self.enough:
            return f"{text}. Enough{target}: stop."
        if not self.reachable:
            return f"{text}. The {self.more} points left will not do{target}: plan more."
        best = ", ".join(str(number) for number in self.next_points["point"][:5])
        return f"{text}. About {self.more} more{target}; best next: {best}."


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
    """Say how good the model is so far, whether that is enough, and which points to take next.

    To be asked after every point. The 95 % hold for the whole run: a run that stops as soon as this says so meets its
    target in 95 % of nights (see `skysample.sizing.sequential`). The order in which points are taken may follow
    `next_points`, which depend on places alone and not on what was measured there.

    Parameters
    ----------
    taken : Session or Run
        The night as it goes on, or its run so far in the order in which it was taken; points carry their numbers.
    plan : Plan, optional
        What is left comes from it; a session has its own.
    target : Quantity, optional
        Wanted standard error of the model over the usable sky (radial RMS); default: half the noise per axis.
    terms : sequence of str, optional
        What the model is to carry; default: the extended set.
    skipped : iterable of int
        Numbers of points that brought nothing and are not to be offered again; a session knows its own.
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
    if isinstance(taken, Session) and plan is not None:
        raise InputError(
            "a session has its own plan; leave plan out, and name the target: target=...", key="plan"
        )
    if isinstance(taken, Session):
        plan, run, skipped = taken.plan, taken.run(), (*skipped, *taken.skipped)
    else:
        run = taken
    if plan is None:
        raise InputError("a run needs its plan, which says what is left; give it too", key="plan")
    if not isinstance(plan, Plan):
        raise InputError(f"plan is a {type(plan).__name__}; give a Plan, and the target after it", key="plan")
    if run is not None and (run.point < 0).any():
        raise InputError(
            "not every point of the run has its number in the plan (column point); write it",
            file=run.source,
            key="point",
        )
    wanted_terms = ("extended",) if terms is None else tuple(terms)
    left = _left(plan, () if run is None else tuple(run.point), skipped)
    model = None if run is None else _fitted(run, plan, wanted_terms, registry)
    if run is None or model is None:
        return _too_few(0 if run is None else run.points, plan, left, target, wanted_terms, registry)
    final = over_the_sky(plan.site, model, sky or plan.sky, registry)
    here = _Information.of(final, model, run)
    if not np.isfinite(here.errors[-1]):
        return _too_few(model.run.used, plan, left, target, wanted_terms, registry)
    directions, side = plan.grid.directions[left], plan.grid.sides[left]
    order, after = _best_first(here.information, final.rows(directions, side))
    return _judged(model, plan, here, left[order], after, target)


@dataclass(frozen=True)
class _Information:
    """What the points taken say: information (p, p), and the error for unit noise at each look that was possible."""

    information: Array
    errors: Array
    first_dof: int

    @classmethod
    def of(cls, final: FinalModel, model: FittedModel, run: Run) -> _Information:
        data = Observations.of(run, np.isin(run.rows, model.run.rows))
        design = Converged.at(model.function, model.values_rad, data).design
        rows = design @ final.whiten * data.weights[:, None, None]
        growing = np.cumsum(np.swapaxes(rows, 1, 2) @ rows, axis=0)
        first = min(final.terms // 2 + 1, len(rows))
        errors = np.sqrt(mean_variance(growing[first - 1 :]))
        known = np.flatnonzero(np.isfinite(errors))
        skipped = int(known[0]) if len(known) else len(errors) - 1
        return cls(growing[-1], errors[skipped:], 2 * (first + skipped) - final.terms)


def _left(plan: Plan, done: tuple[int, ...], skipped: Iterable[int]) -> NDArray[np.int64]:
    """Places in the plan's grid of the points still to be taken, in the order of the plan."""
    return np.asarray(plan.order)[~np.isin(plan.numbers, [*done, *skipped])]


def _fitted(run: Run, plan: Plan, terms: Sequence[str], registry: Registry | None) -> FittedModel | None:
    try:
        return fit(run, plan.site, terms, registry=registry)
    except NotDetermined:
        return None


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
    here: _Information,
    order: NDArray[np.int64],
    after: Array,
    target: Quantity | None,
) -> RunProgress:
    from astropy import units as u

    errors = np.concatenate([here.errors, after])
    dof = here.first_dof + 2 * np.arange(len(errors))
    limits = noise_limits(here.first_dof, errors)
    # Expected from now on: the noise as it is estimated now, with ever more degrees of freedom.
    now = len(here.errors) - 1
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
    from astropy import units as u
    from astropy.table import QTable

    number_of = dict(zip(np.asarray(plan.order).tolist(), plan.numbers.tolist(), strict=True))
    altitude, azimuth = alt_az(plan.grid.directions[chosen])
    german = plan.site.mount.kind == "german"
    return QTable(
        {
            "point": np.array([number_of[int(place)] for place in chosen], int),
            "alt": np.degrees(altitude) * u.deg,
            "az": np.degrees(azimuth) * u.deg,
            "pier": np.array(
                [SIDE_NAMES[int(plan.grid.sides[place])] if german else "" for place in chosen], "U4"
            ),
            "sky_rms": sky_rms,
            "sky_rms_upper95": upper,
        }
    )

"""Plan: sample the usable sky as it will be, put the points in order, and check each at its own time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.times import check_moment
from skysample.errors import NoSolution
from skysample.ordering import best_order, mount_bound, named_ordering
from skysample.ordering.grid_problem import ordering_problem
from skysample.ordering.schedules import schedule
from skysample.planning.plan_table import Plan
from skysample.plugins.registry import default_registry
from skysample.sampling import Grid, sample
from skysample.sky import UsableSky, blocked_by, usable_sky

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from astropy.time import Time

    from skysample.fitting import FittedModel
    from skysample.ordering.problem import OrderingProblem
    from skysample.plugins.contracts import Ordering
    from skysample.plugins.registry import Registry
    from skysample.site import Site

__all__ = ["Plan", "in_order", "plan", "plan_for_its_own_time"]

_GUESSED_LEG_S = 10.0
_CHECK_EVERY_S = 600.0


def plan(
    site: Site,
    points: int = 15,
    when: Time | None = None,
    order: str | None = None,
    design: str = "even",
    *,
    model: FittedModel | None = None,
    terms: Sequence[str] | None = None,
    seed: int = 0,
    effort: str = "default",
    sky: UsableSky | None = None,
    registry: Registry | None = None,
    dome_weight: float = 0.0,
) -> Plan:
    """Sample the usable sky and order the points.

    Parameters
    ----------
    site : Site
    points : int
        Number of points.
    when : Time, optional
        Start of the first slew. Without it, nothing that moves across the sky (Sun, Moon) can be avoided.
    order : str, optional
        Name of an ordering; default "annealed".
    design : {"even", "informed"}
        See `skysample.sample`.
    model : FittedModel, optional
        Used to give the axis readings for each point.
    terms : sequence of str, optional
        Terms that an informed design is to constrain; default: those of the model, or the standard set.
    seed : int
        The same seed gives the same plan on any processor, up to rounding.
    effort : str
        Of the sampling, see `skysample.sample`.
    sky : UsableSky, optional
        The usable sky, if already computed.
    registry : Registry, optional
        Plugins to use; default: everything installed.
    dome_weight : float
        From 0 (least time) to 1 (least dome motion), see `OrderingProblem`. `Plan.trade_off` gives the cost.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If a name or a number is not valid.
    NoSolution
        If no part of the sky is usable.
    """
    plugins = registry or default_registry()
    ordering = named_ordering(order, plugins.orderings(site))
    if model is not None:
        model.check_site(site)
    check_moment(when)
    if design == "informed" and terms is None:
        terms = ("standard",) if model is None else model.names

    def attempt(region: UsableSky) -> Plan:
        grid = sample(region, points, design, terms=terms, seed=seed, effort=effort, registry=plugins)
        problem = ordering_problem(site, grid, seed, dome_weight)
        return in_order(site, grid, problem, ordering, when, model)

    count = points if isinstance(points, int) else 0
    return plan_for_its_own_time(attempt, site, when, count, plugins, sky)


def plan_for_its_own_time(
    attempt: Callable[[UsableSky], Plan],
    site: Site,
    when: Time | None,
    points: int,
    registry: Registry,
    sky: UsableSky | None = None,
) -> Plan:
    """Plan on the sky that is usable throughout the plan, and check each point at its own time.

    Parameters
    ----------
    attempt : callable
        Makes a plan from a usable sky; called again while the plan takes longer than its sky was computed for.
    site : Site
    when : Time or None
        Start of the first slew.
    points : int
        About how many points the plan will have.
    registry : Registry
    sky : UsableSky, optional
        Used as it is, however long the plan takes.

    Returns
    -------
    Plan

    Raises
    ------
    NoSolution
        If a point is blocked at its own time.
    """
    expected_s = points * (site.camera.exposure_s + site.camera.overhead_s + _GUESSED_LEG_S)
    region = sky or usable_sky(site, _moments(when, expected_s), registry=registry)
    for _ in range(4):
        found = attempt(region)
        if when is None or sky is not None or found.total_s <= expected_s:
            break
        expected_s = 1.2 * found.total_s
        longer = usable_sky(site, _moments(when, expected_s), registry=registry)
        if longer.same_part(region) and longer.usable(found.grid.directions).all():
            break
        region = longer
    _check_times(found, registry)
    return found


def in_order(
    site: Site,
    grid: Grid,
    problem: OrderingProblem,
    ordering: Ordering,
    when: Time | None,
    model: FittedModel | None,
) -> Plan:
    """Order the points of a grid as its problem asks."""
    sequence = best_order(problem, ordering)
    moves, bound_s = schedule(problem, sequence), mount_bound(problem)
    return Plan(site, grid, sequence, ordering.name, moves, bound_s, when, model, problem=problem)


def _moments(when: Time | None, span_s: float) -> Time | None:
    """Times ten minutes apart that cover a plan: the sky has to be usable at all of them."""
    if when is None:
        return None
    from astropy import units as u

    count = int(np.ceil(span_s / _CHECK_EVERY_S)) + 1
    return when + np.linspace(0.0, span_s, count) * u.s


def _check_times(found: Plan, registry: Registry) -> None:
    """Check each point against every obstruction at its own time; NoSolution if one is blocked."""
    if found.start is None:
        return
    from astropy import units as u

    times = found.start + found.exposure_start_s * u.s
    directions = found.grid.directions[found.order]
    for obstruction in registry.obstructions(found.site).values():
        blocked = blocked_by(obstruction, directions, times)
        if blocked.any():
            number = int(found.numbers[int(np.argmax(blocked))])
            raise NoSolution(
                f"point {number} is blocked by {obstruction.name} at its own time; choose another start time or"
                " fewer points"
            )

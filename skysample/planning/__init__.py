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
    from collections.abc import Sequence

    from astropy.time import Time

    from skysample.fitting import FittedModel
    from skysample.ordering.problem import OrderingProblem
    from skysample.plugins.contracts import Ordering
    from skysample.plugins.registry import Registry
    from skysample.site import Site

__all__ = ["GUESSED_LEG_S", "Plan", "check_times", "moments", "ordered", "plan"]

GUESSED_LEG_S = 10.0
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
        How many.
    when : Time, optional
        When the first slew starts. Without it nothing that moves over the sky (Sun, Moon) can be kept away from.
    order : str, optional
        Name of an ordering; default "annealed".
    design : {"even", "informed"}
        See `skysample.sample`.
    model : FittedModel, optional
        To say what the axes have to read for each point.
    terms : sequence of str, optional
        What an informed design is for; default: the model's terms, or the standard set without one.
    seed : int
        The same seed gives the same plan, on any processor but for rounding.
    effort : str
        Of the sampling, see `skysample.sample`.
    sky : UsableSky, optional
        If it is at hand already.
    registry : Registry, optional
        Plugins to ask; default: everything installed.
    dome_weight : float
        From 0, least time, to 1, least dome: see `OrderingProblem`. `Plan.trade_off` says what it costs.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If a name or a number is not acceptable.
    NoSolution
        If nothing of the sky is usable.
    """
    plugins = registry or default_registry()
    ordering = named_ordering(order, plugins.orderings(site))
    if model is not None:
        model.check_site(site)
    check_moment(when)
    served: Sequence[str] | None = terms
    if design == "informed" and terms is None:
        served = ("standard",) if model is None else model.names
    camera = site.camera
    expected_s = (
        points * (camera.exposure_s + camera.overhead_s + GUESSED_LEG_S) if isinstance(points, int) else 0.0
    )
    region = sky or usable_sky(site, moments(when, expected_s), registry=plugins)
    for _ in range(4):
        grid = sample(region, points, design, terms=served, seed=seed, effort=effort, registry=plugins)
        problem = ordering_problem(site, grid, seed, dome_weight)
        found = ordered(site, grid, problem, ordering, when, model)
        if when is None or sky is not None or found.total_s <= expected_s:
            break
        expected_s = 1.2 * found.total_s
        longer = usable_sky(site, moments(when, expected_s), registry=plugins)
        if longer.same_part(region) and longer.usable(grid.directions).all():
            break
        region = longer
    check_times(found, plugins)
    return found


def ordered(
    site: Site,
    grid: Grid,
    problem: OrderingProblem,
    ordering: Ordering,
    when: Time | None,
    model: FittedModel | None,
) -> Plan:
    """Put a grid's points in order, as the problem has them."""
    sequence = best_order(problem, ordering)
    return Plan(
        site,
        grid,
        sequence,
        ordering.name,
        schedule(problem, sequence),
        mount_bound(problem),
        when,
        model,
        problem=problem,
    )


def moments(when: Time | None, span_s: float) -> Time | None:
    """Times, ten minutes apart, that cover a plan: what moves over the sky has to be asked about all of them."""
    if when is None:
        return None
    from astropy import units as u

    count = int(np.ceil(span_s / _CHECK_EVERY_S)) + 1
    return when + np.linspace(0.0, span_s, count) * u.s


def check_times(found: Plan, registry: Registry) -> None:
    """Ask every obstruction once more about each point at its own time; NoSolution if one is blocked."""
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
                f"point {number} is blocked by {obstruction.name} at its own time; plan for another time or"
                f" fewer points"
            )

"""Read a plan back from its file, and check that a run belongs to it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError
from skysample.files.columns import Columns
from skysample.files.tables import read_table
from skysample.geometry import direction, displace, separation, tangent_basis
from skysample.ordering import schedule
from skysample.ordering.grid_problem import ordering_problem
from skysample.planning.plan_table import PLAN_FORMAT, PLAN_VERSION, Plan
from skysample.runs.points_done import plan_numbers
from skysample.sampling.grid import Grid, grid_of
from skysample.site.mount_axes import SIDE_NAMES, side_numbers
from skysample.sky import usable_sky

if TYPE_CHECKING:
    from collections.abc import Mapping

    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.site import Site
    from skysample.sky import UsableSky

__all__ = ["check_same_plan", "read_plan", "unusable_because"]

_FAR_RAD = np.radians(10.0)
"""No telescope that can take a run misses by more: a point farther from its planned place is another plan's."""

_ROUNDED_RAD = np.radians(5e-6)
"""Rounding of a direction in a plan file."""


def read_plan(
    path: str | os.PathLike[str], site: Site, *, check: bool = True, registry: Registry | None = None
) -> Plan:
    """Read a plan file back.

    Parameters
    ----------
    path : path-like
        Written by `Plan.write`.
    site : Site
        The site it was made for.
    check : bool
        Whether to refuse a point outside the usable sky (the Sun is not checked). False is for `resume` only, which
        leaves out unusable points: the horizon may have been corrected since.
    registry : Registry, optional
        Plugins to use; default: everything installed.

    Returns
    -------
    Plan
        The points in the order of the file; motion of mount and dome is computed again, from the park position.
        It has no start time.

    Raises
    ------
    InputError
        If the file is not a plan, was made for another site, or has a point outside this site's usable sky.
    """
    name = os.fspath(path)
    table = read_table(path, text=("pier", "start_utc"), expected=PLAN_FORMAT, version=PLAN_VERSION)
    for column in ("point", "alt_deg", "az_deg", "pier"):
        if column not in table.colnames:
            raise InputError(f"has no column {column}; name a plan file", file=name, key=column)
    made_for = table.meta.get("site")
    if made_for and site.name and made_for != site.name:
        raise InputError(
            f"was made for {made_for!r:.60}, not for {site.name!r}; name that site's file",
            file=name,
            key="site",
        )
    columns = Columns(table, np.arange(len(table)), name)
    numbers = plan_numbers(columns).tolist()
    altitude = columns.floats("alt_deg", -90.0, 90.0, unit="deg")
    azimuth = columns.floats("az_deg", -360.0, 360.0, unit="deg")
    if not numbers or not np.isfinite([altitude, azimuth]).all() or len(set(numbers)) < len(numbers):
        raise InputError(
            "has no points, a point without coordinates, or a duplicate; write the plan again",
            file=name,
            key="point",
        )
    side = np.where(side_numbers(columns.choices("pier", tuple(SIDE_NAMES.values()))) < 0, -1, 1)
    sky = usable_sky(site, registry=registry)
    design = "resumed" if table.meta.get("design") == "resumed" else "as read"
    grid = grid_of(direction(np.radians(altitude), np.radians(azimuth)), side, sky, design=design)
    if check:
        _check_usable(grid, columns)
    problem = ordering_problem(site, grid, dome_weight=_dome_weight(table.meta, name))
    order = np.arange(len(numbers))
    moves = schedule(problem, order)
    return Plan(site, grid, order, "as read", moves, None, grid_numbers=tuple(numbers), problem=problem)


def _dome_weight(meta: Mapping[str, Any], file: str) -> float:
    weight = meta.get("dome_weight", 0.0)
    if isinstance(weight, bool) or not isinstance(weight, int | float) or not 0.0 <= weight <= 1.0:
        raise InputError(
            f"dome_weight is {weight!r:.60}; write a number from 0 to 1", file=file, key="dome_weight"
        )
    return float(weight)


def _check_usable(grid: Grid, columns: Columns) -> None:
    """Refuse a point that is not usable, even allowing for the rounding of its coordinates in the file."""
    around = np.radians(np.arange(0.0, 360.0, 45.0))
    ring = _ROUNDED_RAD * np.column_stack([np.cos(around), np.sin(around)])
    for place, (at, each) in enumerate(zip(grid.directions, grid.sides, strict=True)):
        basis = tangent_basis(at, np.array([0.0, 0.0, 1.0]))
        nearby = displace(at, basis, np.vstack([[0.0, 0.0], ring]))
        if not grid.sky.usable(nearby, int(each)).any():
            raise columns.refuse(
                "alt_deg",
                place,
                f"and az_deg are outside this site's usable sky ({unusable_because(grid.sky, at)}); plan again,"
                " or name the site file that this plan was made for",
            )


def unusable_because(sky: UsableSky, at: Array) -> str:
    """Why a direction is unusable: the obstructions' names, or that the tube cannot reach it on that side."""
    return " and ".join(sky.blockers(at)) or "not reached on that side of the pier"


def check_same_plan(earlier: Plan, run: Run) -> None:
    """Refuse a run whose points are not where the plan has them.

    Raises
    ------
    InputError
        Names the first such row.
    """
    planned = dict(zip(earlier.numbers.tolist(), earlier.grid.directions[earlier.order], strict=True))
    for row, number, seen in zip(run.rows, run.point, run.directions, strict=True):
        if int(number) in planned and separation(seen, planned[int(number)]) > _FAR_RAD:
            raise InputError(
                f"point {number} is more than 10 deg from its place in this plan, so the run belongs to another plan;"
                " name that plan",
                file=run.source,
                row=int(row),
                key="point",
            )

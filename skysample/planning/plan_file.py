"""A plan read back from its file, and whether a run is a run of it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.errors import InputError
from skysample.files.columns import Columns
from skysample.files.tables import read_table
from skysample.geometry import direction, separation
from skysample.ordering import schedule
from skysample.ordering.grid_problem import ordering_problem
from skysample.planning.plan_table import PLAN_FORMAT, PLAN_VERSION, Plan
from skysample.runs.points_done import plan_numbers
from skysample.sampling.grid import Grid, grid_of
from skysample.site.mount_axes import SIDE_NAMES
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
"""Farther from its planned place no telescope lands that is worth a run: then it is another plan's point."""

_ROUNDED_RAD = np.radians(5e-6)
"""How far a place may have moved by being written to a plan file."""


def read_plan(
    path: str | os.PathLike[str], site: Site, *, check: bool = True, registry: Registry | None = None
) -> Plan:
    """Read a plan file back.

    Parameters
    ----------
    path : path-like
        Written by `Plan.write`.
    site : Site
        The plan's own.
    check : bool
        Whether every point has to be usable, the Sun aside. Without it the plan is for `resume` only, which leaves
        out by itself what is not usable: the horizon may have been corrected since.
    registry : Registry, optional
        The plugins to ask, in place of everything installed.

    Returns
    -------
    Plan
        Its points in its order; mount and dome are worked out again, from where they are parked. It has no start
        time.

    Raises
    ------
    InputError
        If the file is no plan or another site's, or a point of it lies outside this site's usable sky.
    """
    name = os.fspath(path)
    table = read_table(path, text=("pier", "start_utc"), expected=PLAN_FORMAT, version=PLAN_VERSION)
    for column in ("point", "alt_deg", "az_deg", "pier"):
        if column not in table.colnames:
            raise InputError(f"has no column {column}: it is no plan", file=name, key=column)
    made_for = table.meta.get("site")
    if made_for and site.name and made_for != site.name:
        raise InputError(
            f"was made for {made_for!r:.60}, not for {site.name!r}; name that site's file",
            file=name,
            key="site",
        )
    columns = Columns(table, np.arange(len(table)), name)
    numbers = plan_numbers(columns).tolist()
    places = np.array(
        [
            columns.floats(column, -reach, reach, unit="deg")
            for column, reach in (("alt_deg", 90.0), ("az_deg", 360.0))
        ]
    )
    if not numbers or not np.isfinite(places).all() or len(set(numbers)) < len(numbers):
        raise InputError(
            "has no points, a point without a place, or one twice; write the plan again",
            file=name,
            key="point",
        )
    words = columns.choices("pier", tuple(SIDE_NAMES.values()))
    side = np.array([-1 if word == SIDE_NAMES[-1] else 1 for word in words])
    sky = usable_sky(site, registry=registry)
    design = "resumed" if table.meta.get("design") == "resumed" else "as read"
    grid = grid_of(direction(*np.radians(places)), side, sky, design=design)
    if check:
        _check_usable(grid, columns)
    problem = ordering_problem(site, grid, dome_weight=_dome_weight(table.meta, name))
    order = np.arange(len(numbers))
    return Plan(
        site,
        grid,
        order,
        "as read",
        schedule(problem, order),
        None,
        grid_numbers=tuple(numbers),
        problem=problem,
    )


def _dome_weight(meta: Mapping[str, Any], file: str) -> float:
    weight = meta.get("dome_weight", 0.0)
    if isinstance(weight, bool) or not isinstance(weight, int | float) or not 0.0 <= weight <= 1.0:
        raise InputError(
            f"dome_weight is {weight!r:.60}, not from 0 to 1; correct it", file=file, key="dome_weight"
        )
    return float(weight)


def _check_usable(grid: Grid, columns: Columns) -> None:
    """Refuse a plan with a point that is not usable, nor any place so near that writing rounded it away."""
    around = np.radians(np.arange(0.0, 360.0, 45.0))
    for place, (at, each) in enumerate(zip(grid.directions, grid.sides, strict=True)):
        across = np.cross(at, np.eye(3)[int(np.argmin(np.abs(at)))])
        across /= np.linalg.norm(across)
        ring = np.outer(np.cos(around), across) + np.outer(np.sin(around), np.cross(at, across))
        nearby = np.concatenate([at[None], np.cos(_ROUNDED_RAD) * at + np.sin(_ROUNDED_RAD) * ring])
        if not grid.sky.usable(nearby, int(each)).any():
            raise columns.refuse(
                "alt_deg",
                place,
                f"and az_deg are outside this site's usable sky ({unusable_because(grid.sky, at)}); plan again,"
                " or name the site file that this plan was made for",
            )


def unusable_because(sky: UsableSky, at: Array) -> str:
    """What makes a direction unusable: the obstructions' names, or that the tube's side does not reach it."""
    return " and ".join(sky.blockers(at)) or "not reached on that side of the pier"


def check_same_plan(earlier: Plan, run: Run) -> None:
    """Refuse a run whose points are not where this plan has them.

    Raises
    ------
    InputError
        Names the first such row.
    """
    planned = dict(zip(earlier.numbers.tolist(), earlier.grid.directions[earlier.order], strict=True))
    for row, number, seen in zip(run.rows, run.point, run.directions, strict=True):
        if int(number) in planned and separation(seen, planned[int(number)]) > _FAR_RAD:
            raise InputError(
                f"point {number} is not where this plan has it: the run is of another plan; name the plan that it was"
                " taken from",
                file=run.source,
                row=int(row),
                key="point",
            )

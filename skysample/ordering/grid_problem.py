"""The ordering problem of a grid: axes, turns and dome arcs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.geometry import Array, alt_az
from skysample.ordering.problem import OrderingProblem
from skysample.site.dome import dome_arcs
from skysample.site.mount_axes import (
    ideal_axes,
    limits,
    mount_frame,
    primary_turns,
    tube_origin,
    within_limits,
)

if TYPE_CHECKING:
    from skysample.sampling import Grid
    from skysample.sampling.exchange import Places
    from skysample.site import Site


def ordering_problem(
    site: Site, grid: Grid | Places, seed: int = 0, dome_weight: float = 0.0
) -> OrderingProblem:
    """Build the ordering problem of a grid: axes, turns and dome arcs, starting from park."""
    frame = mount_frame(site.mount.kind, site.location.latitude_rad)
    axes = ideal_axes(frame, grid.directions, grid.sides)
    axis_limits = limits(site.mount)
    secondary_low = axis_limits[1, 0]
    axes = np.stack([axes[:, 0], secondary_low + (axes[:, 1] - secondary_low) % (2.0 * np.pi)], axis=1)
    arcs: tuple[Array, ...] = ()
    if site.dome is not None:
        arcs = dome_arcs(
            site.dome, grid.directions, tube_origin(frame, axes, site.dome.pivot_m, site.dome.tube_offset_m)
        )
    return OrderingProblem(
        axes=axes,
        turns=primary_turns(axes, axis_limits),
        start_axes=_parked(site, axis_limits),
        azimuth=alt_az(grid.directions)[1],
        arcs=arcs,
        start_dome=np.radians(site.dome.park_deg) if site.dome is not None else 0.0,
        mount=site.mount,
        dome=site.dome,
        seed=seed,
        dome_weight=dome_weight,
        dome_head_start_s=site.dome.head_start_s if site.dome is not None else 0.0,
    )


def _parked(site: Site, axis_limits: Array) -> Array:
    if site.mount.park is not None:
        parked = np.radians(np.array(site.mount.park))
        if not within_limits(parked, axis_limits):
            raise InputError(
                f"mount.park: {list(site.mount.park)} is outside the axes' limits; correct one of them",
                key="mount.park",
            )
        return np.asarray(parked)
    if site.mount.kind == "altaz":
        return np.array([0.0, np.radians(site.sky.altitude_min_deg)])
    return np.array([np.clip(0.0, *axis_limits[0]), site.location.latitude_rad])

"""Orderings on one reference observatory: seconds of motion, dome rotation and moves, bound, processor time.

Run: python benchmarks/ordering_reference.py [POINTS ...]

An invented fork at 35 degrees north in a dome centred on its axes; points from a Fibonacci lattice.
"""

from __future__ import annotations

import math
import sys
import time

import numpy as np

from skysample.dome import dome_arcs
from skysample.geometry import direction
from skysample.mount_axes import ideal_axes, limits, mount_frame, primary_turns
from skysample.ordering import OrderingProblem, best_order, mount_bound, schedule, skysample_orderings
from skysample.site import Dome, Mount

LATITUDE = math.radians(35.0)


def points(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Altitude and azimuth of exactly `count` points, altitude 30 to 88 degrees, above a stepped horizon."""
    for size in range(count, 10 * count):
        i = np.arange(size) + 0.5
        alt, az = np.degrees(np.arcsin(i / size)), np.degrees(np.pi * (1.0 + 5.0**0.5) * i) % 360.0
        east = np.where((az >= 20.0) & (az <= 60.0), 38.0, 30.0)
        floor = np.where((az >= 200.0) & (az <= 250.0), 45.0, east)
        inside = (alt >= floor) & (alt <= 88.0)
        if np.count_nonzero(inside) == count:
            return np.radians(alt[inside]), np.radians(az[inside])
    raise SystemExit(f"no Fibonacci lattice leaves exactly {count} points; try another number")


def reference_problem(count: int, seed: int = 0) -> OrderingProblem:
    """Put the reference observatory's problem for a number of points."""
    alt, az = points(count)
    mount = Mount(kind="fork")
    dome = Dome(
        radius_m=1.0,
        slit_width_m=0.4,
        beam_m=0.2,
        rate_deg_s=3.0,
        accel_deg_s2=2.0,
        start_delay_s=1.0,
        slit_past_zenith_deg=11.6,
    )
    directions = direction(alt, az)
    axes = ideal_axes(mount_frame("fork", LATITUDE), directions)
    return OrderingProblem(
        axes=axes,
        turns=primary_turns(axes, limits(mount)),
        start_axes=np.array([0.0, LATITUDE]),
        azimuth=az,
        arcs=dome_arcs(dome, directions, np.zeros((count, 3))),
        start_dome=math.pi,
        mount=mount,
        dome=dome,
        seed=seed,
    )


def main() -> None:
    """Print one line for each ordering and number of points."""
    print("points ordering    slew_s dome_deg moves  bound_s  cpu_s")
    for count in [int(argument) for argument in sys.argv[1:]] or [15, 75, 100, 300]:
        problem = reference_problem(count)
        bound = mount_bound(problem)
        for ordering in skysample_orderings():
            begun = time.process_time()
            order = best_order(problem, ordering)
            spent = time.process_time() - begun
            found = schedule(problem, order)
            turned = math.degrees(found.dome_rad)
            print(
                f"{count:6d} {ordering.name:<9} {found.total_slew_s:7.1f} {turned:8.0f} "
                f"{found.dome_moves:5d} {bound:8.1f} {spent:6.2f}"
            )


if __name__ == "__main__":
    main()

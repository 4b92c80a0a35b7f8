"""Orderings on one reference observatory: seconds of motion, dome rotation and moves, bound, processor time.

Run: python benchmarks/ordering_reference.py [--sampled | --long] [POINTS ...]

The observatory is `reference_site.toml`, an invented fork at 35 degrees north in a dome centred on its axes. The
points are a Fibonacci lattice above its horizon, so that figures can be compared between versions; with
`--sampled` those that skysample would choose today. `above_%` compares with the best of a long search on the lattice,
recorded in LONG_SEARCH_S; `--long` runs that search again (a quarter of an hour for all that are recorded).
"""

from __future__ import annotations

import argparse
import math
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from skysample.geometry import direction
from skysample.ordering import (
    Annealed,
    OrderingProblem,
    best_order,
    mount_bound,
    schedule,
    skysample_orderings,
)
from skysample.ordering.grid_problem import ordering_problem
from skysample.ordering.problem import DOME_POLICIES
from skysample.sampling import sample
from skysample.site import load_site
from skysample.site.dome import dome_arcs
from skysample.site.mount_axes import ideal_axes, limits, mount_frame, primary_turns
from skysample.sky import usable_sky

SITE = Path(__file__).with_name("reference_site.toml")
LONG_TRIALS, LONG_SEEDS = 5_000_000, range(3)
LONG_SEARCH_S = {
    ("timely", 15): 185.0,  # seed 0
    ("timely", 75): 486.5,  # seed 0
    ("timely", 100): 603.5,  # seed 0
    ("timely", 300): 1418.0,  # seed 2
    ("timely", 1000): 3887.8,  # seed 2
    ("lazy", 15): 204.7,  # seed 0
    ("lazy", 75): 528.2,  # seed 1
    ("lazy", 100): 653.3,  # seed 1
    ("lazy", 300): 1491.8,  # seed 1
    ("lazy", 1000): 3962.2,  # seed 1
}
"""Policy and points to seconds, and the best of three seeds: `ordering_reference.py --long`, November 2026."""


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
    """Put the reference observatory's problem for a number of points of the lattice."""
    site = load_site(SITE)
    assert site.dome is not None
    alt, az = points(count)
    directions = direction(alt, az)
    axes = ideal_axes(mount_frame("fork", site.location.latitude_rad), directions)
    return OrderingProblem(
        axes=axes,
        turns=primary_turns(axes, limits(site.mount)),
        start_axes=np.radians(site.mount.park),
        azimuth=az,
        arcs=dome_arcs(site.dome, directions, np.zeros((count, 3))),
        start_dome=math.radians(site.dome.park_deg),
        mount=site.mount,
        dome=site.dome,
        seed=seed,
    )


def sampled_problem(count: int) -> OrderingProblem:
    """Put the same observatory's problem for the points that skysample chooses."""
    site = load_site(SITE)
    return ordering_problem(site, sample(usable_sky(site), count))


def compare_orderings(counts: list[int], *, sampled: bool) -> None:
    """Print one line for each number of points, policy and ordering."""
    print("points policy ordering    slew_s dome_deg moves  bound_s above_%  cpu_s")
    for count in counts:
        problem = sampled_problem(count) if sampled else reference_problem(count)
        bound = mount_bound(problem)
        for policy in DOME_POLICIES:
            best = None if sampled else LONG_SEARCH_S.get((policy, count))
            for ordering in skysample_orderings():
                posed = replace(problem, dome_policy=policy)
                begun = time.process_time()
                order = best_order(posed, ordering)
                spent = time.process_time() - begun
                found = schedule(posed, order)
                above = "-" if best is None else f"{100.0 * (found.total_slew_s / best - 1.0):.2f}"
                print(
                    f"{count:6d} {policy:<6} {ordering.name:<9} {found.total_slew_s:8.1f} "
                    f"{math.degrees(found.dome_rad):8.0f} {found.dome_moves:5d} {bound:8.1f} {above:>7} {spent:6.2f}",
                    flush=True,
                )


def search_long(counts: list[int]) -> None:
    """Print the entries of LONG_SEARCH_S, and with which seed each was found."""
    for policy in DOME_POLICIES:
        for count in counts:
            found = []
            for seed in LONG_SEEDS:
                problem = replace(reference_problem(count, seed), dome_policy=policy)
                order = Annealed(trials=LONG_TRIALS).order(problem)
                found.append((schedule(problem, order).total_slew_s, seed))
            print(f'("{policy}", {count}): {min(found)[0]:.2f},  # seed {min(found)[1]}', flush=True)


def main() -> None:
    """Read the command line and do what it says."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("counts", metavar="POINTS", nargs="*", type=int)
    parser.add_argument("--sampled", action="store_true", help="points from skysample.sample")
    parser.add_argument("--long", action="store_true", help="search long, for the record")
    asked = parser.parse_args()
    if asked.long:
        search_long(asked.counts or [15, 75, 100, 300, 1000])
    else:
        compare_orderings(asked.counts or [15, 75, 100, 300], sampled=asked.sampled)


if __name__ == "__main__":
    main()

"""What a general route solver's pairwise optimum costs once the dome is really simulated, against ours.

Run: uv run --with ortools python benchmarks/ordering_peers.py [--sampled] [--seconds S] [POINTS ...]

The solvers get the table of least seconds from stop to stop: the mount's time, or the dome's over the gap between
the two stops' azimuths if that is longer. All orders then go through both schedules. "As planned" sets our order,
with the dome led as our plan leads it (timely), against theirs, with a dome that turns when it must (lazy); the
other rows give both the same dome. The bounds are for the solver that comes nearest to the pairwise optimum, which
several routes share: what the dome adds to them differs by a per cent.
PyVRP is asked through `plugins/skysample-pairwise`, within a number of iterations; OR-tools has a time instead. A
solver that is not installed is said to be missing.
"""

from __future__ import annotations

import argparse
import importlib.util
import math
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parent))

from figures import Figures
from ordering_reference import reference_problem, sampled_problem
from skysample_pairwise import Pairwise, pairwise_s, pairwise_ticks

from skysample.ordering import Annealed, OrderingProblem, Schedule, schedule

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy as np

PYVRP_ITERATIONS = 20_000


def ortools_order(table: np.ndarray, seconds: int) -> list[int]:
    """Cheapest arcs, then guided local search."""
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    manager = pywrapcp.RoutingIndexManager(len(table), 1, 0)
    routing = pywrapcp.RoutingModel(manager)
    rows = table.tolist()

    def leg(here: int, there: int) -> int:
        return int(rows[manager.IndexToNode(here)][manager.IndexToNode(there)])

    routing.SetArcCostEvaluatorOfAllVehicles(routing.RegisterTransitCallback(leg))
    how = pywrapcp.DefaultRoutingSearchParameters()
    how.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PATH_CHEAPEST_ARC
    how.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    how.time_limit.seconds = seconds
    solution = routing.SolveWithParameters(how)
    order, index = [], solution.Value(routing.NextVar(routing.Start(0)))
    while not routing.IsEnd(index):
        order.append(manager.IndexToNode(index) - 1)
        index = solution.Value(routing.NextVar(index))
    return order


def solvers(seconds: int) -> dict[str, Callable[[OrderingProblem], list[int]]]:
    """Each route solver, by the name of its package."""
    return {
        "ortools": lambda problem: ortools_order(pairwise_ticks(problem), seconds),
        "pyvrp": lambda problem: Pairwise(PYVRP_ITERATIONS).order(problem).tolist(),
    }


def show(
    count: int, name: str, order: Sequence[int], problem: OrderingProblem, spent: float
) -> tuple[Schedule, Schedule]:
    """Print an order's pairwise length and both schedules; return them, the lazy dome's first."""
    path = pairwise_s(problem, order)
    lazy, timely = (schedule(replace(problem, dome_policy=policy), order) for policy in ("lazy", "timely"))
    cells = " ".join(
        f"{each.total_slew_s:8.1f} {math.degrees(each.dome_rad):5.0f} {each.dome_moves:4d}"
        for each in (lazy, timely)
    )
    print(f"{count:6d} {name:<13} {path:9.1f} {cells} {spent:7.1f}", flush=True)
    return lazy, timely


def main() -> None:
    """Print one line an order, then what ours saves; leave with 1 if that is less than it has to be."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("counts", metavar="POINTS", nargs="*", type=int)
    parser.add_argument("--sampled", action="store_true", help="points from skysample.sample")
    parser.add_argument("--seconds", type=int, default=20, help="of OR-tools on each problem")
    asked = parser.parse_args()
    figures = Figures("Ours against the pairwise optimum, once the dome is simulated")
    measure_peers(figures, asked.counts or [75, 100], seconds=asked.seconds, sampled=asked.sampled)
    figures.show()


def measure_peers(figures: Figures, counts: Sequence[int], *, seconds: int, sampled: bool = False) -> None:
    """Add what our order saves against each solver's; print every order's own figures."""
    print("points order         pairwise lazy: s   deg move timely:s  deg move   cpu_s")
    for count in counts:
        posed = sampled_problem(count) if sampled else reference_problem(count)
        problem, timely = (replace(posed, dome_policy=policy) for policy in ("lazy", "timely"))
        begun = time.process_time()
        order = Annealed().order(problem).tolist()
        ours_lazy = show(count, "ours, lazy", order, problem, time.process_time() - begun)[0]
        begun = time.process_time()
        order = Annealed().order(timely).tolist()
        ours_timely = show(count, "ours, timely", order, problem, time.process_time() - begun)[1]
        theirs = {}
        for name, solve in solvers(seconds).items():
            if importlib.util.find_spec(name) is None:
                figures.measured(f"{count} points, {name}", "not installed")
                continue
            begun = time.process_time()
            order = solve(problem)
            found = show(count, name, order, problem, time.process_time() - begun)
            theirs[pairwise_s(problem, order), name] = found
        nearest = min(theirs, default=(0.0, ""))[1]
        for (_, name), (lazy, timely_too) in sorted(theirs.items(), key=lambda each: each[0]):
            compare(figures, f"{count} points, as planned, {name}", ours_timely, lazy, held=name == nearest)
            compare(figures, f"{count} points, both lazy, {name}", ours_lazy, lazy, held=name == nearest)
            compare(figures, f"{count} points, both timely, {name}", ours_timely, timely_too)


def compare(figures: Figures, what: str, ours: Schedule, theirs: Schedule, *, held: bool = False) -> None:
    """Add what ours saves in time and in rotation of the dome."""
    less_s = 100.0 * (1.0 - ours.total_slew_s / theirs.total_slew_s)
    less_dome = 100.0 * (1.0 - ours.dome_rad / theirs.dome_rad)
    if held:
        figures.at_least(f"{what}: less time", less_s, 20.0, "%")
        figures.at_least(f"{what}: less dome rotation", less_dome, 55.0, "%")
    else:
        figures.measured(f"{what}: less time", less_s, "%")
        figures.measured(f"{what}: less dome rotation", less_dome, "%")


if __name__ == "__main__":
    main()

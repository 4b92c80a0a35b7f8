"""Everything about a plan in one table: even points, orders, peers, the dome's price, the bound, the informed design.

Run: uv run --with ortools python benchmarks/planning.py [--quick]

Orders are for the lattice of `ordering_reference.py` on its invented observatory. The long search runs here too:
ten times the usual budget from three seeds, and with 15 points the proven best. Times are processor time; the
numpy reference of `sampling_quality.py` stands beside them, measured in the same run.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace

from figures import Figures, progress, reduced_run
from informed_design import measure_informed_design
from ordering_peers import measure_peers
from ordering_reference import LONG_SEARCH_S, reference_problem
from sampling_quality import measure_even_points, reference_work

from skysample.ordering import Annealed, front, mount_bound, schedule
from skysample.ordering.strategies.annealed import DEFAULT_TRIALS

POINTS = (15, 75, 100, 300, 1000)
SEEDS = range(3)
LONGER = 10
# Up to so many points: per cent above the best known, and seconds of processor time.
ORDER_BOUNDS = {300: (0.7, 2.0), 1000: (1.5, 5.0)}
EXACT = 12
GAP_HELD_FOR = (75, 100, 300)
MOST_GAP = 10.0
SOLVER_SECONDS = 20


def measure_orders(figures: Figures, counts: tuple[int, ...], seeds: range) -> None:
    """Add each number of points: motion, time, best known, bound."""
    reference_s = reference_work()
    figures.measured("numpy reference: 20 sorts of 1500 rows of 1500", reference_s, "s")
    for count in counts:
        found, spent = [], []
        for seed in SEEDS:
            problem = reference_problem(count, seed)
            begun = time.process_time()
            order = Annealed().order(problem)
            spent.append(time.process_time() - begun)
            found.append(schedule(problem, order))
        longest = 15 if count == 15 else 0
        best = LONG_SEARCH_S["timely", count]
        for seed in seeds:
            progress(f"{count} points: long search {seed + 1} of {len(seeds)}")
            problem = reference_problem(count, seed)
            order = Annealed(trials=LONGER * DEFAULT_TRIALS, exact_up_to=longest).order(problem)
            best = min(best, schedule(problem, order).total_slew_s)
        problem = reference_problem(count)
        bound = mount_bound(problem)
        middle, worst = sorted(each.total_slew_s for each in found)[1:]
        most_above, most_s = ORDER_BOUNDS[min(size for size in ORDER_BOUNDS if size >= count)]
        label = f"order of {count}"
        shown = " / ".join(f"{each.total_slew_s:.1f}" for each in found)
        figures.measured(f"{label}: seconds of motion, three seeds", shown)
        figures.measured(f"{label}: best known", float(best), "s")
        figures.measured(f"{label}: dome", float(math.degrees(found[0].dome_rad)), "deg")
        figures.measured(f"{label}: dome moves", found[0].dome_moves)
        above, worst_above = (100.0 * (each / best - 1.0) for each in (middle, worst))
        figures.at_most(f"{label}: median seed above the best known", above, most_above, "%")
        figures.measured(f"{label}: worst seed above the best known", worst_above, "%")
        figures.at_most(f"{label}: processor time, median", sorted(spent)[1], most_s, "s")
        figures.measured(f"{label}: over the numpy reference", sorted(spent)[1] / reference_s)
        gap = 100.0 * (best / bound - 1.0)
        if count in GAP_HELD_FOR:
            figures.between(f"{label}: best known above the bound", gap, 0.0, MOST_GAP, "%")
        else:
            figures.measured(f"{label}: best known above the bound", gap, "%")


def measure_few(figures: Figures) -> None:
    """Add whether the bound of few points is the least time itself."""
    for count in (6, 9, EXACT):
        problem = reference_problem(count)
        found = schedule(problem, Annealed().order(problem)).total_slew_s
        gap = 100.0 * (found / mount_bound(problem) - 1.0)
        figures.between(f"order of {count} above the bound, which is the least time", gap, 0.0, 1e-4, "%")
        pairwise = 100.0 * (found / mount_bound(problem, exact_up_to=0) - 1.0)
        figures.measured(f"order of {count} above the bound by pairwise legs alone", pairwise, "%")


def measure_trade_off(figures: Figures, counts: tuple[int, ...]) -> None:
    """Add what sparing the dome costs, each policy and weight."""
    for count in counts:
        problem = reference_problem(count)
        first, *calmer = front(problem, quickest=Annealed().order(problem).tolist())
        for point in calmer:
            figures.measured(f"order of {count}, dome weight {point.dome_weight:g}", point.compared(first))
        posed = replace(problem, dome_policy="lazy")
        lazy = schedule(posed, Annealed().order(posed))
        shown = f"{lazy.total_slew_s:.1f} s, {math.degrees(lazy.dome_rad):.0f} deg, {lazy.dome_moves} moves"
        figures.measured(f"order of {count}, lazy dome", shown)


def main() -> None:
    """Print the table; leave with 1 if a figure is out of its bound."""
    quick = reduced_run(__doc__)
    figures = Figures("Plans: even points, orders, peers, the dome's price, the bound, the informed design")
    measure_orders(figures, POINTS[:2] if quick else POINTS, range(1) if quick else SEEDS)
    measure_few(figures)
    measure_trade_off(figures, (75,) if quick else (75, 100, 300))
    measure_peers(figures, (75,) if quick else (75, 100), seconds=2 if quick else SOLVER_SECONDS)
    measure_informed_design(figures, quick=quick)
    measure_even_points(figures, quick=quick)
    figures.show()


if __name__ == "__main__":
    main()

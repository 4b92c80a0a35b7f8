"""How near the proven bound is to the best order known on the reference observatory.

Run: python benchmarks/bound_reference.py [POINTS ...]

The best known is the least of three annealings with other seeds; "exact" says that the bound is the least
possible time itself.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from ordering_reference import reference_problem

from skysample.ordering import Annealed, best_order, mount_bound, schedule
from skysample.ordering.least_time import MOST_STOPS, minimum_time

SEEDS = range(3)


def main() -> None:
    """Print one line for each number of points."""
    print("points  best_s bound_s  gap_% proven   cpu_s")
    for count in [int(argument) for argument in sys.argv[1:]] or [6, 9, 12, 15, 30, 75, 100, 300]:
        problem = reference_problem(count)
        begun = time.process_time()
        bound = mount_bound(problem)
        spent = time.process_time() - begun
        orders = [best_order(replace(problem, seed=seed), Annealed()) for seed in SEEDS]
        best = min(schedule(problem, order).total_slew_s for order in orders)
        proven = "exact" if count <= MOST_STOPS and minimum_time(problem)[1] else "below"
        print(
            f"{count:6d} {best:7.1f} {bound:7.1f} {100.0 * (best / bound - 1.0):6.2f} {proven} {spent:7.2f}"
        )


if __name__ == "__main__":
    main()

"""What ordering the rest anew after clouds is worth: seconds of motion against going on in the first plan's order.

Run: python benchmarks/clouds.py [POINTS]

The observatory is `reference_site.toml`. Three times a cloud stops the plan: at a quarter, a half and three quarters of
its points, and the last three tried before each have no solution. "kept" takes the very same rest, replacements at its
end, in the order of the first plan; both start where mount and dome stand.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from skysample.ordering import schedule
from skysample.planning import plan
from skysample.planning.resuming import resume
from skysample.runs.points_done import PointsDone
from skysample.site import load_site

if TYPE_CHECKING:
    from skysample.planning.plan_table import Plan

SITE = Path(__file__).with_name("reference_site.toml")


def kept_order(first: Plan, rest: Plan) -> np.ndarray:
    """The rest's points as the first plan had them, then what replaces failed ones."""
    place = {number: position for position, number in enumerate(first.numbers.tolist())}
    numbers = rest.grid_numbers or ()
    return np.array(sorted(range(len(numbers)), key=lambda i: place.get(numbers[i], 10**6 + numbers[i])))


def main() -> None:
    """Print one row a cloud."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("points", type=int, nargs="?", default=75)
    points = parser.parse_args().points
    first = current = plan(load_site(SITE), points)
    print("cloud  done failed  left  anew_s  kept_s  saved_%")
    done, failed = [], []
    for cloud, share in enumerate((0.25, 0.5, 0.75), start=1):
        tried = current.numbers.tolist()[: int(share * points) - len(done) - len(failed)]
        done += tried[:-3]
        failed += tried[-3:]
        current = resume(current, PointsDone(tuple(done), tuple(failed), tried[-1]))
        anew = current.slew_s
        kept = schedule(current.problem, kept_order(first, current)).total_slew_s
        row = (cloud, len(done), len(failed), current.points, anew, kept, 100.0 * (1.0 - anew / kept))
        print("{:5} {:5} {:6} {:5} {:7.1f} {:7.1f} {:8.1f}".format(*row))


if __name__ == "__main__":
    main()

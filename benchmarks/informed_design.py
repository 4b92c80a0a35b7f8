"""What the informed design buys: even points that would give the same prediction error, and how near it is to the best.

Run: python benchmarks/informed_design.py [--quick]

An invented fork at 35 degrees north, altitude 30 to 88 degrees above a stepped horizon; eight terms: six rotations,
tube flexure, fork flexure. Even points are counted by many real even grids of sizes around the answer; the
prediction error is the mean over the sky's pixels, from the definition.
"""

from __future__ import annotations

import time

import numpy as np
from figures import Figures, progress, reduced_run

from skysample.sampling import Grid, sample
from skysample.sampling.informed import linear_model
from skysample.site import Site
from skysample.sky import UsableSky, usable_sky

STEPS = [
    [0, 30],
    [20, 30],
    [20.01, 38],
    [60, 38],
    [60.01, 30],
    [200, 30],
    [200.01, 45],
    [250, 45],
    [250.01, 30],
]
TERMS = ["standard"]


def reference_sky() -> UsableSky:
    return usable_sky(
        Site.from_dict(
            {
                "location": {"latitude_deg": 35.0, "longitude_deg": 0.0, "elevation_m": 1000.0},
                "mount": {"kind": "fork"},
                "sky": {"altitude_min_deg": 30, "altitude_max_deg": 88, "horizon": STEPS},
            }
        )
    )


class PredictionError:
    """Mean prediction variance over the sky's pixels, for unit noise per axis, by the library's own design rows.

    Those are held against differences of the simulated mount in `tests/sampling/test_informed.py`.
    """

    def __init__(self, sky: UsableSky) -> None:
        self.sky = sky
        self.model = linear_model(sky.site, TERMS)
        self.over_sky = self.model.design(sky.directions, np.ones(len(sky.directions), int))

    def variance(self, grid: Grid) -> float:
        rows = self.model.design(grid.directions, grid.sides).reshape(-1, self.over_sky.shape[2])
        covariance = np.linalg.inv(rows.T @ rows)
        return float(
            np.einsum("nip,pq,niq->n", self.over_sky, covariance, self.over_sky, optimize=True).mean()
        )

    def even_points(self, variance: float, guess: int, seeds: int) -> float:
        """How many even points have this variance: from `seeds` grids of each of seven sizes around the guess."""
        sizes = [guess + step for step in range(-3, 4)]
        times_points = [
            size * self.variance(sample(self.sky, size, seed=100 + seed, effort="quick"))
            for size in sizes
            for seed in range(seeds)
        ]
        return float(np.mean(times_points)) / variance

    def least_variance(self) -> float:
        """Proven, times N, for any spread of N exposures over the sky's pixels, repeated or split as may be.

        The trace of the inverse information is convex in the shares of the exposures, so nowhere below its
        tangent: 2 tr(C) - max tr(J C C J^T) (Kiefer 1974, "General equivalence theory for optimum designs",
        Ann. Stat. 2, 849).
        """
        mean = np.einsum("nia,nib->ab", self.over_sky, self.over_sky) / len(self.over_sky)
        rows = self.over_sky @ np.linalg.inv(np.linalg.cholesky(mean)).T
        share, bound = np.full(len(rows), 1.0 / len(rows)), 0.0
        for _ in range(600):
            flat = (np.sqrt(share)[:, None, None] * rows).reshape(-1, rows.shape[2])
            covariance = np.linalg.inv(flat.T @ flat)
            pull = np.sum((rows @ covariance) ** 2, axis=(1, 2))
            bound = max(bound, 2.0 * float(np.trace(covariance)) - float(pull.max()))
            share *= np.sqrt(pull)
            share /= share.sum()
        return bound


def measure_informed_design(figures: Figures, *, quick: bool) -> None:
    """Add every row."""
    seeds = 1 if quick else 6
    sky = reference_sky()
    error = PredictionError(sky)
    least = error.least_variance()
    targets = {(75, 0.0): 1.45, (75, 0.3): 1.38}
    for points in (15, 75, 100):
        even = np.mean(
            [error.variance(sample(sky, points, seed=s, effort="quick")) for s in range(4 * seeds)]
        )
        for separation in (0.0, 0.3):
            progress(f"{points} points, separation {separation}")
            begun = time.process_time()
            grid = sample(sky, points, "informed", terms=TERMS, separation=separation)
            spent = time.process_time() - begun
            found = error.variance(grid)
            label = f"N = {points}, separation {separation}"
            counted = error.even_points(found, grid.informed.even_points, seeds)
            figures.measured(f"{label}: even points as good", round(counted, 1))
            figures.measured(f"{label}: even points as good, by the grid itself", grid.informed.even_points)
            most = counted * found * points / least
            figures.measured(f"{label}: the most that any so many points are worth", round(most, 1))
            if (points, separation) in targets:
                figures.at_least(f"{label}: over N", float(counted / points), targets[points, separation])
            what, gain = f"{label}: variance of as many even points over its own", float(even / found)
            if (points, separation) in targets:
                figures.at_least(what, gain, targets[points, separation])
            else:
                figures.measured(what, gain)
            figures.measured(f"{label}: distinct places", len(np.unique(grid.directions, axis=0)))
            figures.at_most(f"{label}: variance over the least possible", found * points / least, 1.06)
            if points == 100:
                figures.at_most(f"{label}: processor time", spent, 3.0, "s")
    for blend in (0.0, 0.25, 0.5, 0.75, 1.0):
        progress(f"75 points, blend {blend}")
        grid = sample(sky, 75, "informed", terms=TERMS, blend=blend)
        counted = error.even_points(error.variance(grid), grid.informed.even_points, seeds)
        label = f"N = 75, blend {blend}"
        figures.measured(f"{label}: even points as good", round(counted, 1))
        figures.measured(f"{label}: largest gap", float(np.degrees(grid.covering_radius_rad)), "deg")


def main() -> None:
    """Print the figures; leave with 1 if one is out of its bound."""
    figures = Figures("Informed design, fork, eight terms, reference region")
    measure_informed_design(figures, quick=reduced_run(__doc__))
    figures.show()


if __name__ == "__main__":
    main()

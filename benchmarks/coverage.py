"""Does the 95 % interval of the axis error hold in 95 % of nights, and is a night without noise explained?

10,000 nights for each kind of mount and hemisphere: 15 points, noise 1.5 arcsec per axis, the axis about 52' and
2 degrees off (each times 0.5 to 1.5, any sign), random latitude, zeros, cone, skew and flexures; default fit.
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import product
from multiprocessing import get_context

import numpy as np
from figures import Figures, progress, reduced_run
from nights import ARCSEC, AXIS_TERMS, CELLS, random_night

import skysample as ss
from skysample.terms import STANDARD

BATCH = 250


def nights_inside(kind: str, hemisphere: str, seed: int) -> tuple[np.ndarray, int]:
    """For each term, in how many of a batch of nights the truth lies within the interval; points rejected."""
    rng = np.random.default_rng(seed)
    inside, rejected = np.zeros(len(STANDARD[kind]), int), 0
    for _ in range(BATCH):
        night = random_night(kind, hemisphere, 15, rng)
        model = ss.fit(night.run, night.site)
        truth = np.array([night.truth_arcsec[name] for name in model.names]) * ARCSEC
        inside += np.abs(wrapped(model.values_rad - truth)) <= model.t_limit * model.stderr_rad
        rejected += len(model.rejected)
    return inside, rejected


def wrapped(angles: np.ndarray) -> np.ndarray:
    return (angles + np.pi) % (2.0 * np.pi) - np.pi


def worst_rms_arcsec(kind: str, nights: int, *, homed: bool, axis_off: tuple[float, float] | None) -> float:
    """Worst residual RMS of noise-free nights with every extended term present, no point left out."""
    rng = np.random.default_rng(11)
    worst = 0.0
    for number in range(nights):
        zeros = (0.0, 0.0) if homed else tuple(rng.uniform(-np.pi, np.pi, 2))
        night = random_night(
            kind,
            ("north", "south")[number % 2],
            60,
            rng,
            noise_arcsec=0.0,
            axis_off_arcsec=axis_off,
            extended=True,
            zeros_off=zeros,
        )
        model = ss.fit(night.run, night.site, ["extended"], reject=False)
        worst = max(worst, float(model.rms.value))
    return worst


def main() -> None:
    quick = reduced_run(__doc__)
    batches = 2 if quick else 40
    # A reduced run is held to what four standard errors of so few nights allow.
    margin = 100.0 * 4.0 * np.sqrt(0.95 * 0.05 / (batches * BATCH)) if quick else 1.0
    figures = Figures(
        f"Coverage of 95 % intervals, {batches * BATCH} nights a row, 15 points, 1.5 arcsec noise"
    )
    # The workers start afresh and read this before numpy is loaded: one thread each.
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for cell, (kind, hemisphere) in enumerate(CELLS):
            seeds = 1000 * cell + np.arange(batches)
            found = list(pool.map(partial(nights_inside, kind, hemisphere), seeds.tolist()))
            percent = 100.0 * sum(inside for inside, _ in found) / (batches * BATCH)
            coverage = dict(zip(STANDARD[kind], percent.tolist(), strict=True))
            for name in AXIS_TERMS[kind]:
                figures.between(
                    f"{kind} {hemisphere}: {name}", coverage.pop(name), 95.0 - margin, 95.0 + margin, "%"
                )
            others = f"{min(coverage.values()):.2f} to {max(coverage.values()):.2f}"
            figures.measured(f"{kind} {hemisphere}: the {len(coverage)} other terms", others, "%")
            share = 100.0 * sum(rejected for _, rejected in found) / (batches * BATCH * 15)
            figures.measured(f"{kind} {hemisphere}: points rejected, all of them sound", share, "%")
            progress(f"{kind} {hemisphere} done")

    nights = 4 if quick else 100
    for kind in AXIS_TERMS:
        for homed, axis_off in product((True, False), (None, (18000.0, 18000.0))):
            rms = worst_rms_arcsec(kind, nights, homed=homed, axis_off=axis_off)
            encoders = "homed" if homed else "never homed"
            axis = "5 degrees" if axis_off else "52' and 2 degrees"
            what = f"no noise, {kind}, encoders {encoders}, axis {axis} off: worst RMS of {nights}"
            figures.at_most(what, rms, 0.001, "arcsec")
    figures.show()


if __name__ == "__main__":
    main()

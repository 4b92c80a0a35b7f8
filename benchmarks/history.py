"""How often does a history call something moved that did not, and how well does it say what did?

Pairs of nights of 15 points with the same simulated mount, 1 arcsec of noise in the first and 2 in the second; then
the same with the axis sunk by 30 arcsec in between. Default fit, rejection on.
"""

from __future__ import annotations

import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context

import numpy as np
from figures import Figures, progress, reduced_run
from nights import ARCSEC, AXIS_TERMS, even_places, scattered, vectors

import skysample as ss
from skysample.runs import Run
from skysample.site import Site
from skysample.testing import SimulatedMount

BATCH = 50
SUNK_ARCSEC = -30.0


def pair(kind: str, sunk_arcsec: float, rng: np.random.Generator) -> ss.History:
    """Models of two nights with one mount."""
    latitude = float(rng.uniform(20.0, 60.0) * rng.choice([-1.0, 1.0]))
    site = Site.from_dict(
        {"location": {"latitude_deg": latitude, "longitude_deg": 5.0}, "mount": {"kind": kind}}
    )
    first, second = AXIS_TERMS[kind]
    truth = {first: rng.normal(0.0, 600.0), second: rng.normal(0.0, 600.0)}
    truth |= {"primary_zero": rng.normal(0.0, 600.0), "secondary_zero": rng.normal(0.0, 600.0)}
    truth |= {"cone": rng.normal(0.0, 200.0), "tube_flexure": rng.uniform(10.0, 80.0)}
    models = []
    for noise_arcsec, moved in ((1.0, 0.0), (2.0, sunk_arcsec)):
        mount = SimulatedMount(kind, latitude, terms_arcsec=truth | {first: truth[first] + moved})
        alt, az = even_places(15, rng)
        side = np.where((np.sin(az) > 0.0) & (kind == "german"), -1, 1)
        axes = np.stack(mount.reading(alt, az, side), axis=1)
        seen = scattered(vectors(*mount.point(axes[:, 0], axes[:, 1])), noise_arcsec, rng)
        models.append(ss.fit(Run.from_arrays(site, axes, seen, side=side), site))
    return ss.history(models)


def batch(kind: str, sunk_arcsec: float, seed: int) -> Counter[str]:
    rng = np.random.default_rng(seed)
    counts: Counter[str] = Counter()
    for _ in range(BATCH):
        past = pair(kind, sunk_arcsec, rng)
        counts["anything"] += any(each.beyond_chance for each in past.changes)
        axis = [each for each in past.changes if each.term == AXIS_TERMS[kind][0]]
        counts["compared"] += len(axis)
        counts["axis"] += sum(each.moved for each in axis)
        counts["within two"] += sum(
            abs(each.change_rad / ARCSEC - sunk_arcsec) <= 2.0 * each.stderr_rad / ARCSEC for each in axis
        )
        counts["others"] += any(each.moved for each in past.changes if each.term != AXIS_TERMS[kind][0])
    return counts


def main() -> None:
    quick = reduced_run(__doc__)
    pairs = 100 if quick else 2000
    figures = Figures(f"History: {pairs} pairs of nights of 15 points a row")
    most = 5.0 + 300.0 * np.sqrt(0.05 * 0.95 / pairs)
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for number, kind in enumerate(AXIS_TERMS):
            for sunk in (0.0, SUNK_ARCSEC):
                seeds = 10_000 * (2 * number + (sunk != 0.0)) + np.arange(pairs // BATCH)
                counts = sum(pool.map(partial(batch, kind, sunk), seeds.tolist()), Counter())
                share = {name: 100.0 * count / pairs for name, count in counts.items()}
                if sunk == 0.0:
                    figures.at_most(
                        f"{kind}, nothing moved: anything called changed", share["anything"], most, "%"
                    )
                else:
                    what = f'{kind}, {AXIS_TERMS[kind][0]} {sunk:+g}"'
                    compared = 100.0 / counts["compared"]
                    figures.measured(f"{what}: said", compared * counts["axis"], "%")
                    figures.measured(f"{what}: within two errors of it", compared * counts["within two"], "%")
                    figures.at_most(f"{what}: any other term called moved", share["others"], most, "%")
                progress(f"{kind} {sunk:g} done")
    figures.show()


if __name__ == "__main__":
    main()

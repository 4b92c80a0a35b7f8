"""Does `select_terms` keep its two promises, and do intervals hold after it?

For each kind of mount and 30, 75 and 100 points, 400 random mounts (45' and 1.8 degrees off, each times 0.5 to 1.5;
random latitude, zeros, cone, skew, flexures; noise 1.5 arcsec per axis):

- plain: the standard terms alone. How often is any further term admitted?
- one, for every second mount: and one candidate, drawn at random, of the size that the plain night stated, with
  fresh noise. Is it found?
- several, for every tenth: and both encoders off their centres, by 20 arcsec or so. What do intervals do where much
  is chosen?

In brackets the 95 % limits of each share (Clopper & Pearson 1934, Biometrika 26, 404).
"""

from __future__ import annotations

import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context

import numpy as np
from figures import Figures, chosen_run, progress
from nights import ARCSEC, Night, random_night
from scipy.stats import beta

import skysample as ss

KINDS = ("fork", "german", "altaz")
POINTS = (30, 75, 100)
BATCH = 50
Counts = Counter[tuple[str, ...]]


def batch(kind: str, points: int, seed: int) -> Counts:
    """What happened to so many mounts."""
    counts: Counts = Counter()
    for number in range(BATCH):
        rng = np.random.default_rng([seed, number])
        hemisphere = ("north", "south")[number % 2]
        take = partial(random_night, kind, hemisphere, points, noise_rng=rng)
        mount = int(rng.integers(2**32))

        plain = take(np.random.default_rng(mount))
        selection = ss.select_terms(plain.run, plain.site)
        count(counts, "plain", plain, selection)
        counts["plain", "admitted"] += bool(selection.added)
        if number % 2:
            continue
        name = str(rng.choice(selection.testable))
        size = float(selection.detectable(name).value) * float(rng.choice([-1.0, 1.0]))

        one = take(np.random.default_rng(mount), more={name: size})
        selection = ss.select_terms(one.run, one.site)
        count(counts, "one", one, selection)
        counts["of", name] += 1
        counts["found", name] += name in selection.added

        if number % 10:
            continue
        several = take(np.random.default_rng(mount), extended=True)
        count(counts, "several", several, ss.select_terms(several.run, several.site))
    return counts


def count(counts: Counts, sort: str, night: Night, selection: ss.TermSelection) -> None:
    """Take the intervals of a night: those of the standard terms, and those of the added ones."""
    counts[sort, "nights"] += 1
    missed = False
    model = selection.model
    truth = np.array([night.truth_arcsec.get(name, 0.0) for name in model.names]) * ARCSEC
    off = (model.values_rad - truth + np.pi) % (2.0 * np.pi) - np.pi
    inside = np.abs(off) <= selection.limits * model.stderr_rad
    for name, holds in zip(model.names, inside.tolist(), strict=True):
        sort_of_term = (
            "standard" if name not in selection.added else "true" if name in night.truth_arcsec else "false"
        )
        counts[sort, sort_of_term] += 1
        counts[sort, f"{sort_of_term} inside"] += holds
        missed |= name in selection.added and not holds
    counts[sort, "missed"] += missed


def with_limits(what: str, part: int, whole: int) -> tuple[str, float]:
    """Name a share with its 95 % limits, and give it; percent."""
    low = float(beta.ppf(0.025, part, whole - part + 1)) if part else 0.0
    high = float(beta.ppf(0.975, part + 1, whole - part)) if part < whole else 1.0
    return f"{what} [{100.0 * low:.1f}, {100.0 * high:.1f}] of {whole}", 100.0 * part / max(whole, 1)


def show_promises(figures: Figures, what: str, counts: Counts, *, bound: bool) -> None:
    """Print the two promises; few nights show them too roughly to be held against a bound."""
    admitted = with_limits(f"{what}: plain, admitted", counts["plain", "admitted"], counts["plain", "nights"])
    number = sum(each for (sort, _), each in counts.items() if sort == "found")
    found = with_limits(f"{what}: one, found", number, counts["one", "nights"])
    if bound:
        figures.at_most(*admitted, 5.0, "%")
        figures.at_least(*found, 80.0, "%")
    else:
        figures.measured(*admitted, "%")
        figures.measured(*found, "%")


def show_intervals(figures: Figures, kind: str, counts: Counts) -> None:
    for sort in ("plain", "one", "several"):
        for term, words in (("standard", "terms it started from"), ("true", "true added terms")):
            if whole := counts[sort, term]:
                inside = counts[sort, f"{term} inside"]
                figures.measured(*with_limits(f"{kind}: {sort}, {words} inside", inside, whole), "%")
        if added := counts[sort, "true"] + counts[sort, "false"]:
            inside = counts[sort, "true inside"] + counts[sort, "false inside"]
            figures.measured(
                *with_limits(f"{kind}: {sort}, added terms inside, true or not", inside, added), "%"
            )
        missed, nights = counts[sort, "missed"], counts[sort, "nights"]
        figures.measured(
            *with_limits(f"{kind}: {sort}, nights with an added term outside", missed, nights), "%"
        )


def main() -> None:
    quick, kinds = chosen_run(__doc__, KINDS)
    batches = 1 if quick else 8
    figures = Figures(f"Selection of terms, {batches * BATCH} mounts a cell")
    # The workers start afresh and read this before numpy is loaded: one thread each.
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for kind in kinds:
            of_kind: Counts = Counter()
            for points in POINTS:
                seeds = 10_000 * KINDS.index(kind) + 50 * points + np.arange(batches)
                cell = sum(pool.map(partial(batch, kind, points), seeds.tolist()), Counter())
                show_promises(figures, f"{kind}, {points} points", cell, bound=False)
                show_intervals(figures, f"{kind}, {points} points", cell)
                of_kind += cell
                progress(f"{kind}, {points} points: {dict(cell)}")
            show_promises(figures, kind, of_kind, bound=not quick)
            show_intervals(figures, kind, of_kind)
            for what, name in sorted(of_kind):
                if what == "of":
                    found, whole = of_kind["found", name], of_kind["of", name]
                    figures.measured(*with_limits(f"{kind}: {name} found", found, whole), "%")
    figures.show()


if __name__ == "__main__":
    main()

"""Ask `check` about simulated runs with one mistake each, and about sound ones.

A mistake counts as betrayed by the data where a test that knew it, the noise and the fit would find it: a normal test
of size 0.5 % reaches 99 % power where the noiseless misfit is 4.9 times the noise, its square 24.0. Moves count as
wrong from 2' on. Truth comes from SimulatedMount; see `mistaken_nights.py`.

    python benchmarks/mistakes.py                        all kinds, 20 nights a cell, and 10,000 sound nights (hours)
    python benchmarks/mistakes.py --quick                one night a cell, 100 sound nights
    python benchmarks/mistakes.py --only clock           kinds of mistake whose name holds this text
    python benchmarks/mistakes.py --nights 3 --sound 500 --jobs 2
"""

from __future__ import annotations

import time
import warnings
import zlib
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product

import numpy as np
from figures import Figures, options, progress
from mistaken_nights import KINDS, Kind, Written, night

from skysample.errors import InputError, NotDetermined
from skysample.fitting import fit
from skysample.geometry import ARCSEC
from skysample.trust import check
from skysample.trust.weighing import weigh

MOUNTS = ("fork", "german", "altaz")
POINTS = (10, 15, 60)
NOISE_ARCSEC = 1.5
BETRAYED = (2.5758 + 2.3263) ** 2
"""Squared quantiles of the normal distribution for 0.5 % (two-sided: 1 %) and 99 %."""

WRONG_ARCMIN = 2.0
FLEXURES = ("altitude", "hour angle", "kink")
AXIS = {"altaz": ("tilt_north", "tilt_east")}


@dataclass(frozen=True)
class Case:
    """One night of one kind of mistake."""

    kind: int
    mount: str
    by: str
    points: int
    number: int


@dataclass(frozen=True)
class Outcome:
    case: Case
    verdict: str
    cause: str
    right: bool
    wrong_arcmin: float
    misfit: float
    seconds: float


def written(case: Case, *, noise_arcsec: float, false_share: float) -> Written | None:
    """The night with its mistake; None where that cannot be made."""
    seed = zlib.crc32(repr(case).encode())
    kind = KINDS[case.kind]
    found = night(
        case.mount,
        case.points,
        np.random.default_rng(seed),
        by=case.by,
        noise_arcsec=noise_arcsec,
        false_share=false_share,
    )
    return None if kind.write(found, np.random.default_rng(seed + 1)) is False else found


def wrong_by(found: Written, mount: str) -> float:
    """By how much the moves are wrong that the library alone would give, arcminutes; infinite if it gives none."""
    run = found.run()
    if run.site.mount.kind != mount:
        return float("inf")
    try:
        model = fit(run, run.site)
    except Exception:  # noqa: BLE001 - whatever stops the fit gives no moves that could be trusted
        return float("inf")
    names = AXIS.get(mount, ("polar_altitude", "polar_azimuth"))
    aim = np.array([model.values_rad[model.names.index(name)] / ARCSEC / 60.0 for name in names])
    apart = aim - [found.truth_arcsec[name] / 60.0 for name in names]
    shrink = 1.0 if mount == "altaz" else np.cos(np.radians(found.site["location"]["latitude_deg"]))
    return float(np.hypot(apart[0], apart[1] * shrink))


def misfit_of(case: Case) -> float:
    """Squares of the noiseless misfit of a fit to all rows, over those of the noise of an axis."""
    clean = written(case, noise_arcsec=1e-3, false_share=0.0)
    assert clean is not None
    run = clean.run()
    found = weigh(run.log, run.site, smooth=False)
    if found is None or not found.kept.all():
        return float("inf")
    return float(np.sum(found.here.residuals**2)) / (NOISE_ARCSEC * ARCSEC) ** 2


def tried(case: Case) -> Outcome | None:
    """Write one night down wrongly and ask."""
    warnings.simplefilter("ignore")
    found = written(case, noise_arcsec=NOISE_ARCSEC, false_share=0.07 if case.points > 10 else 0.0)
    if found is None:
        return None
    try:
        run = found.run()
    except InputError:
        return Outcome(case, "refused", "", False, float("nan"), float("nan"), 0.0)
    wrong = wrong_by(found, case.mount)
    begun = time.process_time()
    answer = check(run, run.site)
    seconds = time.process_time() - begun
    first = answer.causes[0].cause if answer.causes else ""
    misfit = misfit_of(case) if wrong > WRONG_ARCMIN else float("nan")
    right = first in KINDS[case.kind].causes
    return Outcome(case, answer.verdict, first, right, wrong, misfit, seconds)


def sound_night(number: int) -> tuple[str, str, float]:
    """Verdict, description and seconds of a sound night."""
    warnings.simplefilter("ignore")
    rng = np.random.default_rng(770_000 + number)
    mount = MOUNTS[number % 3]
    how = {
        "by": str(rng.choice(["readings", "targets"])),
        "false_share": float(rng.choice([0.0, 0.1])),
        "flexure_arcsec": float(rng.choice([0.0, rng.uniform(0.0, 20.0)])),
        "where": str(rng.choice(FLEXURES)),
        "one_sided": bool(rng.random() < 0.15),
        "aligned": bool(rng.random() < 0.2),
        "hours": float(np.exp(rng.uniform(np.log(5.0 / 60.0), np.log(3.0)))),
    }
    points = int(rng.choice([10, 15, 30, 60, 100]))
    found = night(mount, points, rng, **how)
    run = found.run()
    begun = time.process_time()
    try:
        answer = check(run, run.site)
    except NotDetermined:
        return "turn", "", time.process_time() - begun
    seconds = time.process_time() - begun
    causes = ", ".join(f"{each.cause} {each.odds:.1f}" for each in answer.causes)
    return answer.verdict, f"{number}: {mount}, {points} points, {how}: {causes}", seconds


def mistakes(figures: Figures, kinds: list[int], nights: int, jobs: ProcessPoolExecutor) -> None:
    """Every kind of mistake on every mount that it can befall."""
    everything: list[Outcome] = []
    for kind in kinds:
        which: Kind = KINDS[kind]
        cases = [Case(kind, *each) for each in product(which.mounts, which.by, POINTS, range(nights))]
        found = [each for each in jobs.map(tried, cases, chunksize=4) if each is not None]
        everything += found
        harmful = [each for each in found if each.wrong_arcmin > WRONG_ARCMIN]
        betrayed = [each for each in harmful if each.misfit > BETRAYED]
        missed = [each for each in betrayed if each.verdict == "turn"]
        right = sum(each.right for each in betrayed)
        taken = Counter(each.cause or "nothing" for each in betrayed if not each.right)
        figures.measured(
            which.name,
            f"{len(found)} runs ({sum(each.verdict == 'refused' for each in found)} refused by their reader),"
            f" {len(harmful)} harmful, {len(betrayed)} of these betrayed: {len(missed)} turned,"
            f" {sum(each.verdict == 'do not turn' for each in betrayed)} stopped, cause right {right};"
            f" taken for {dict(taken) if taken else 'nothing else'}",
        )
        for each in missed[:3]:
            progress(f"  turned: {each.case} wrong by {each.wrong_arcmin:.1f}', misfit {each.misfit:.0f}")
    betrayed = [each for each in everything if each.wrong_arcmin > WRONG_ARCMIN and each.misfit > BETRAYED]
    turned = sum(each.verdict == "turn" for each in betrayed)
    figures.measured("runs with a mistake", len(everything))
    figures.measured("harmful and betrayed", len(betrayed))
    figures.at_most("of these, turned", turned, 0)
    if betrayed:
        figures.at_least(
            "right cause first", 100.0 * sum(each.right for each in betrayed) / len(betrayed), 95.0, "%"
        )
    for points in (15, 60):
        slowest = max((each.seconds for each in everything if each.case.points == points), default=0.0)
        figures.at_most(f"slowest check of {points} points", slowest, 3.0, "s")


def boundary(figures: Figures) -> None:
    """From how many minutes of clock on the data betray it, median over nights, by mount and points."""
    kind = next(place for place, each in enumerate(KINDS) if each.name == "clock +1 h")
    for mount, by, points in product(MOUNTS, ("readings", "targets"), POINTS):
        # The misfit grows nearly with the square of the error.
        found = [misfit_of(Case(kind, mount, by, points, number)) for number in range(5)]
        minutes = 60.0 * np.sqrt(BETRAYED / np.median(found))
        figures.measured(f"clock betrayed from, {mount} by {by}, {points} points", f"{minutes:.0f} min")


def sound(figures: Figures, nights: int, jobs: ProcessPoolExecutor) -> None:
    """Sound nights, which are not to be doubted."""
    found = list(jobs.map(sound_night, range(nights), chunksize=10))
    doubted = [each for each in found if each[0] != "turn"]
    for verdict, description, _ in doubted:
        progress(f"  {verdict}: {description}")
    figures.measured("sound nights", nights)
    figures.at_most("of these doubted", 100.0 * len(doubted) / nights, 0.5, "%")
    figures.at_most("median check of a sound night", float(np.median([each[2] for each in found])), 0.5, "s")


def main() -> None:
    parser = options(__doc__)
    parser.add_argument(
        "--only", default="", help="kinds of mistake whose name holds this text; sound: those nights"
    )
    parser.add_argument("--nights", type=int, default=20, help="of each cell")
    parser.add_argument("--sound", type=int, default=10_000, help="sound nights")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    given = parser.parse_args()
    nights, sounds = (1, 100) if given.quick else (given.nights, given.sound)
    figures = Figures("Mistakes in run and site file: what `check` makes of them")
    with ProcessPoolExecutor(given.jobs) as jobs:
        if given.only != "sound":
            mistakes(figures, [i for i, each in enumerate(KINDS) if given.only in each.name], nights, jobs)
        if not given.only:
            boundary(figures)
        if given.only in ("", "sound"):
            sound(figures, sounds, jobs)
    figures.show()


if __name__ == "__main__":
    main()

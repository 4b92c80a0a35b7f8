"""Does what skysample calls 95 % happen 95 % of the time, at every site, mount, number of points and noise?

A cell is a site (north, south, near the equator), a kind of mount, a number of even points and a noise per axis. Each
of its nights has a mount of its own (45' and 1.8 degrees off, each times 0.5 to 1.5, any sign; random zeros, cone,
skew, flexures) from SimulatedMount, a default fit with rejection, its score, and a fresh pointing at each of some fifty
(`german`: a hundred) places all over the usable sky. With one night in fifty, and 25 points or more, both encoders are
off their centres too, by 20 arcsec or so, which nobody named: what do intervals do after `select_terms`?

By default 18 of the 108 cells are studied: every kind with every number of points, at one of the three places and
with one of the two noises, so that each pair of place and noise comes three times. `--place`, `--kind`, `--points`,
`--noise` choose others; `--all` is all.

Every figure is an RMS or a share over the nights of the cell. A night's numbers depend on the cell and its own number
alone: neither workers nor order change them.
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, partial
from itertools import product
from multiprocessing import get_context
from typing import TYPE_CHECKING

import numpy as np
from figures import Figures, options, progress
from nights import ARCSEC, AXIS_TERMS, random_errors, random_night, scattered, vectors

import skysample as ss
from skysample.errors import NotDetermined
from skysample.fitting.terms import STANDARD
from skysample.runs import Run
from skysample.scoring.sky_error import sky_error
from skysample.site import Site
from skysample.testing import SimulatedMount, trials

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator
    from concurrent.futures import Executor

PLACES = {"north": 48.0, "south": -31.0, "equator": 4.0}
KINDS = tuple(STANDARD)
POINTS = (10, 15, 25, 40, 75, 100)
NOISES_ARCSEC = (0.5, 3.0)
NIGHTS = 10_000
BATCH = 25
SELECTED_SHARE = 50
SELECTED_FROM = 25
FRESH_NSIDE = 4


@dataclass(frozen=True)
class Cell:
    """What the nights of one cell share."""

    place: str
    kind: str
    points: int
    noise_arcsec: float

    def __str__(self) -> str:
        return f'{self.kind}, {self.place}, {self.points} points, {self.noise_arcsec:g}"'

    @property
    def seed(self) -> tuple[int, ...]:
        return (
            list(PLACES).index(self.place),
            KINDS.index(self.kind),
            self.points,
            round(1e3 * self.noise_arcsec),
        )


@dataclass(frozen=True)
class Night:
    """What one night says: shares are 0 or 1, squares are of arcseconds.

    Attributes
    ----------
    inside : ndarray of bool, shape (p,)
        Whether the truth is within the 95 % interval of each term.
    polar_inside : ndarray of bool, shape (2,)
        The same for the two errors of the axis; of no shape where they are not determined.
    squares : dict of str to float
        predicted and achieved (the model's error over the sky), expected and fresh (with noise), left_out and
        left_out_theory, noise (of one component).
    rejected : int
        Points, all of them sound.
    """

    inside: np.ndarray
    polar_inside: np.ndarray
    squares: dict[str, float]
    rejected: int


@cache
def observatory(place: str, kind: str) -> tuple[ss.Site, ss.UsableSky]:
    """Give a site, and its sky in the coarse cells on which fresh pointings are taken."""
    site = Site.from_dict(
        {
            "location": {"latitude_deg": PLACES[place], "longitude_deg": 5.0, "elevation_m": 1250.0},
            "mount": {"kind": kind},
        }
    )
    return site, ss.usable_sky(site, nside=FRESH_NSIDE)


@cache
def grid(place: str, kind: str, points: int) -> ss.Grid:
    return ss.sample(ss.usable_sky(observatory(place, kind)[0], nside=32), points, effort="quick")


def simulated(cell: Cell, rng: np.random.Generator, *, extended: bool = False) -> tuple[SimulatedMount, Run]:
    """Draw a mount, and its run over the cell's points."""
    site, _ = observatory(cell.place, cell.kind)
    truth = random_errors(cell.kind, rng, extended=extended)
    mount = SimulatedMount(cell.kind, site.location.latitude_deg, terms_arcsec=truth)
    even = grid(cell.place, cell.kind, cell.points)
    alt, az = np.arcsin(even.directions[:, 2]), np.arctan2(even.directions[:, 0], even.directions[:, 1])
    axes = np.stack(mount.reading(alt, az, even.sides), axis=1)
    seen = scattered(vectors(*mount.point(axes[:, 0], axes[:, 1])), cell.noise_arcsec, rng)
    return mount, Run.from_arrays(site, axes, seen, side=even.sides)


def night(cell: Cell, rng: np.random.Generator) -> Night:
    """Fit and score one night, and point afresh."""
    site, sky = observatory(cell.place, cell.kind)
    mount, run = simulated(cell, rng)
    model = ss.fit(run, site)
    score, error = ss.score(model, run), sky_error(model, sky)
    achieved, fresh = pointed_afresh(cell, mount, model, sky, rng)
    return Night(
        inside=inside(model, mount, model.t_limit),
        polar_inside=polar_inside(model, mount, site),
        squares={
            "predicted": float(error.rms.value) ** 2,
            "achieved": achieved,
            "expected": float(error.fresh.value) ** 2,
            "fresh": fresh,
            "left_out": float(score.loo_rms.value) ** 2,
            "left_out_theory": float(score.loo_expected.value) ** 2,
            "noise": (model.sigma_rad / ARCSEC) ** 2,
        },
        rejected=len(model.rejected),
    )


def pointed_afresh(
    cell: Cell, mount: SimulatedMount, model: ss.FittedModel, sky: ss.UsableSky, rng: np.random.Generator
) -> tuple[float, float]:
    """Send the mount by the model to places all over the sky: mean squared miss, without noise and measured."""
    truly, measured = [], []
    for number, side in enumerate((1, -1) if cell.kind == "german" else (1,)):
        places = sky.directions[sky.reachable[:, number]]
        axes = model.axes_for(places, np.full(len(places), side))
        places, axes = places[np.isfinite(axes).all(axis=1)], axes[np.isfinite(axes).all(axis=1)]
        there = vectors(*mount.point(axes[:, 0], axes[:, 1]))
        truly.append(np.sum((there - places) ** 2, axis=1))
        measured.append(np.sum((scattered(there, cell.noise_arcsec, rng) - places) ** 2, axis=1))
    return tuple(float(np.mean(np.concatenate(each))) / ARCSEC**2 for each in (truly, measured))


def inside(model: ss.FittedModel, mount: SimulatedMount, limits: float | np.ndarray) -> np.ndarray:
    """Whether the truth is within so many standard errors of each term."""
    truth = np.array([mount.terms_arcsec.get(name, 0.0) for name in model.names]) * ARCSEC
    return np.abs(wrapped(model.values_rad - truth)) <= limits * model.stderr_rad


def polar_inside(model: ss.FittedModel, mount: SimulatedMount, site: ss.Site) -> np.ndarray:
    try:
        found = ss.polar(model, site)
    except NotDetermined:
        return np.zeros(0, bool)
    truth = np.array([mount.terms_arcsec[name] for name in AXIS_TERMS[model.kind]]) * ARCSEC
    off = wrapped(np.array(found.aim) - truth)
    return np.abs(off) <= found.t_limit * found.stderr_rad


def wrapped(angles: np.ndarray) -> np.ndarray:
    return (angles + np.pi) % (2.0 * np.pi) - np.pi


def selected_night(cell: Cell, rng: np.random.Generator) -> np.ndarray:
    """Of terms that it started from and that were added: how many, and how many are within their intervals."""
    site, _ = observatory(cell.place, cell.kind)
    mount, run = simulated(cell, rng, extended=True)
    selection = ss.select_terms(run, site)
    holds = inside(selection.model, mount, selection.limits)
    added = np.isin(selection.model.names, selection.added)
    return np.array([np.sum(~added), np.sum(holds & ~added), np.sum(added), np.sum(holds & added)])


def share(part: np.ndarray) -> tuple[float, float]:
    """Percent, and its standard error where the truth is 95 %."""
    return 100.0 * float(np.mean(part)), 100.0 * float(np.sqrt(0.95 * 0.05 / len(part)))


def rms_ratio(squares: np.ndarray, others: np.ndarray) -> tuple[float, float]:
    """Ratio of two RMS over the nights, and its standard error (delta method)."""
    above, below = float(np.mean(squares)), float(np.mean(others))
    ratio = float(np.sqrt(above / below))
    return ratio, 0.5 * ratio * float(np.std(squares / above - others / below)) / float(np.sqrt(len(squares)))


def measure(figures: Figures, cell: Cell, nights: int, executor: Executor | None = None) -> None:
    """Put a cell's figures on the table; fewer nights are held to what four standard errors of them allow."""

    def said(what: str, done: int, of: int) -> None:
        if done == of or done % (20 * BATCH) == 0:
            progress(f"  {cell}: {done} of {of} {what}")

    found = trials(
        partial(night, cell),
        nights,
        seed=cell.seed,
        executor=executor,
        batch=BATCH,
        progress=partial(said, "nights"),
    )
    squares = {name: np.array([each.squares[name] for each in found]) for name in found[0].squares}
    holds = np.array([each.inside for each in found])
    percent = 100.0 * np.mean(holds, axis=0)
    margin = max(1.0, 4.0 * share(holds[:, 0])[1])
    names = STANDARD[cell.kind]
    for word, at in (("least", int(np.argmin(percent))), ("most", int(np.argmax(percent)))):
        what = f"{cell}: intervals of {len(names)} terms hold, {word} ({names[at]})"
        figures.between(what, float(percent[at]), 95.0 - margin, 95.0 + margin, "%")
    polar = np.array([each.polar_inside for each in found if len(each.polar_inside)])
    figures.measured(f"{cell}: nights in which the axis is determined", 100.0 * len(polar) / nights, "%")
    for number, name in enumerate(AXIS_TERMS[cell.kind] if len(polar) else ()):
        held, error = share(polar[:, number])
        margin = max(1.0, 4.0 * error)
        figures.between(f"{cell}: interval of the axis, {name}", held, 95.0 - margin, 95.0 + margin, "%")
    for what, one, other, most in (
        ("predicted error over the sky / achieved", "predicted", "achieved", 0.03),
        ("expected miss of a fresh pointing / of fresh points", "expected", "fresh", 0.03),
        ("leave-one-out / its theory for these points", "left_out", "left_out_theory", 0.01),
    ):
        ratio, error = rms_ratio(squares[one], squares[other])
        margin = max(most, 4.0 * error)
        figures.between(f"{cell}: {what}", ratio, 1.0 - margin, 1.0 + margin)
    for one, what in (("left_out_theory", "theory says"), ("left_out", "measured")):
        ratio, _ = rms_ratio(squares[one], squares["expected"])
        figures.measured(f"{cell}: leave-one-out / expected miss of a fresh pointing, {what}", ratio)
    rejected = 100.0 * float(np.mean([each.rejected for each in found])) / cell.points
    figures.measured(f"{cell}: points rejected, all of them sound", rejected, "%")
    if cell.points >= SELECTED_FROM:
        after_selection(figures, cell, max(1, nights // SELECTED_SHARE), executor)


def after_selection(figures: Figures, cell: Cell, nights: int, executor: Executor | None) -> None:
    seed = (*cell.seed, 1)
    counts = np.sum(
        trials(partial(selected_night, cell), nights, seed=seed, executor=executor, batch=5), axis=0
    )
    for number, words in ((0, "terms it started from"), (2, "added terms")):
        if counts[number]:
            percent = 100.0 * float(counts[number + 1] / counts[number])
            figures.measured(
                f"{cell}: after a selection with unnamed errors, intervals of {words}", percent, "%"
            )


def worst_rms_arcsec(kind: str, nights: int, *, homed: bool, axis_off: tuple[float, float] | None) -> float:
    """Worst residual RMS of noise-free nights with every extended term present, no point left out."""
    rng = np.random.default_rng(11)
    worst = 0.0
    for number in range(nights):
        zeros = (0.0, 0.0) if homed else tuple(rng.uniform(-np.pi, np.pi, 2))
        seen = random_night(
            kind,
            ("north", "south")[number % 2],
            60,
            rng,
            noise_arcsec=0.0,
            axis_off_arcsec=axis_off,
            extended=True,
            zeros_off=zeros,
        )
        model = ss.fit(seen.run, seen.site, ["extended"], reject=False)
        worst = max(worst, float(model.rms.value))
    return worst


def without_noise(figures: Figures, nights: int) -> None:
    for kind, homed, axis_off in product(KINDS, (True, False), (None, (18000.0, 18000.0))):
        rms = worst_rms_arcsec(kind, nights, homed=homed, axis_off=axis_off)
        encoders = "homed" if homed else "never homed"
        axis = "5 degrees" if axis_off else "45' and 1.8 degrees"
        what = f"no noise, {kind}, encoders {encoders}, axis {axis} off: worst RMS of {nights}"
        figures.at_most(what, rms, 0.001, "arcsec")


def cells(chosen: argparse.Namespace) -> list[Cell]:
    """Those asked for; else the balanced ones, the fewest points first."""
    filters = (chosen.place, chosen.kind, chosen.points, chosen.noise)
    if chosen.all or any(filters):
        every = product(
            chosen.place or PLACES,
            chosen.kind or KINDS,
            chosen.points or POINTS,
            chosen.noise or NOISES_ARCSEC,
        )
        return [Cell(*each) for each in every]
    if chosen.quick:
        return [Cell("south", kind, points, NOISES_ARCSEC[1]) for kind in KINDS for points in (15, 40)]
    places, noises = list(PLACES), NOISES_ARCSEC[::-1]
    return [
        Cell(places[(row + column) % len(places)], kind, points, noises[(row + column) % len(noises)])
        for row, points in enumerate(POINTS)
        for column, kind in enumerate(KINDS)
    ]


def given() -> argparse.Namespace:
    parser = options(__doc__)
    parser.add_argument("--nights", type=int, help=f"a cell; default {NIGHTS}, with --quick 200")
    parser.add_argument("--place", action="append", choices=PLACES, help="these alone; may be repeated")
    parser.add_argument("--kind", action="append", choices=KINDS)
    parser.add_argument("--points", action="append", type=int, choices=POINTS)
    parser.add_argument("--noise", action="append", type=float, choices=NOISES_ARCSEC)
    parser.add_argument("--all", action="store_true", help="every cell")
    parser.add_argument("--workers", type=int, default=2, help="processes on this machine")
    parser.add_argument("--dask", metavar="ADDRESS", help="of a dask scheduler, whose workers do it instead")
    return parser.parse_args()


@contextmanager
def executor_for(chosen: argparse.Namespace) -> Iterator[Executor]:
    if chosen.dask:
        from dask.distributed import Client

        with Client(chosen.dask) as client:
            yield client.get_executor()
        return
    # The workers start afresh and read this before numpy is loaded: one thread each.
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
    with ProcessPoolExecutor(chosen.workers, mp_context=get_context("spawn")) as pool:
        yield pool


def main() -> None:
    chosen = given()
    nights = chosen.nights or (200 if chosen.quick else NIGHTS)
    figures = Figures(f"Calibration, {nights} nights a cell")
    with executor_for(chosen) as executor:
        for each in cells(chosen):
            measure(figures, each, nights, executor)
    if not (chosen.place or chosen.kind or chosen.points or chosen.noise):
        without_noise(figures, 4 if chosen.quick else 100)
    figures.show()


if __name__ == "__main__":
    main()

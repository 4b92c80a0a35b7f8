"""How even the points are on a reference region, the time they take, and whether N always means N.

Run: python benchmarks/sampling_quality.py [--quick]

The region: altitude 30 to 88 degrees, above a horizon of 45 between azimuths 200 and 250 and 38 between 20 and 60.
Measured on HEALPix cells finer than those that the points were chosen on, by scipy's tree, not by the library.
Ratios are to the hexagonal lattice of as many points on as large a plane.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

import healpy as hp
import numpy as np
from figures import Figures, progress, reduced_run
from scipy.spatial import cKDTree

import skysample as ss
from skysample.errors import InputError
from skysample.geometry import alt_az, direction
from skysample.sampling import even_points
from skysample.site import Site

if TYPE_CHECKING:
    from skysample.sky import UsableSky

FINE_NSIDE = 512
FIRST_SEED = 1000  # no constant of the method was chosen on these seeds
# Up to so many points: covering ratio and mesh ratio at most, separation ratio at least.
BOUNDS = {100: (1.19, 0.80, 1.70), 300: (1.20, 0.80, 1.70), 1000: (1.23, 0.77, 1.82)}
# Degrees. 4, 6, 12: tetrahedron, octahedron and icosahedron are both, L. Fejes Toth 1953, "Lagerungen in der Ebene,
# auf der Kugel und im Raum". 24: best known covering, a value from memory.
SOLID = "Fejes Toth 1953"
SPHERE = [
    (4, "default", 109.471, 70.529, SOLID),
    (6, "default", 90.0, 54.736, SOLID),
    (12, "default", 63.435, 37.377, SOLID),
    (24, "thorough", None, 26.81, "from memory"),
]
STEP_DEG = 1e-3
HORIZON = [[0, 30], [20 - STEP_DEG, 30], [20, 38], [60, 38], [60 + STEP_DEG, 30]]
HORIZON += [[200 - STEP_DEG, 30], [200, 45], [250, 45], [250 + STEP_DEG, 30]]


def reference_sky() -> UsableSky:
    site = Site.from_dict(
        {
            "location": {"latitude_deg": 35.0, "longitude_deg": 5.0, "elevation_m": 1250.0},
            "sky": {"altitude_min_deg": 30.0, "altitude_max_deg": 88.0, "horizon": HORIZON},
            "mount": {"kind": "fork"},
        }
    )
    return ss.usable_sky(site)


def sphere(nside: int) -> np.ndarray:
    colatitude, azimuth = hp.pix2ang(nside, np.arange(12 * nside**2))
    return direction(np.pi / 2.0 - colatitude, azimuth)


def in_region(directions: np.ndarray) -> np.ndarray:
    alt, az = (np.degrees(angle) for angle in alt_az(directions))
    low = np.where((az >= 200) & (az <= 250), 45.0, np.where((az >= 20) & (az <= 60), 38.0, 30.0))
    return (alt >= low) & (alt <= 88.0)


def measured(cells: np.ndarray, points: np.ndarray) -> tuple[float, float, float, float]:
    """Covering and separation ratio, mesh ratio, variation of the cells' areas."""
    area = len(cells) * 4.0 * math.pi / (12 * FINE_NSIDE**2)
    distance, owner = cKDTree(points).query(cells)
    covering = 2.0 * math.asin(distance.max() / 2.0)
    apart = 2.0 * math.asin(cKDTree(points).query(points, 2)[0][:, 1].min() / 2.0)
    share = np.bincount(owner, minlength=len(points))
    lattice_covering = math.sqrt(2.0 * area / (3.0 * math.sqrt(3.0) * len(points)))
    lattice_separation = math.sqrt(2.0 * area / (math.sqrt(3.0) * len(points)))
    return (
        covering / lattice_covering,
        apart / lattice_separation,
        covering / (apart / 2.0),
        float(share.std() / share.mean()),
    )


def random_mask(rng: np.random.Generator) -> np.ndarray:
    """Caps, slivers and dust of pixels, in any mixture."""
    pixels = sphere(16)
    chosen = np.zeros(len(pixels), bool)
    for kind in rng.choice(["cap", "sliver", "pixel", "dust"], rng.integers(1, 5)):
        height = pixels @ pixels[rng.integers(len(pixels))]
        if kind == "cap":
            chosen |= height > rng.uniform(0.0, 0.99)
        elif kind == "sliver":
            chosen |= np.abs(height - rng.uniform(-0.9, 0.9)) < 0.04
        elif kind == "pixel":
            chosen[rng.integers(len(pixels))] = True
        else:
            chosen |= rng.random(len(pixels)) < 0.05
    return pixels[chosen]


def mask_is_honoured(rng: np.random.Generator) -> bool:
    """Whether a random mask gets exactly N distinct points inside, or a refusal where it has fewer cells."""
    cells, points = random_mask(rng), int(rng.integers(1, 301))
    try:
        found = even_points(cells, points, effort="quick")
    except InputError:
        return points > len(cells)
    distance, owner = cKDTree(cells).query(found)
    return len(found) == points == len(set(owner.tolist())) and bool(distance.max() < 1e-9)


def reference_work() -> float:
    """Seconds of processor time of a fixed piece of numpy, to which the times are also given as ratios."""
    rng = np.random.default_rng(0)
    matrix = rng.standard_normal((1500, 1500))
    begun = time.process_time()
    for _ in range(20):
        np.sort(matrix, axis=1)
    return time.process_time() - begun


def on_the_region(figures: Figures, points: int, seeds: int, effort: str, reference_s: float) -> float:
    """Add the rows of a number of points; return the median processor time."""
    sky, cells = reference_sky(), sphere(FINE_NSIDE)
    cells = cells[in_region(cells)]
    found, spent, told = [], [], []
    for seed in range(FIRST_SEED, FIRST_SEED + seeds):
        begun = time.process_time()
        grid = ss.sample(sky, points, seed=seed, effort=effort)
        spent.append(time.process_time() - begun)
        told.append(grid.covering_ratio)
        found.append((*measured(cells, grid.directions), len(grid), in_region(grid.directions).sum()))
    covering, separation, mesh, variation, count, inside = np.array(found, float).T
    label = f"{points} points, {effort}, {seeds} seeds"
    bounds = BOUNDS[min(size for size in BOUNDS if size >= points)] if points <= 1000 else None
    if effort == "default" and bounds:
        figures.at_most(f"{label}: covering radius ratio", covering.max(), bounds[0])
        figures.at_least(f"{label}: separation ratio", separation.min(), bounds[1])
        figures.at_most(f"{label}: mesh ratio", mesh.max(), bounds[2])
        figures.at_most(f"{label}: variation of area", variation.max(), 0.06)
    else:
        figures.measured(f"{label}: covering radius ratio", covering.max())
        figures.measured(f"{label}: separation ratio", separation.min())
        figures.measured(f"{label}: mesh ratio", mesh.max())
        figures.measured(f"{label}: variation of area", variation.max())
    figures.measured(f"{label}: covering radius ratio, mean", float(covering.mean()))
    figures.measured(f"{label}: covering radius ratio, as the grid tells it", max(told))
    figures.between(f"{label}: number of points inside the region", int(inside.min()), points, points)
    figures.between(f"{label}: number of points", int(count.min()), points, points)
    median = float(np.median(spent))
    most = {"default": 2.0, "quick": 0.3}[effort]
    if points <= 100:
        figures.at_most(f"{label}: processor time, median", median, most, "s")
    else:
        figures.measured(f"{label}: processor time, median", median, "s")
    figures.measured(f"{label}: over the numpy reference", median / reference_s)
    progress(f"{label} done")
    return median


def on_the_whole_sphere(figures: Figures, seeds: int) -> None:
    """Compare with the published optima; those of 4, 6 and 12 points are regular solids."""
    cells, fine = sphere(64), sphere(128)
    for points, effort, apart_deg, covering_deg, source in SPHERE:
        apart, covering = [], []
        for seed in range(seeds):
            chosen = even_points(
                cells,
                points,
                seed=seed,
                effort=effort,
                inside=lambda directions: np.ones(len(directions), bool),
            )
            apart.append(2.0 * math.asin(cKDTree(chosen).query(chosen, 2)[0][:, 1].min() / 2.0))
            covering.append(2.0 * math.asin(cKDTree(chosen).query(fine)[0].max() / 2.0))
        label = f"sphere, {points} points, {effort}, {seeds} seeds"
        if apart_deg:
            figures.at_least(
                f"{label}: separation over {apart_deg:g} deg", math.degrees(min(apart)) / apart_deg, 0.98
            )
        figures.at_most(
            f"{label}: covering over {covering_deg:g} deg, {source}",
            math.degrees(max(covering)) / covering_deg,
            1.02,
        )


def measure_even_points(figures: Figures, *, quick: bool) -> None:
    """Add every row."""
    reference_s = reference_work()
    ss.sample(reference_sky(), 15, effort="quick")  # what the first use imports is not counted
    figures.measured("numpy reference: 20 sorts of 1500 rows of 1500", reference_s, "s")
    seeds = {15: 1, 100: 1} if quick else {15: 20, 50: 20, 75: 20, 100: 20, 300: 3, 1000: 2, 10_000: 1}
    times = {
        points: on_the_region(figures, points, count, "default", reference_s)
        for points, count in seeds.items()
    }
    for points, count in seeds.items():
        if points <= 100:
            on_the_region(figures, points, count, "quick", reference_s)
    for points, spent in times.items():
        if points > 100:
            growth = points * math.log(points) / (100.0 * math.log(100.0))
            figures.at_most(f"{points} points: time over that of 100", spent / times[100], growth)
    on_the_whole_sphere(figures, 1 if quick else 5)
    masks = 40 if quick else 400
    rng = np.random.default_rng(7)
    honoured = sum(mask_is_honoured(rng) for _ in range(masks))
    figures.between(f"random masks of {masks} with exactly N points inside", honoured, masks, masks)


def main() -> None:
    figures = Figures("Even sampling on the reference region and the sphere, worst of the seeds")
    measure_even_points(figures, quick=reduced_run(__doc__))
    figures.show()


if __name__ == "__main__":
    main()

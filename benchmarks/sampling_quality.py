"""How even the points are on a reference region, the time they take, and whether N always means N.

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
from skysample.site import site_from_dict

if TYPE_CHECKING:
    from skysample.sky import UsableSky

FINE_NSIDE = 512
STEP_DEG = 1e-3
HORIZON = [[0, 30], [20 - STEP_DEG, 30], [20, 38], [60, 38], [60 + STEP_DEG, 30]]
HORIZON += [[200 - STEP_DEG, 30], [200, 45], [250, 45], [250 + STEP_DEG, 30]]


def reference_sky() -> UsableSky:
    site = site_from_dict(
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


def main() -> None:
    quick = reduced_run(__doc__)
    figures = Figures("Even sampling on the reference region, worst of the seeds")
    sky = reference_sky()
    cells = sphere(FINE_NSIDE)
    cells = cells[in_region(cells)]
    for points in (15, 50) if quick else (15, 50, 75, 100, 300):
        found, spent, told = [], [], []
        for seed in range(1 if quick else 3):
            begun = time.perf_counter()
            grid = ss.sample(sky, points, seed=seed)
            spent.append(time.perf_counter() - begun)
            told.append(grid.covering_ratio)
            inside = in_region(grid.directions)
            found.append((*measured(cells, grid.directions), len(grid), inside.sum()))
        covering, separation, mesh, variation, count, inside = np.array(found, float).T
        figures.at_most(f"{points} points: covering radius ratio", covering.max(), 1.19)
        figures.measured(f"{points} points: covering radius ratio, as the grid tells it", max(told))
        figures.at_least(f"{points} points: separation ratio", separation.min(), 0.80)
        figures.at_most(f"{points} points: mesh ratio", mesh.max(), 1.70)
        figures.at_most(f"{points} points: variation of area", variation.max(), 0.06)
        figures.between(f"{points} points: number of points", int(count.min()), points, points)
        figures.between(f"{points} points: of them inside the region", int(inside.min()), points, points)
        figures.measured(f"{points} points: time, median", float(np.median(spent)), "s")
        progress(f"{points} points done")
    masks = 40 if quick else 400
    rng = np.random.default_rng(7)
    honoured = sum(mask_is_honoured(rng) for _ in range(masks))
    figures.between(f"random masks of {masks} with exactly N points inside", honoured, masks, masks)
    figures.show()


if __name__ == "__main__":
    main()

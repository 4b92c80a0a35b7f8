"""Dome azimuths called clear, and called blocked, against traced rays of the beam's rim; and the time taken."""

from __future__ import annotations

import math
import time
from pathlib import Path

import numpy as np
from figures import Figures, progress, reduced_run

import skysample as ss
from skysample.geometry import direction
from skysample.site import Dome
from skysample.site.dome import dome_arcs
from skysample.site.mount_axes import ideal_axes, mount_frame, tube_origin

TURN = 2.0 * math.pi
RIM = np.linspace(0.0, TURN, 2000, endpoint=False)[:, None]


def random_geometry(rng: np.random.Generator) -> tuple[Dome, float, float, np.ndarray]:
    """Build a dome, altitude and azimuth, and a start of the beam; half of them within 10 degrees of the zenith."""
    radius = rng.uniform(1.0, 8.0)
    slit = radius * rng.uniform(0.1, 1.2)
    beam = min(slit * rng.uniform(0.05, 0.98), radius)
    low = rng.choice([0.0, rng.uniform(-30.0, 70.0)])
    past = rng.choice([0.0, rng.uniform(max(-60.0, low - 89.0), 80.0)])
    reach = (radius - beam / 2.0) * rng.uniform(0.0, 0.8)
    pivot = reach * direction(rng.uniform(-1.5, 1.5), rng.uniform(0.0, TURN))
    dome = Dome(
        radius_m=radius,
        slit_width_m=slit,
        slit_low_deg=low,
        slit_past_zenith_deg=past,
        pivot_m=tuple(pivot.tolist()),
        beam_m=beam,
    )
    altitude = rng.choice([rng.uniform(-20.0, 90.0), rng.uniform(80.0, 90.0)])
    if rng.random() < 0.05:
        altitude = 90.0
    return dome, math.radians(altitude), rng.uniform(0.0, TURN), pivot


def margin_m(dome: Dome, towards: np.ndarray, origin: np.ndarray, azimuths: np.ndarray) -> np.ndarray:
    """Trace the rim: metres by which it stays inside the slit at each dome azimuth, negative beyond an edge."""
    helper = np.eye(3)[np.argmin(np.abs(towards))]
    across = helper - towards * (helper @ towards)
    across /= np.linalg.norm(across)
    start = origin + 0.5 * dome.beam_m * (np.cos(RIM) * across + np.sin(RIM) * np.cross(towards, across))
    along = start @ towards
    path = -along + np.sqrt(along**2 - np.sum(start**2, axis=1) + dome.radius_m**2)
    x, y, z = (start + path[:, None] * towards).T[:, None, :]
    sine, cosine = np.sin(azimuths)[:, None], np.cos(azimuths)[:, None]
    forward, lateral = x * sine + y * cosine, x * cosine - y * sine
    angle = np.degrees(np.arctan2(z, forward))
    inside = np.minimum(angle - dome.slit_low_deg, 90.0 + dome.slit_past_zenith_deg - angle)
    ends = np.radians(inside) * np.hypot(forward, z)
    return np.minimum(ends, dome.slit_width_m / 2.0 - np.abs(lateral)).min(axis=1)


def errors_mm(rng: np.random.Generator) -> tuple[float, float, int]:
    """Beyond an edge where called clear, inside all edges where called blocked (mm); number of arcs."""
    dome, altitude, azimuth, origin = random_geometry(rng)
    towards = direction(altitude, azimuth)
    (arcs,) = dome_arcs(dome, towards[None], origin[None])
    ends = np.concatenate([arcs[:, 0], arcs.sum(axis=1)])
    near_ends = [ends + step for step in (-1e-3, -1e-4, -1e-6, 1e-6, 1e-4, 1e-3)]
    around = rng.uniform(0.0, TURN, 60)
    azimuths = np.concatenate([around, *near_ends, [azimuth, azimuth + math.pi]])
    margin = 1000.0 * margin_m(dome, towards, origin, azimuths)
    clear = ((azimuths[:, None] - arcs[:, 0]) % TURN <= arcs[:, 1]).any(axis=1)
    return -margin[clear].min(initial=0.0), margin[~clear].max(initial=0.0), len(arcs)


def seconds(directions: int) -> float:
    """Best of five for this many directions above 30 degrees in the demo's dome."""
    site = ss.load_site(Path(ss.__file__).parent / "cli" / "demo" / "saltpan_ridge.toml")
    rng = np.random.default_rng(0)
    towards = direction(np.arcsin(rng.uniform(0.5, 1.0, directions)), rng.uniform(0.0, TURN, directions))
    frame = mount_frame(site.mount.kind, site.location.latitude_rad)
    origins = tube_origin(frame, ideal_axes(frame, towards), site.dome.pivot_m, site.dome.tube_offset_m)
    spent = []
    for _ in range(5):
        begun = time.perf_counter()
        dome_arcs(site.dome, towards, origins)
        spent.append(time.perf_counter() - begun)
    return min(spent)


def main() -> None:
    geometries = 300 if reduced_run(__doc__) else 6000
    rng = np.random.default_rng(20)
    clear, blocked, arcs = np.array([errors_mm(rng) for _ in range(geometries)]).T
    progress("rays traced")
    figures = Figures(f"Dome arcs against traced rays, {geometries} random geometries")
    figures.at_most("called clear, rim beyond an edge by at most", float(clear.max()), 0.5, "mm")
    figures.at_most("called blocked, rim inside every edge by at most", float(blocked.max()), 0.5, "mm")
    for count, what in ((0, "no arc"), (1, "one arc"), (2, "two arcs or more")):
        share = np.mean(arcs == count) if count < 2 else np.mean(arcs >= 2)
        figures.measured(f"geometries with {what}", float(100.0 * share), "%")
    for directions in (3000, 49_000):
        figures.measured(f"time for {directions} directions, demo's dome", seconds(directions), "s")
    figures.show()


if __name__ == "__main__":
    main()

"""Nights with a simulated mount, as runs: truth from `skysample.testing`, which shares no code with the fit."""

from __future__ import annotations

import numpy as np

from skysample.alignment import polar
from skysample.fitting import fit
from skysample.runs import Run
from skysample.testing import SimulatedMount

ORDINARY = {
    "primary_zero": 500.0,
    "secondary_zero": -300.0,
    "axis_skew": 60.0,
    "cone": 200.0,
    "tube_flexure": 60.0,
}
SMALL = {"primary_sin": 20.0, "primary_cos": -15.0, "secondary_sin": 11.0}


def errors(kind, first_arcsec=2760.0, second_arcsec=5400.0, *, extended=False):
    names = ("tilt_north", "tilt_east") if kind == "altaz" else ("polar_altitude", "polar_azimuth")
    terms = {**ORDINARY, names[0]: first_arcsec, names[1]: second_arcsec}
    if extended:
        terms |= SMALL
        if kind != "altaz":
            terms["secondary_cos"] = 9.0
        if kind == "fork":
            terms["fork_flexure"] = 25.0
    return terms


def spread_places(n, low_deg=30.0, high_deg=88.0):
    """Equal-area spiral between two altitudes: altitude and azimuth, radians."""
    k = np.arange(n) + 0.5
    low, high = np.sin(np.radians([low_deg, high_deg]))
    return np.arcsin(low + (high - low) * k / n), (k * np.pi * (3.0 - np.sqrt(5.0))) % (2.0 * np.pi)


def unit_vectors(alt, az):
    return np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=-1)


def scatter(vectors, noise_arcsec, rng):
    """Gaussian noise on the sphere, per axis: a 3-D normal vector, its radial part dropped."""
    kick = rng.normal(size=vectors.shape) * np.radians(noise_arcsec / 3600.0)
    kick -= np.sum(kick * vectors, axis=-1, keepdims=True) * vectors
    moved = vectors + kick
    return moved / np.linalg.norm(moved, axis=-1, keepdims=True)


def simulated_run(site, terms_arcsec, n=15, *, noise_arcsec=0.0, rng=None, false=0, places=None, **declared):
    """A run of n places, and which solutions are false."""
    rng = np.random.default_rng(0) if rng is None else rng
    kind = site.mount.kind
    mount = SimulatedMount(kind, site.location.latitude_deg, terms_arcsec=terms_arcsec)
    alt, az = spread_places(n) if places is None else places
    side = np.where((np.arange(n) % 2 == 0) | (kind != "german"), 1, -1)
    primary, secondary = mount.reading(alt, az, side)
    seen = scatter(unit_vectors(*mount.point(primary, secondary)), noise_arcsec, rng)
    bad = np.zeros(n, bool)
    bad[rng.permutation(n)[:false]] = True
    if false:
        away = np.exp(rng.uniform(np.log(3.0), np.log(180.0), n))
        axis = np.cross(seen, rng.normal(size=seen.shape))
        axis /= np.linalg.norm(axis, axis=1, keepdims=True)
        angle = np.radians(away / 60.0)[:, None]
        seen = np.where(bad[:, None], seen * np.cos(angle) + np.cross(axis, seen) * np.sin(angle), seen)
    return Run.from_arrays(site, np.stack([primary, secondary], axis=1), seen, side=side, **declared), bad


def simulated_alignment(site, first_arcmin, second_arcmin, points=20, *, terms=None, more=None, **night):
    """Where the axis is found to point after a simulated run: both errors, and further terms in arcseconds."""
    truth = errors(site.mount.kind, first_arcmin * 60, second_arcmin * 60) | (more or {})
    run, _ = simulated_run(site, truth, points, **night)
    return polar(fit(run, site, terms), site)

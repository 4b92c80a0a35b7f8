"""Random nights with a simulated mount. Truth comes from SimulatedMount, which shares no code with the fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.runs import Run
from skysample.site import Site
from skysample.testing import SimulatedMount

if TYPE_CHECKING:
    from skysample.fitting import FittedModel

ARCSEC = np.pi / 648000.0
CELLS = [(kind, name) for kind in ("fork", "german", "altaz") for name in ("north", "south")]
AXIS_TERMS = dict.fromkeys(("fork", "german"), ("polar_altitude", "polar_azimuth"))
AXIS_TERMS["altaz"] = ("tilt_north", "tilt_east")
AXIS_OFF_ARCSEC = (45.0 * 60.0, 1.8 * 3600.0)
NOISE_ARCSEC = 1.5


@dataclass(frozen=True)
class Night:
    """What the mount really is, its run, and the same run before some solutions were made false."""

    site: Site
    truth_arcsec: dict[str, float]
    run: Run
    sound: Run
    false: np.ndarray


def random_night(
    kind: str,
    hemisphere: str,
    points: int,
    rng: np.random.Generator,
    *,
    noise_arcsec: float = NOISE_ARCSEC,
    axis_off_arcsec: tuple[float, float] | None = None,
    extended: bool = False,
    zeros_off: tuple[float, float] = (0.0, 0.0),
    false: int = 0,
    more: dict[str, float] | None = None,
    noise_rng: np.random.Generator | None = None,
) -> Night:
    """Take a night at a random latitude (20 to 60 degrees) with random errors of ordinary size.

    Parameters
    ----------
    axis_off_arcsec : tuple of float, optional
        By how much the axis is off, with random signs; None: 45' and 1.8 degrees, each times 0.5 to 1.5.
    extended : bool
        Whether the encoders are eccentric too.
    zeros_off : tuple of float
        Radians added to the readings of both encoders, as when they were never homed.
    false : int
        How many solutions are off by 3' to 3 degrees.
    more : dict of str to float, optional
        Further terms of the mount, arcseconds.
    noise_rng : numpy.random.Generator, optional
        For the noise alone, so that the same mount and places can be had with other noise.
    """
    latitude = rng.uniform(20.0, 60.0) * (1.0 if hemisphere == "north" else -1.0)
    site = Site.from_dict(
        {
            "location": {"latitude_deg": latitude, "longitude_deg": 5.0, "elevation_m": 1250.0},
            "mount": {"kind": kind},
        }
    )
    truth = random_errors(kind, rng, axis_off_arcsec=axis_off_arcsec, extended=extended) | (more or {})

    alt, az = even_places(points, rng)
    # A german mount's tube is on the side of the pier away from what it looks at.
    side = np.where((np.sin(az) > 0.0) & (kind == "german"), -1, 1)
    mount = SimulatedMount(kind, latitude, terms_arcsec=truth | in_homed_readings(truth, zeros_off))
    axes = np.stack(mount.reading(alt, az, side), axis=1)
    seen = scattered(vectors(*mount.point(axes[:, 0], axes[:, 1])), noise_arcsec, noise_rng or rng)
    axes += np.array(zeros_off)
    truth["primary_zero"] -= zeros_off[0] / ARCSEC
    truth["secondary_zero"] -= zeros_off[1] / ARCSEC
    is_false = np.zeros(points, bool)
    is_false[rng.permutation(points)[:false]] = True
    sound = Run.from_arrays(site, axes, seen, side=side)
    run = Run.from_arrays(site, axes, np.where(is_false[:, None], falsified(seen, rng), seen), side=side)
    return Night(site, truth, run, sound, is_false)


def random_errors(
    kind: str,
    rng: np.random.Generator,
    *,
    axis_off_arcsec: tuple[float, float] | None = None,
    extended: bool = False,
) -> dict[str, float]:
    """Draw a mount's errors, of ordinary size, arcseconds; the axis as in `random_night`."""
    off = np.array(axis_off_arcsec or AXIS_OFF_ARCSEC) * rng.choice([-1.0, 1.0], 2)
    if axis_off_arcsec is None:
        off *= rng.uniform(0.5, 1.5, 2)
    truth = dict(zip(AXIS_TERMS[kind], off.tolist(), strict=True))
    truth |= {"primary_zero": rng.normal(0.0, 600.0), "secondary_zero": rng.normal(0.0, 600.0)}
    truth |= {"axis_skew": rng.normal(0.0, 60.0), "cone": rng.normal(0.0, 200.0)}
    truth |= {"tube_flexure": rng.uniform(10.0, 80.0)}
    if kind == "fork":
        truth["fork_flexure"] = rng.normal(0.0, 25.0)
    if extended:
        names = ["primary_sin", "primary_cos", "secondary_sin"]
        names += ["secondary_cos"] if kind != "altaz" else []
        truth |= {name: rng.normal(0.0, 20.0) for name in names}
    return truth


def in_homed_readings(truth: dict[str, float], zeros_off: tuple[float, float]) -> dict[str, float]:
    """Tell eccentricities, which are sines and cosines of what the encoders read, in readings less their zeros."""
    told = {}
    for axis, off in zip(("primary", "secondary"), zeros_off, strict=True):
        sine, cosine = truth.get(f"{axis}_sin", 0.0), truth.get(f"{axis}_cos", 0.0)
        told[f"{axis}_sin"] = sine * np.cos(off) - cosine * np.sin(off)
        told[f"{axis}_cos"] = sine * np.sin(off) + cosine * np.cos(off)
    return told


def even_places(points: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Equal-area spiral over altitude 30 to 88 degrees, turned at random: altitude and azimuth, radians."""
    k = np.arange(points) + 0.5
    low, high = np.sin(np.radians([30.0, 88.0]))
    turned = k * np.pi * (3.0 - np.sqrt(5.0)) + rng.uniform(0.0, 2.0 * np.pi)
    return np.arcsin(low + (high - low) * k / points), turned % (2.0 * np.pi)


def vectors(alt: np.ndarray, az: np.ndarray) -> np.ndarray:
    return np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=-1)


def scattered(seen: np.ndarray, noise_arcsec: float, rng: np.random.Generator) -> np.ndarray:
    """Move by Gaussian noise, given per axis: a normal vector in space, its radial part dropped."""
    kick = rng.normal(size=seen.shape) * noise_arcsec * ARCSEC
    moved = seen + kick - np.sum(kick * seen, axis=-1, keepdims=True) * seen
    return moved / np.linalg.norm(moved, axis=-1, keepdims=True)


def falsified(seen: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Move by 3' to 3 degrees, uniform in the logarithm, in any direction."""
    angle = np.radians(np.exp(rng.uniform(np.log(3.0), np.log(180.0), (len(seen), 1))) / 60.0)
    axis = np.cross(seen, rng.normal(size=seen.shape))
    axis /= np.linalg.norm(axis, axis=-1, keepdims=True)
    return seen * np.cos(angle) + np.cross(axis, seen) * np.sin(angle)


def axis_terms(model: FittedModel) -> tuple[np.ndarray, np.ndarray]:
    """Both axis terms of a fitted model and their standard errors, arcseconds."""
    index = [model.names.index(name) for name in model.axis_terms]
    return model.values_rad[index] / ARCSEC, model.stderr_rad[index] / ARCSEC

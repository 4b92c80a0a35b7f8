"""The observed place against ERFA's published case and astropy, its time, and a date in 2030 without a network."""

from __future__ import annotations

import re
import socket
import time
import warnings
from unittest.mock import patch

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from figures import Figures, progress, reduced_run

from skysample.astrometry import observed_place as frames
from skysample.astrometry.earth_orientation import EarthOrientation
from skysample.errors import SkysampleWarning
from skysample.geometry import ARCSEC, direction, separation
from skysample.site import Site

MAS = ARCSEC / 1000.0
FIRST_DAY = Time("2025-01-01T00:00:00")


def published_case_mas() -> float:
    """Distance from what ERFA's test suite publishes.

    Source: t_erfa_c.c of ERFA (and t_sofa_c.c of SOFA), function t_atco13: inputs and expected values.
    """
    site = Site.from_dict(
        {
            "location": {
                "latitude_deg": float(np.degrees(-1.2345856)),
                "longitude_deg": float(np.degrees(-0.527800806)),
                "elevation_m": 2738.0,
                "temperature_c": 12.8,
                "pressure_hpa": 731.0,
            },
            "mount": {"kind": "fork"},
        }
    )
    star = SkyCoord(
        ra=2.71 * u.rad,
        dec=0.174 * u.rad,
        pm_ra_cosdec=1e-5 * np.cos(0.174) * u.rad / u.yr,
        pm_dec=5e-6 * u.rad / u.yr,
        distance=10.0 * u.pc,
        radial_velocity=55.0 * u.km / u.s,
    )
    when = Time(2456384.5, 0.969254051, format="jd", scale="utc")
    orientation = EarthOrientation(np.array(0.1550675), np.array(2.47230737e-7), np.array(1.82640464e-6))
    with (
        patch.object(frames, "HUMIDITY", 0.59),
        patch.object(frames, "WAVELENGTH_UM", 0.55),
        patch.object(frames, "earth_orientation", lambda _mjd: orientation),
    ):
        place = frames.observed_place(star, when, site)
    published = direction(np.pi / 2.0 - 1.407661405256499357, 0.9251774485485515e-1)
    return float(separation(direction(place.alt.rad, place.az.rad), published)) / MAS


def somewhere(latitude_deg: float, longitude_deg: float = 5.0, elevation_m: float = 1250.0) -> Site:
    return Site.from_dict(
        {
            "location": {
                "latitude_deg": latitude_deg,
                "longitude_deg": longitude_deg,
                "elevation_m": elevation_m,
                "temperature_c": 10.0,
            },
            "mount": {"kind": "fork"},
        }
    )


def against_astropy(site: Site, places: int, rng: np.random.Generator) -> tuple[float, float, float]:
    """Worst distance in mas, our seconds and astropy's: a year and the whole sky above 3 degrees, the packaged table.

    astropy's time is that of its plain `transform_to`, ours of `observed_place`; each its first and only call.
    """
    times = FIRST_DAY + rng.uniform(0.0, 365.0, places) * u.day
    altitude = np.arcsin(rng.uniform(np.sin(np.radians(3.0)), 1.0, places))
    ra, dec = frames.to_icrs(site, times, direction(altitude, rng.uniform(0.0, 2.0 * np.pi, places)))
    location = site.location
    frame = AltAz(
        obstime=times,
        location=EarthLocation.from_geodetic(
            location.longitude_deg * u.deg, location.latitude_deg * u.deg, location.elevation_m * u.m
        ),
        pressure=location.station_pressure_hpa * u.hPa,
        temperature=location.temperature_c * u.deg_C,
        relative_humidity=frames.HUMIDITY,
        obswl=frames.WAVELENGTH_UM * u.um,
    )
    stars = SkyCoord(ra=ra * u.rad, dec=dec * u.rad)
    with iers.earth_orientation_table.set(iers.IERS_A.read(iers.IERS_A_FILE)):
        begun = time.perf_counter()
        theirs = stars.transform_to(frame)
        their_seconds = time.perf_counter() - begun
    begun = time.perf_counter()
    ours = frames.observed_place(stars, times, site)
    our_seconds = time.perf_counter() - begun
    apart = separation(direction(ours.alt.rad, ours.az.rad), direction(theirs.alt.rad, theirs.az.rad))
    return float(apart.max()) / MAS, our_seconds, their_seconds


def in_2030(figures: Figures) -> None:
    """Transform a date in 2030 while any use of the network raises, and look at astropy's configuration after."""
    tried = []

    def refuse(*_arguments: object, **_named: object) -> None:
        tried.append(1)
        raise OSError("no network here")

    first_midnight = 2462502.5  # 2030 January 1
    when = Time(first_midnight, np.arange(365.0), format="jd", scale="utc")
    before = {name: getattr(iers.conf, name) for name in iers.conf}
    with (
        patch.object(socket, "socket", refuse),
        patch.object(socket, "create_connection", refuse),
        patch.object(socket, "getaddrinfo", refuse),
        warnings.catch_warnings(record=True) as said,
    ):
        warnings.simplefilter("always")
        vectors = frames.to_observed(somewhere(-27.0), when, np.ones(365), np.full(365, -0.5))
    after = {name: getattr(iers.conf, name) for name in iers.conf}
    good = np.isfinite(vectors).all(axis=1) & (np.abs(np.linalg.norm(vectors, axis=1) - 1.0) < 1e-12)
    ours = [each for each in said if issubclass(each.category, SkysampleWarning)]
    figures.between("2030, offline: days of 365 that get a direction", int(good.sum()), 365, 365)
    figures.at_most("2030, offline: attempts to reach the network", len(tried), 0)
    figures.between("2030, offline: warnings that tell the error", len(ours), 1, 1)
    figures.at_most("2030, offline: other warnings", len(said) - len(ours), 0)
    stated = re.search(r"about\s+([\d.]+)\s+arcsec", str(ours[0].message)) if ours else None
    figures.measured("2030, offline: error that it tells", float(stated[1]) if stated else "none", "arcsec")
    changed = sum(before[name] != after[name] for name in before)
    figures.at_most(
        f"2030, offline: of {len(before)} settings in astropy.utils.iers.conf, changed", changed, 0
    )


def main() -> None:
    places = 5_000 if reduced_run(__doc__) else 100_000
    figures = Figures("Observed place")
    figures.at_most("ERFA's published case (t_atco13)", published_case_mas(), 1.0, "mas")
    rng = np.random.default_rng(4)
    for latitude, longitude, elevation in ((35.0, 5.0, 1250.0), (-27.0, -70.0, 2600.0), (68.0, 150.0, 0.0)):
        site = somewhere(latitude, longitude, elevation)
        what = f"astropy, latitude {latitude:g}, {places} places over a year, above 3 degrees"
        worst, ours, theirs = against_astropy(site, places, rng)
        figures.at_most(f"{what}: worst", worst, 1.0, "mas")
        figures.at_most(f"{what}: time over astropy's", ours / theirs, 0.1)
        figures.measured(f"{what}: time", ours, "s")
        progress(f"latitude {latitude:g} done")
    in_2030(figures)
    figures.show()


if __name__ == "__main__":
    main()

"""Runs as their files have them, sound; truth from SimulatedMount, which shares no code with fit and check."""

from __future__ import annotations

import numpy as np
from astropy.table import Table
from astropy.time import Time

from skysample.runs import Run
from skysample.site import Site
from skysample.testing import SimulatedMount
from tests.simulated_nights import errors, spread_places

START = Time("2026-03-10T03:30:00", scale="utc")
LOCATION = {"latitude_deg": -34.0, "longitude_deg": -61.0, "elevation_m": 900.0, "temperature_c": 9.0}


def site_dict(kind):
    return {"location": dict(LOCATION), "mount": {"kind": kind}}


def sound_night(
    kind="fork",
    points=16,
    *,
    by="readings",
    axis_arcmin=(40.0, -55.0),
    noise_arcsec=1.5,
    seed=3,
    start_h=0.0,
    terms=None,
):
    """Site and table of a night in order of azimuth, half a minute a point."""
    site = site_dict(kind)
    pressure = Site.from_dict(site_dict(kind)).location.station_pressure_hpa
    truth = errors(kind, *(60.0 * each for each in axis_arcmin)) | (terms or {})
    mount = SimulatedMount(
        kind,
        *(LOCATION[key] for key in ("latitude_deg", "longitude_deg", "elevation_m")),
        pressure,
        9.0,
        truth,
    )
    alt, az = spread_places(points, 32.0, 80.0)
    order = np.argsort(az)
    alt, az = alt[order], az[order]
    # The tube of a german mount is on the side of the pier away from what it looks at.
    side = np.where((np.sin(az) > 0.0) & (kind == "german"), -1, 1)
    jd2 = START.jd2 + start_h / 24.0 + np.arange(points) * 30.0 / 86400.0
    jd1 = np.full(points, START.jd1)
    frames = mount.night(
        jd1, jd2, rng=seed, targets_rad=np.stack([alt, az], axis=1), sides=side, noise_arcsec=noise_arcsec
    )
    table = Table({"time": Time(jd1, jd2, format="jd", scale="utc").isot})
    table["solved_ra_deg"], table["solved_dec_deg"] = frames["solved_ra_deg"], frames["solved_dec_deg"]
    if kind == "german":
        table["pier"] = frames["pier"]
    if by == "readings":
        table["primary_deg"], table["secondary_deg"] = frames["primary_deg"], frames["secondary_deg"]
    else:
        ra, dec = mount.solve(alt, az, jd1, jd2)
        table["target_ra_deg"], table["target_dec_deg"] = np.degrees(ra) % 360.0, np.degrees(dec)
    table.meta = {"axes": "raw", "old_model": "off"}
    return site, table


def run_of(site, table):
    return Run.from_table(table, Site.from_dict(site), any_place=True)

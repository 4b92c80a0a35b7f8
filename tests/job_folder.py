"""The files of a small invented job, and the command run on them."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.earth_orientation import earth_orientation
from skysample.astrometry.times import iso, parse_utc
from skysample.fitting import fit
from skysample.runs import read_run, run_table, write_run
from skysample.site import load_site
from skysample.testing import SimulatedMount
from tests.simulated_nights import errors, spread_places

if TYPE_CHECKING:
    from pathlib import Path

SITE = """name = "Hollow Hill"
[location]
latitude_deg = 35.0
longitude_deg = -20.0
elevation_m = 600
temperature_c = 12
[sky]
altitude_min_deg = 30
altitude_max_deg = 85
horizon = [[0, 12], [90, 25], [210, 41], [300, 15]]
[mount]
kind = "fork"
park = [0.0, 35.0]
[mount.primary]
rate_deg_s = 4.0
min_deg = -170
max_deg = 170
[dome]
radius_m = 2.6
slit_width_m = 1.1
pivot_m = [0.0, 0.1, -0.2]
beam_m = 0.6
[camera]
exposure_s = 10
[wedge]
altitude_arm_mm = 310
altitude_pitch_mm = 1.75
altitude_clockwise = "raise"
azimuth_arm_mm = 260
azimuth_pitch_mm = 1.5
azimuth_clockwise = "east"
"""
ALTAZ_SITE = SITE.replace('"fork"', '"altaz"').replace("[0.0, 35.0]", "[0.0, 40.0]")
POINTS = 14


def take_run(
    site_file: Path,
    run_file: Path,
    terms_arcsec: dict[str, float],
    seed: int,
    start: str = "2026-03-02T21:00:00",
    *,
    places: np.ndarray | None = None,
) -> None:
    """Expose and solve a night's frames with a mount of known errors."""
    from astropy import units as u

    site = load_site(site_file)
    where = site.location
    mount = SimulatedMount(
        kind=site.mount.kind,
        latitude_deg=where.latitude_deg,
        longitude_deg=where.longitude_deg,
        elevation_m=where.elevation_m,
        pressure_hpa=where.station_pressure_hpa,
        temperature_c=where.temperature_c,
        terms_arcsec=terms_arcsec,
    )
    times = parse_utc(start) + np.arange(POINTS) * 25.0 * u.s
    earth = earth_orientation(times.mjd)
    frames = mount.night(
        times.jd1,
        times.jd2,
        rng=np.random.default_rng(seed),
        targets_rad=np.stack(spread_places(POINTS, 35.0, 82.0), axis=1) if places is None else places,
        noise_arcsec=1.2,
        dut1=earth.dut1_s,
        xp=earth.xp_rad,
        yp=earth.yp_rad,
    )
    columns = {
        "point": list(range(1, POINTS + 1)),
        "time": [str(each) for each in iso(times)],
        **{
            name: frames[name].tolist()
            for name in ("primary_deg", "secondary_deg", "solved_ra_deg", "solved_dec_deg")
        },
        "status": ["ok"] * POINTS,
        "frame": [f"frame-{number:02d}.fits" for number in range(1, POINTS + 1)],
    }
    write_run(run_file, run_table(columns), {"axes": "raw", "old_model": "off", "session": "one"})


def make_job(folder: Path) -> None:
    """Write the sites, the runs before and after an adjustment, and the model of the first run."""
    (folder / "site.toml").write_text(SITE)
    (folder / "altaz.toml").write_text(ALTAZ_SITE)
    take_run(folder / "site.toml", folder / "before.ecsv", errors("fork", 2760.0, -1800.0), 7)
    take_run(folder / "site.toml", folder / "after.ecsv", errors("fork", 25.0, -40.0), 2)
    take_run(folder / "altaz.toml", folder / "altaz.ecsv", errors("altaz", 300.0, -200.0), 3)
    site = load_site(folder / "site.toml")
    fit(read_run(folder / "before.ecsv", site), site).save(folder / "model.json")


def digests(folder: Path) -> dict[str, str]:
    """What every file of a folder holds."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }

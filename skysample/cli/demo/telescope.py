"""The invented telescope: a simulated mount with known errors, and bolts turned by hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.earth_orientation import earth_orientation
from skysample.astrometry.times import iso
from skysample.files.tables import table_of, write_table
from skysample.runs import run_table, write_run
from skysample.testing import SimulatedMount
from skysample.tracking_errors.log import LOG_FORMAT

if TYPE_CHECKING:
    from pathlib import Path

    from astropy.time import Time

    from skysample.alignment.wedge import Move
    from skysample.planning.plan_table import Plan
    from skysample.site import Site

# Invented, in arcsec.
ERRORS = {
    "polar_altitude": -37.4 * 60.0,
    "polar_azimuth": -72.0 * 60.0,
    "primary_zero": 640.0,
    "secondary_zero": -275.0,
    "axis_skew": 42.0,
    "cone": 118.0,
    "tube_flexure": 46.0,
    "fork_flexure": -17.0,
    "primary_sin": 8.0,
    "primary_cos": -5.0,
    "secondary_sin": 6.0,
}
NOISE_ARCSEC = 1.2
RIPPLE_ARCSEC, RIPPLE_S = 0.1, 84.0
GUIDE_NOISE_ARCSEC = 0.06
GUIDED_S, GUIDE_EVERY_S = 1200.0, 3.0
GUIDED_ALT_DEG, GUIDED_AZ_DEG = 45.0, 330.0
SIDEREAL_RAD_PER_S = 2.0 * np.pi * 1.00273781191135448 / 86400.0
"""From the Earth's rotations per day of UT1: IERS Conventions (2010), equation 5.14."""
WRENCH_STEP = 1.0 / 16.0
"""Smallest step, in turns, that a hand sets in the dark."""


@dataclass(frozen=True)
class Telescope:
    """The telescope in its present state.

    Attributes
    ----------
    mount : SimulatedMount
    rng : numpy.random.Generator
    """

    mount: SimulatedMount
    rng: np.random.Generator

    @classmethod
    def just_set_down(cls, site: Site, rng: np.random.Generator) -> Telescope:
        """Return the telescope as the crane left it."""
        location = site.location
        mount = SimulatedMount(
            kind=site.mount.kind,
            latitude_deg=location.latitude_deg,
            longitude_deg=location.longitude_deg,
            elevation_m=location.elevation_m,
            pressure_hpa=location.station_pressure_hpa,
            temperature_c=location.temperature_c,
            terms_arcsec=ERRORS,
        )
        return cls(mount, rng)

    def with_bolts_turned(self, moves: tuple[Move, ...]) -> Telescope:
        """Return the telescope after the moves, each made to the nearest sixteenth of a turn."""
        made_arcsec = {"altitude": 0.0, "azimuth": 0.0}
        for move in moves:
            turns = move.turns or 0.0
            done = round(turns / WRENCH_STEP) * WRENCH_STEP / turns if turns else 1.0
            sign = 1.0 if move.direction in {"raise", "east"} else -1.0
            made_arcsec[move.adjuster] = sign * move.arcmin * 60.0 * done
        return Telescope(self.mount.adjusted(made_arcsec["altitude"], made_arcsec["azimuth"]), self.rng)

    def expose(self, plan: Plan, path: Path, *, false: int) -> None:
        """Take a plan's frames, solve them (some falsely) and write the run."""
        from astropy import units as u

        camera = plan.site.camera
        if plan.start is None:
            raise ValueError("the demo's plans have a time")
        times = plan.start + (plan.exposure_start_s + camera.exposure_s / 2.0) * u.s
        orientation = earth_orientation(times.mjd)
        table = plan.table
        count = plan.points
        frames = self.mount.night(
            times.jd1,
            times.jd2,
            rng=self.rng,
            targets_rad=np.radians(np.stack([table["alt_deg"], table["az_deg"]], axis=1)),
            noise_arcsec=NOISE_ARCSEC,
            false_share=false / count,
            dut1=orientation.dut1_s,
            xp=orientation.xp_rad,
            yp=orientation.yp_rad,
        )
        columns = {
            "point": [int(each) for each in table["point"]],
            "time": [str(each) for each in iso(times)],
            **{
                name: frames[name].tolist()
                for name in ("primary_deg", "secondary_deg", "solved_ra_deg", "solved_dec_deg")
            },
            "status": ["ok"] * count,
            "frame": [f"{path.stem}-{number:03d}.fits" for number in range(1, count + 1)],
        }
        write_run(path, run_table(columns), {"axes": "raw", "old_model": "off", "session": "demo"})

    def track(self, start: Time, path: Path) -> None:
        """Follow one star at the sidereal rate, without a model, and write what a guide camera sees of it."""
        from astropy import units as u

        seconds = np.arange(0.0, GUIDED_S, GUIDE_EVERY_S)
        times = start + seconds * u.s
        earth = earth_orientation(times.mjd)
        primary, secondary = self.mount.reading(np.radians(GUIDED_ALT_DEG), np.radians(GUIDED_AZ_DEG))
        ripple = np.radians(RIPPLE_ARCSEC / 3600.0) * np.sin(2.0 * np.pi * seconds / RIPPLE_S)
        alt, az = self.mount.point(primary + SIDEREAL_RAD_PER_S * seconds + ripple, secondary)
        ra, dec = self.mount.solve(
            alt, az, times.jd1, times.jd2, dut1=earth.dut1_s, xp=earth.xp_rad, yp=earth.yp_rad
        )
        # The star is where the tube points at the start, when the ripple is zero.
        east, north = (
            3600.0 * np.degrees(each) + GUIDE_NOISE_ARCSEC * self.rng.standard_normal(len(seconds))
            for each in ((ra - ra[0]) * np.cos(dec[0]), dec - dec[0])
        )
        log = {
            "time": [str(each) for each in iso(times)],
            "east_error_arcsec": np.round(east, 3).tolist(),
            "north_error_arcsec": np.round(north, 3).tolist(),
        }
        declared = {
            "source": "guide",
            "error_of": "tube",
            "corrections": "none",
            "target_ra_deg": float(np.degrees(ra[0])) % 360.0,
            "target_dec_deg": float(np.degrees(dec[0])),
        }
        write_table(path, table_of(log), expected=LOG_FORMAT, meta=declared)

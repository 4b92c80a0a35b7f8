"""The invented telescope: a simulated mount that points where its errors let it, and bolts that are turned by hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.earth_orientation import earth_orientation
from skysample.runs import run_table, write_run
from skysample.testing import SimulatedMount
from skysample.times import iso

if TYPE_CHECKING:
    from pathlib import Path

    from skysample.plans import Plan
    from skysample.site import Site
    from skysample.wedge import Move

__all__ = ["Telescope"]

# Invented, in arcsec.
ERRORS = {
    "polar_altitude": 52.0 * 60.0,
    "polar_azimuth": -31.0 * 60.0,
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
WRENCH_STEP = 1.0 / 16.0
"""Of a turn: as finely as a hand sets a bolt in the dark."""


@dataclass(frozen=True)
class Telescope:
    """The telescope as it stands.

    Attributes
    ----------
    mount : SimulatedMount
    rng : numpy.random.Generator
    """

    mount: SimulatedMount
    rng: np.random.Generator

    @classmethod
    def just_set_down(cls, site: Site, rng: np.random.Generator) -> Telescope:
        """The telescope when the crane has left."""
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
        """The telescope after somebody turned the bolts as told, to the nearest sixteenth of a turn."""
        by = {"altitude": 0.0, "azimuth": 0.0}
        for move in moves:
            whole = move.turns or 0.0
            done = round(whole / WRENCH_STEP) * WRENCH_STEP / whole if whole else 1.0
            sign = 1.0 if move.direction in {"raise", "east"} else -1.0
            by[move.adjuster] = sign * move.arcmin * 60.0 * done
        return Telescope(self.mount.adjusted(by["altitude"], by["azimuth"]), self.rng)

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
            "primary_deg": frames["primary_deg"].tolist(),
            "secondary_deg": frames["secondary_deg"].tolist(),
            "solved_ra_deg": frames["solved_ra_deg"].tolist(),
            "solved_dec_deg": frames["solved_dec_deg"].tolist(),
            "status": ["ok"] * count,
            "frame": [f"{path.stem}-{number:03d}.fits" for number in range(1, count + 1)],
        }
        write_run(path, run_table(columns), {"axes": "raw", "old_model": "off", "session": "demo"})

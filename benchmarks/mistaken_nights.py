"""Simulated runs as their files have them, sound or with one mistake in run or site file.

Truth comes from SimulatedMount and from ERFA's own `atoc13` by way of it: nothing here is shared with the fit. A
mistake changes only what is written, never what the mount did.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any

import erfa
import numpy as np
from astropy.table import Table
from astropy.time import Time
from nights import random_errors

from skysample import plan
from skysample.runs import Run
from skysample.site import Site
from skysample.testing import SimulatedMount

if TYPE_CHECKING:
    from collections.abc import Callable

ARCSEC = np.pi / 648000.0
LATITUDES = (22.0, 38.0, 54.0)


@dataclass
class Written:
    """What stands in the run file and the site file, degrees; and the truth."""

    columns: dict[str, Any]
    time: Time
    site: dict[str, Any]
    truth_arcsec: dict[str, float]
    false: np.ndarray
    noise_arcsec: float
    meta: dict[str, str] = field(default_factory=lambda: {"axes": "raw", "old_model": "off"})

    def run(self) -> Run:
        """The run as its files say, read without a refusal of places."""
        table = Table({"time": self.time, **self.columns}, meta=dict(self.meta))
        return Run.from_table(table, Site.from_dict(copy.deepcopy(self.site)), any_place=True)


def site_of(kind: str, latitude_deg: float, *, one_sided: bool = False) -> dict[str, Any]:
    """A site of our own, on no particular land."""
    found: dict[str, Any] = {
        "location": {
            "latitude_deg": latitude_deg,
            "longitude_deg": -67.4,
            "elevation_m": 1320.0,
            "temperature_c": 8.0,
        },
        "mount": {"kind": kind},
    }
    if one_sided:
        found["sky"] = {"horizon": [[0.0, 30.0], [59.0, 30.0], [60.0, 80.0], [239.0, 80.0], [240.0, 30.0]]}
    return found


@cache
def planned(
    kind: str, latitude_deg: float, points: int, one_sided: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Altitude and azimuth (radians) of a plan in its order, and sides of the pier."""
    found = plan(Site.from_dict(site_of(kind, latitude_deg, one_sided=one_sided)), points)
    table = found.table
    side = np.where(np.asarray(table["pier"]) == "west", -1, 1)
    return np.radians(np.asarray(table["alt_deg"])), np.radians(np.asarray(table["az_deg"])), side


def dark_start(site: dict[str, Any], hours: float, rng: np.random.Generator) -> float:
    """A quasi Julian date at which the Sun is below -8 degrees from start to end."""
    location = site["location"]
    latitude, longitude = np.radians([location["latitude_deg"], location["longitude_deg"]])
    while True:
        midnight = 2459215.5 + rng.integers(0, 2000) - longitude / (2.0 * np.pi)
        start = midnight + rng.uniform(-0.2, 0.2)
        ends = start + np.array([0.0, hours / 24.0])
        heliocentric, _ = erfa.epv00(ends, 0.0)
        ra, dec = erfa.c2s(-heliocentric["p"])
        hour_angle = erfa.gmst06(ends, 0.0, ends, 0.0) + longitude - ra
        sine = np.sin(latitude) * np.sin(dec) + np.cos(latitude) * np.cos(dec) * np.cos(hour_angle)
        if np.all(sine < np.sin(np.radians(-8.0))):
            return float(start)


def flexure(where: str, alt: np.ndarray, hour_angle: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A smooth displacement of peak 1 that no term describes: east-west and up, shape (n, 2)."""
    if where == "altitude":
        wave = np.sin(rng.uniform(2.0, 5.0) * alt + rng.uniform(0.0, 2.0 * np.pi))
    elif where == "hour angle":
        wave = np.sin(rng.integers(2, 4) * hour_angle + rng.uniform(0.0, 2.0 * np.pi))
    else:
        wave = np.abs(hour_angle) / np.max(np.abs(hour_angle))
    across = rng.uniform(0.0, 2.0 * np.pi)
    return wave[:, None] * np.array([np.cos(across), np.sin(across)])


def night(
    kind: str,
    points: int,
    rng: np.random.Generator,
    *,
    by: str = "readings",
    hemisphere: int | None = None,
    noise_arcsec: float | None = None,
    false_share: float = 0.0,
    flexure_arcsec: float = 0.0,
    where: str = "altitude",
    one_sided: bool = False,
    aligned: bool = False,
    hours: float | None = None,
) -> Written:
    """Write down a sound night.

    Parameters
    ----------
    by : {"readings", "targets"}
    aligned : bool
        A second run: the axis within an arcminute.
    """
    hemisphere = int(rng.choice([1, -1])) if hemisphere is None else hemisphere
    site = site_of(kind, float(rng.choice(LATITUDES)) * hemisphere, one_sided=one_sided)
    location = site["location"]
    noise = float(rng.uniform(0.5, 4.0)) if noise_arcsec is None else noise_arcsec
    off = (20.0, 30.0) if aligned else (rng.uniform(10.0, 60.0) * 60.0, rng.uniform(15.0, 100.0) * 60.0)
    truth = random_errors(kind, rng, axis_off_arcsec=off)
    alt, az, side = planned(kind, location["latitude_deg"], points, one_sided)
    hours = points * rng.uniform(20.0, 60.0) / 3600.0 if hours is None else hours
    jd1 = dark_start(site, hours, rng)
    jd2 = np.sort(rng.uniform(0.8, 1.2, points).cumsum())
    jd2 = jd2 / jd2[-1] * hours / 24.0
    pressure = 1013.25 * (1.0 - 0.0065 * location["elevation_m"] / 288.15) ** 5.25588
    mount = SimulatedMount(
        kind,
        location["latitude_deg"],
        location["longitude_deg"],
        location["elevation_m"],
        pressure,
        location["temperature_c"],
        truth,
    )
    primary, secondary = mount.reading(alt, az, side)
    true_alt, true_az = mount.point(primary, secondary)
    latitude = np.radians(location["latitude_deg"])
    hour_angle = np.arctan2(
        -np.sin(az) * np.cos(alt),
        np.sin(alt) * np.cos(latitude) - np.cos(alt) * np.cos(az) * np.sin(latitude),
    )
    shift = flexure_arcsec * flexure(where, alt, hour_angle, rng) + noise * rng.normal(size=(points, 2))
    true_az = true_az + shift[:, 0] * ARCSEC / np.cos(true_alt)
    true_alt = true_alt + shift[:, 1] * ARCSEC
    mirrored = true_alt > np.pi / 2.0
    true_alt, true_az = (
        np.where(mirrored, np.pi - true_alt, true_alt),
        np.where(mirrored, true_az + np.pi, true_az),
    )
    ra, dec = mount.solve(true_alt, true_az, jd1, jd2)
    is_false = np.zeros(points, bool)
    is_false[rng.permutation(points)[: round(false_share * points)]] = True
    size = np.radians(np.exp(rng.uniform(np.log(3.0), np.log(180.0), points)) / 60.0)
    turn = rng.uniform(0.0, 2.0 * np.pi, points)
    dec = np.clip(dec + is_false * size * np.cos(turn), -np.pi / 2.0, np.pi / 2.0)
    ra = ra + is_false * size * np.sin(turn) / np.cos(dec)
    columns: dict[str, Any] = {"point": np.arange(1, points + 1)}
    if by == "readings":
        sky = np.stack([primary, secondary], axis=1)
        columns["primary_deg"], columns["secondary_deg"] = np.degrees(sky).T
    else:
        target_ra, target_dec = mount.solve(alt, az, jd1, jd2)
        columns["target_ra_deg"], columns["target_dec_deg"] = (
            np.degrees(target_ra) % 360.0,
            np.degrees(target_dec),
        )
    if kind == "german":
        columns["pier"] = np.where(side < 0, "west", "east")
    columns["solved_ra_deg"], columns["solved_dec_deg"] = np.degrees(ra) % 360.0, np.degrees(dec)
    time = Time(np.full(points, jd1), jd2, format="jd", scale="utc")
    return Written(columns, time, site, truth, is_false, noise)


@dataclass(frozen=True)
class Kind:
    """A kind of mistake: what should be named for it, to what it applies, and what it writes."""

    name: str
    causes: tuple[str, ...]
    write: Callable[[Written, np.random.Generator], bool | None]
    by: tuple[str, ...] = ("readings", "targets")
    mounts: tuple[str, ...] = ("fork", "german", "altaz")


CLOCK = ("clock", "longitude", "date")


def _hours(hours: float) -> Callable[[Written, np.random.Generator], None]:
    def write(night: Written, _: np.random.Generator) -> None:
        night.time = night.time + hours / 24.0

    return write


def _days(change: Callable[[int, int, int], tuple[int, int, int] | None]) -> Any:
    def write(night: Written, _: np.random.Generator) -> bool:
        wrong = []
        for moment in night.time:
            at = moment.ymdhms
            new = change(int(at["year"]), int(at["month"]), int(at["day"]))
            if new is None:
                return False
            wrong.append(f"{new[0]:04d}-{new[1]:02d}-{new[2]:02d}T{moment.isot[11:]}")
        night.time = Time(wrong, scale="utc")
        return True

    return write


def _site(key: str, change: Callable[[float], float]) -> Any:
    def write(night: Written, _: np.random.Generator) -> None:
        night.site["location"][key] = change(night.site["location"][key])

    return write


def _degrees_minutes(value: float) -> float:
    whole = np.trunc(value)
    return float(whole + (value - whole) * 0.6)


def _date_place(columns: tuple[str, ...], apparent: bool) -> Any:
    def write(night: Written, _: np.random.Generator) -> None:
        jd = night.time.tt
        for what in columns:
            ra, dec = (np.radians(night.columns[f"{what}_{axis}_deg"]) for axis in ("ra", "dec"))
            if apparent:
                ri, di, eo = erfa.atci13(ra, dec, 0.0, 0.0, 0.0, 0.0, jd.jd1, jd.jd2)
                ra, dec = ri - eo, di
            else:
                precessed = erfa.pmat06(jd.jd1, jd.jd2) @ erfa.s2c(ra, dec)[..., None]
                ra, dec = erfa.c2s(precessed[..., 0])
            night.columns[f"{what}_ra_deg"] = np.degrees(ra) % 360.0
            night.columns[f"{what}_dec_deg"] = np.degrees(dec)

    return write


def _column(name: str, change: Callable[[np.ndarray], np.ndarray]) -> Any:
    def write(night: Written, _: np.random.Generator) -> None:
        for each in name.split():
            night.columns[each] = change(np.asarray(night.columns[each], float))

    return write


def _wrapped(degrees: np.ndarray) -> np.ndarray:
    return np.asarray((degrees + 180.0) % 360.0 - 180.0)


def _swapped(night: Written, _: np.random.Generator) -> bool:
    first, second = night.columns["primary_deg"], night.columns["secondary_deg"]
    if np.abs(first).max() > 360.0:
        return False
    night.columns["primary_deg"], night.columns["secondary_deg"] = second, first
    return True


def _right_ascension(night: Written, _: np.random.Generator) -> None:
    time = night.time
    sidereal = np.degrees(erfa.gst06a(time.jd1, time.jd2, time.tt.jd1, time.tt.jd2))
    night.columns["primary_deg"] = (
        sidereal + night.site["location"]["longitude_deg"] - night.columns["primary_deg"]
    ) % 360.0


def _rolled(names: str, rows: int) -> Any:
    def write(night: Written, _: np.random.Generator) -> None:
        for name in names.split():
            if name in night.columns:
                night.columns[name] = np.roll(night.columns[name], rows)
        if "time" in names.split():
            night.time = night.time[np.roll(np.arange(len(night.time)), rows)]

    return write


def _stale(share: float) -> Any:
    def write(night: Written, rng: np.random.Generator) -> None:
        n = len(night.time)
        for row in np.sort(rng.choice(np.arange(1, n), max(1, round(share * n)), replace=False)):
            for name in ("solved_ra_deg", "solved_dec_deg"):
                night.columns[name] = np.array(night.columns[name])
                night.columns[name][row] = night.columns[name][row - 1]

    return write


def _piers(share: float | None) -> Any:
    def write(night: Written, rng: np.random.Generator) -> bool:
        pier = np.array(night.columns["pier"])
        n = len(pier)
        if "primary_deg" in night.columns:
            # Sky-like readings, which the pier column completes.
            flipped = pier == "west"
            primary, secondary = night.columns["primary_deg"], night.columns["secondary_deg"]
            night.columns["primary_deg"] = np.where(flipped, _wrapped(primary - 180.0), _wrapped(primary))
            night.columns["secondary_deg"] = np.where(flipped, _wrapped(180.0 - secondary), secondary)
            if np.abs(night.columns["secondary_deg"]).max() > 90.0:
                return False
        if share is None:
            if len(set(pier.tolist())) < 2:
                return False
            pier[:] = "east"
        else:
            wrong = rng.choice(n, max(1, round(share * n)), replace=False)
            pier[wrong] = np.where(pier[wrong] == "east", "west", "east")
        night.columns["pier"] = pier
        return True

    return write


def _kind(kind: str) -> Any:
    def write(night: Written, _: np.random.Generator) -> bool:
        if night.site["mount"]["kind"] == kind:
            return False
        night.site["mount"] = {"kind": kind}
        if kind == "german" and "pier" not in night.columns:
            night.columns["pier"] = np.full(len(night.time), "east")
            if "primary_deg" in night.columns and np.abs(night.columns["secondary_deg"]).max() > 90.0:
                return False
        return True

    return write


def _slip(axis: str, arcmin: float, part: float) -> Any:
    def write(night: Written, _: np.random.Generator) -> None:
        name = {"primary": "primary_deg", "secondary": "secondary_deg"}[axis]
        after = np.arange(len(night.time)) >= part * len(night.time)
        night.columns[name] = night.columns[name] + np.where(after, arcmin / 60.0, 0.0)

    return write


def _drift(axis: str, arcmin: float) -> Any:
    def write(night: Written, _: np.random.Generator) -> None:
        name = {"primary": "primary_deg", "secondary": "secondary_deg"}[axis]
        course = np.linspace(0.0, 1.0, len(night.time))
        night.columns[name] = night.columns[name] + course * arcmin / 60.0

    return write


def _camera(arcmin: float) -> Any:
    """The image moves across the tube of an equatorial mount, halfway through the run."""

    def write(night: Written, rng: np.random.Generator) -> None:
        dec = np.radians(night.columns["solved_dec_deg"])
        after = np.arange(len(dec)) >= len(dec) // 2
        turn = rng.uniform(0.0, 2.0 * np.pi)
        flip = np.where(night.columns.get("pier", "east") == np.array("west"), -1.0, 1.0)
        north, east = flip * after * arcmin / 60.0 * np.cos(turn), flip * after * arcmin / 60.0 * np.sin(turn)
        night.columns["solved_dec_deg"] = np.clip(night.columns["solved_dec_deg"] + north, -90.0, 90.0)
        night.columns["solved_ra_deg"] = (night.columns["solved_ra_deg"] + east / np.cos(dec)) % 360.0

    return write


def _pressure(change: Callable[[float], float]) -> Any:
    def write(night: Written, _: np.random.Generator) -> None:
        height = night.site["location"]["elevation_m"]
        standard = 1013.25 * (1.0 - 0.0065 * height / 288.15) ** 5.25588
        night.site["location"]["pressure_hpa"] = change(standard)

    return write


def _refraction_declared(night: Written, _: np.random.Generator) -> None:
    night.meta["target_refraction"] = "false"


READINGS, EQUATORIAL = ("readings",), ("fork", "german")
KINDS: tuple[Kind, ...] = (
    *(Kind(f"clock {h:+g} h", CLOCK, _hours(h)) for h in (1, -1, 2, -2, 3, -4, 5.5, -6, 7, 8, -9.5, 10, -11, 12)),
    *(Kind(f"clock {60 * h:+g} min", CLOCK, _hours(h)) for h in (0.25, -0.25, 0.5, -0.5, 0.75, 1 / 12, -1 / 6)),
    Kind("day and month swapped", CLOCK, _days(lambda y, m, d: (y, d, m) if d <= 12 and d != m else None)),
    Kind("a year late", CLOCK, _days(lambda y, m, d: (y + 1, m, d) if (m, d) != (2, 29) else None)),
    Kind("a day late", CLOCK, _days(lambda y, m, d: (y, m, d + 1) if d < 28 else None)),
    Kind("a month early", CLOCK, _days(lambda y, m, d: (y, m - 1, d) if m > 1 and d < 29 else None)),
    Kind("longitude sign", CLOCK, _site("longitude_deg", lambda x: -x)),
    Kind("longitude in hours", CLOCK, _site("longitude_deg", lambda x: x / 15.0)),
    Kind("longitude 15 deg off", CLOCK, _site("longitude_deg", lambda x: x + 15.0)),
    Kind("longitude in degrees and minutes", CLOCK, _site("longitude_deg", _degrees_minutes)),
    Kind("latitude sign", ("latitude",), _site("latitude_deg", lambda x: -x)),
    Kind("latitude 1 deg off", ("latitude",), _site("latitude_deg", lambda x: x + 1.0)),
    Kind("latitude 10 deg off", ("latitude",), _site("latitude_deg", lambda x: x + 10.0)),
    Kind("solutions, mean of date", ("coordinates of date",), _date_place(("solved",), False)),
    Kind("solutions, apparent", ("coordinates of date",), _date_place(("solved",), True)),
    Kind("targets, mean of date", ("coordinates of date",), _date_place(("target",), False), ("targets",)),
    Kind("targets, apparent", ("coordinates of date",), _date_place(("target",), True), ("targets",)),
    Kind("both, apparent", ("coordinates of date",), _date_place(("solved", "target"), True), ("targets",)),
    Kind("solved right ascension in hours", ("units",), _column("solved_ra_deg", lambda x: x / 15.0)),
    Kind("solutions in radians", ("units",), _column("solved_ra_deg solved_dec_deg", np.radians)),
    Kind("primary in hours", ("units",), _column("primary_deg", lambda x: x / 15.0), READINGS),
    Kind("readings in radians", ("units",), _column("primary_deg secondary_deg", np.radians), READINGS),
    Kind("target right ascension in hours", ("units",), _column("target_ra_deg", lambda x: x / 15.0), ("targets",)),
    Kind("targets in radians", ("units",), _column("target_ra_deg target_dec_deg", np.radians), ("targets",)),
    Kind("primary reversed", ("axes",), _column("primary_deg", np.negative), READINGS),
    Kind("secondary reversed", ("axes",), _column("secondary_deg", np.negative), READINGS),
    Kind("both reversed", ("axes",), _column("primary_deg secondary_deg", np.negative), READINGS),
    Kind("axes swapped", ("axes",), _swapped, READINGS),
    Kind("distance from the pole", ("axes",), _column("secondary_deg", lambda x: 90.0 - x), READINGS),
    Kind("primary from the opposite", ("axes",), _column("primary_deg", lambda x: _wrapped(x + 180.0)), READINGS),
    Kind("right ascension for hour angle", ("axes",), _right_ascension, READINGS, EQUATORIAL),
    Kind("solutions a row late", ("rows",), _rolled("solved_ra_deg solved_dec_deg", 1)),
    Kind("solutions a row early", ("rows",), _rolled("solved_ra_deg solved_dec_deg", -1)),
    Kind("readings a row late", ("rows",), _rolled("primary_deg secondary_deg target_ra_deg target_dec_deg", 1)),
    Kind("times a row late", ("rows", *CLOCK), _rolled("time", 1)),
    Kind("a tenth stale", ("rows",), _stale(0.1)),
    Kind("a third stale", ("rows",), _stale(0.34)),
    Kind("pier wrong in a tenth", ("pier",), _piers(0.1), mounts=("german",)),
    Kind("pier wrong in a third", ("pier",), _piers(0.34), mounts=("german",)),
    Kind("pier east throughout", ("pier",), _piers(None), mounts=("german",)),
    Kind("said to be a fork", ("kind",), _kind("fork"), mounts=("altaz", "german")),
    Kind("said to be german", ("kind", "pier"), _kind("german"), mounts=("fork", "altaz")),
    Kind("said to be an alt-az", ("kind",), _kind("altaz"), mounts=EQUATORIAL),
    Kind("refraction of targets denied", ("air",), _refraction_declared, ("targets",)),
    Kind("pressure in mmHg", ("air",), _pressure(lambda p: p / 1.33322)),
    Kind("pressure in inHg", ("air",), _pressure(lambda p: p / 33.8639)),
    Kind("pressure 0", ("air",), _pressure(lambda p: 0.0 * p)),
    Kind("pressure at sea level", ("air",), _pressure(lambda p: 1013.25 + 0.0 * p)),
    *(
        Kind(f"{axis} slips {size}' at {part:g}", ("slip",), _slip(axis, size, part), READINGS)
        for axis, size, part in (
            ("primary", 20, 0.5), ("primary", 5, 0.5), ("primary", 60, 0.33), ("secondary", 20, 0.5),
            ("secondary", 4, 0.67), ("primary", 180, 0.5),
        )
    ),
    Kind("primary drifts 6'", ("drift", "clock"), _drift("primary", 6.0), READINGS),
    Kind("secondary drifts 6'", ("drift",), _drift("secondary", 6.0), READINGS),
    Kind("camera moves 5'", ("camera", "slip"), _camera(5.0), mounts=EQUATORIAL),
    Kind("camera moves 30'", ("camera", "slip"), _camera(30.0), mounts=EQUATORIAL),
)  # fmt: skip

"""A night as another process takes it: to be killed at any moment.

Forked from a server that has imported this module, so that a night starts in milliseconds.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time

from skysample.files import whole_files as files
from skysample.planning import plan
from skysample.planning.session import Session
from skysample.plugins import build_registry
from skysample.testing import SimulatedMount
from tests.conftest import make_site

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

PLAN = plan(make_site(), 8, order="nearest", effort="quick", registry=build_registry(installed=False))
MOUNT = SimulatedMount("fork", latitude_deg=-27.0, longitude_deg=5.0, terms_arcsec={"cone": 118.0})


def take(log: str, tell: Connection) -> None:
    """Take every point, skip every fourth; tell number and outcome of each once the session has accepted it."""
    night = Session(PLAN, log)
    while (point := night.next()) is not None:
        step = len(night.done)
        when = Time("2026-06-14T18:00:00", scale="utc") + step * u.min
        if step % 4 == 3:
            night.skip(when)
        else:
            seen = MOUNT.night(
                when.jd1,
                when.jd2,
                targets_rad=np.radians([[point.alt_deg, point.az_deg]]),
                rng=np.random.default_rng(step),
            )
            place = SkyCoord(seen["solved_ra_deg"][0], seen["solved_dec_deg"][0], unit="deg")
            night.record(place, when, [seen["primary_deg"][0], seen["secondary_deg"][0]] * u.deg)
        tell.send((point.number, step % 4 != 3))
    tell.send(None)


def take_with_a_slow_disk(log: str, tell: Connection, seed: int) -> None:
    """The same, with so much time spent around each fsync that a random kill mostly falls inside a write."""
    rng = np.random.default_rng(seed)
    at_once = os.fsync

    def slowly(descriptor: int) -> None:
        time.sleep(rng.uniform(0.0, 0.01))
        at_once(descriptor)
        time.sleep(rng.uniform(0.0, 0.01))

    files.os.fsync = slowly
    take(log, tell)


def die_before_line(log: str, tell: Connection, line: int) -> None:
    """The same, killed before the given line (counted as they are run) of what writes the second result."""
    writes = lines = 0

    def trace(frame, event, _):
        nonlocal writes, lines
        if frame.f_code.co_filename != files.__file__:
            return trace if event == "call" else None
        if event == "call" and frame.f_code.co_name == "write_whole":
            writes += 1
        if event == "line" and writes == 2:
            lines += 1
            if lines == line:
                os.kill(os.getpid(), signal.SIGKILL)
        return trace

    sys.settrace(trace)
    take(log, tell)


class _Nobody:
    def send(self, _: object) -> None:
        pass


with TemporaryDirectory() as folder:
    # Once here, so that no forked process spends its time on importing.
    take(f"{folder}/run.ecsv", _Nobody())

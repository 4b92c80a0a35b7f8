"""A session writes each result before the next point is given, and goes on where it stopped."""

from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time

from skysample.errors import InputError
from skysample.planning import plan
from skysample.plugins import build_registry
from skysample.runs import read_run
from skysample.session import Session
from tests.conftest import make_site

WHEN = Time("2026-06-14T18:00:00", scale="utc")


@pytest.fixture(scope="module")
def planned():
    return plan(make_site(), 6, registry=build_registry(installed=False))


def taken(night, number):
    point = night.next()
    when = WHEN + number * u.min
    place = point.icrs(when)
    night.record(
        SkyCoord(ra=place.ra + 0.01 * u.deg, dec=place.dec),
        when,
        [number, 10.0] * u.deg,
        frame=f"{number}.fits",
    )
    return point.number


def test_points_come_in_the_order_of_the_plan_and_are_on_disk_at_once(planned, tmp_path):
    night = Session(planned, tmp_path / "run.ecsv")
    numbers = []
    for number in range(6):
        numbers.append(taken(night, number))
        assert len(read_run(tmp_path / "run.ecsv", planned.site)) == number + 1
    assert numbers == [int(each) for each in planned.table["point"]]
    assert night.next() is None
    assert night.remaining == 0


def test_a_new_session_goes_on_where_the_old_one_stopped(planned, tmp_path):
    log = tmp_path / "run.ecsv"
    first = Session(planned, log, meta={"axes": "raw"})
    taken(first, 0)
    first.next()
    first.skip(WHEN + 1 * u.min)
    again = Session(planned, log)
    assert again.done == first.done
    assert again.remaining == 4
    taken(again, 2)
    run = read_run(log, planned.site)
    assert (len(run), run.failed, run.axes_kind) == (2, 1, "raw")


def test_the_same_point_is_given_until_it_is_recorded(planned, tmp_path):
    night = Session(planned, tmp_path / "run.ecsv")
    assert night.next() == night.next()


def test_without_a_reading_the_target_is_logged(planned, tmp_path):
    night = Session(planned, tmp_path / "run.ecsv")
    point = night.next()
    night.record(point.icrs(WHEN), WHEN)
    run = read_run(tmp_path / "run.ecsv", planned.site)
    assert np.degrees(run.axes[0, 1]) == pytest.approx(planned.table["dec_deg"][0], abs=1e-6)


def test_recording_without_a_point_is_refused(planned, tmp_path):
    with pytest.raises(InputError, match="next"):
        Session(planned, tmp_path / "run.ecsv").skip(WHEN)


def test_a_log_of_another_plan_is_refused_and_left_alone(planned, tmp_path):
    log = tmp_path / "run.ecsv"
    log.write_text(
        "time,primary_deg,secondary_deg,solved_ra_deg,solved_dec_deg,point\n2026-06-14T18:00:00,1,2,3,4,99\n"
    )
    before = log.read_bytes()
    with pytest.raises(InputError, match="not in this plan"):
        Session(planned, log)
    assert log.read_bytes() == before

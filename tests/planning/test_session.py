"""A session writes each result before the next point is given, and goes on where it stopped."""

from __future__ import annotations

import os
import stat

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time

from skysample.errors import InputError, NoSolution
from skysample.files import whole_files as files
from skysample.files.tables import read_table
from skysample.planning import plan
from skysample.planning.session import Session
from skysample.plugins import build_registry
from skysample.runs import read_run, write_run
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


def test_after_clouds_the_session_goes_on_with_the_rest_and_replaces_what_failed(planned, tmp_path):
    log = tmp_path / "run.ecsv"
    night = Session(planned, log)
    first = taken(night, 0)
    failed = night.next().number
    night.skip(WHEN + 1 * u.min)
    night.next()
    rest = night.resume(WHEN + 60 * u.min, order="nearest")
    assert night.plan is rest
    assert night.remaining == rest.points == 5
    # A new process has the first plan and the log; it asks for the rest again, and finds the same points.
    again = Session(planned, log)
    assert again.remaining == 4
    again.resume(WHEN + 60 * u.min, order="nearest")
    left = set()
    for step in range(2, 7):
        left.add(taken(again, step))
    assert left == {*planned.numbers.tolist(), 7} - {first, failed}
    assert again.next() is None
    with pytest.raises(NoSolution, match="nothing is left"):
        again.resume()
    # Also the first plan alone knows the replacement in the log.
    assert Session(planned, log).remaining == 0


def test_a_session_survives_a_second_cloud(planned, tmp_path):
    night = Session(planned, tmp_path / "run.ecsv")
    for step in range(4):
        night.next()
        night.skip(WHEN + step * u.min)
        night.resume(order="nearest")
    assert night.remaining == 6
    assert len(set(night.done)) == 4
    assert not set(night.done) & set(night.plan.numbers.tolist())


def test_columns_that_somebody_added_to_the_log_are_kept(planned, tmp_path):
    log = tmp_path / "run.ecsv"
    taken(Session(planned, log), 0)
    table = read_table(log).table()
    table["temperature_c"] = [-3.5]
    table["note"] = ["haze"]
    write_run(log, table)
    taken(Session(planned, log), 1)
    again = read_table(log).table()
    assert again["temperature_c"][0] == -3.5
    assert again["note"][0] == "haze"


def test_a_log_that_somebody_else_changed_is_not_written_over(planned, tmp_path):
    log = tmp_path / "run.ecsv"
    one, other = Session(planned, log), Session(planned, log)
    taken(one, 0)
    before = log.read_bytes()
    other.next()
    with pytest.raises(InputError, match="changed by another program"):
        other.skip(WHEN)
    assert log.read_bytes() == before


@pytest.mark.parametrize(
    "place", [SkyCoord([1, 2] * u.deg, [3, 4] * u.deg), SkyCoord(np.nan * u.deg, 1 * u.deg)]
)
def test_what_is_no_place_is_refused_before_it_reaches_the_log(planned, tmp_path, place):
    night = Session(planned, tmp_path / "run.ecsv")
    night.next()
    with pytest.raises(InputError, match=r"skip\(\)"):
        night.record(place, WHEN)
    assert not (tmp_path / "run.ecsv").exists()


def test_a_write_ends_when_file_and_folder_are_on_the_disk(monkeypatch, tmp_path):
    """What a loss of power may take: the content until its fsync, the name until the folder's."""
    kinds, real, renamed = [], os.fsync, []
    monkeypatch.setattr(
        files.os,
        "fsync",
        lambda descriptor: (
            kinds.append("folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "file"),
            renamed.append((tmp_path / "a.txt").exists()),
            real(descriptor),
        ),
    )
    files.write_whole(tmp_path / "a.txt", "all of it")
    assert (kinds, renamed) == (["file", "folder"], [False, True])


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"time": WHEN + [0, 1] * u.s}, "time must be one moment"),
        ({"time": "2026-06-14T18:00:00"}, "time must be one moment"),
        ({"axes": [1000.0, 20.0] * u.deg}, "primary_deg"),
        ({"axes": [10.0, 20.0]}, "not two angles with a unit"),
        ({"axes": [10.0, 20.0] * u.m}, "not two angles with a unit"),
        ({"sigma_arcsec": -1.0}, "sigma_arcsec"),
        ({"target": SkyCoord(ra=np.nan * u.deg, dec=0 * u.deg)}, "target"),
        ({"solved": (200.0, -40.0)}, "solved is not a SkyCoord"),
        ({"solved": None}, "solved is not a SkyCoord"),
    ],
)
def test_what_the_reader_of_the_log_would_refuse_is_refused_before_it_is_written(
    planned, tmp_path, changed, says
):
    night = Session(planned, tmp_path / "run.ecsv")
    taken(night, 0)
    before = (tmp_path / "run.ecsv").read_bytes()
    night.next()
    good = {
        "solved": planned_place(night),
        "time": WHEN + 1 * u.min,
        "axes": None if "target" in changed else [1, 2] * u.deg,
    }
    arguments = good | changed
    with pytest.raises(InputError, match=says):
        night.record(arguments.pop("solved"), arguments.pop("time"), **arguments)
    assert (tmp_path / "run.ecsv").read_bytes() == before
    assert len(night.run()) == 1


def planned_place(night):
    return night.next().icrs(WHEN + 1 * u.min)


def test_one_exposure_is_recorded_once_and_its_noise_for_all_or_none(planned, tmp_path):
    night = Session(planned, tmp_path / "run.ecsv")
    place = night.next().icrs(WHEN)
    night.record(place, WHEN, [1, 2] * u.deg)
    night.next()
    with pytest.raises(InputError, match=r"are those of point \d+; record each exposure once"):
        night.record(place, WHEN, [1, 2] * u.deg)
    with pytest.raises(InputError, match="for all of them, or for none"):
        night.record(place, WHEN + 1 * u.min, [1, 2] * u.deg, sigma_arcsec=1.0)
    assert len(night.run()) == 1


def test_what_a_run_does_not_declare_is_refused_at_once(planned, tmp_path):
    with pytest.raises(InputError, match="meta has axis, oldmodel; use only axes, old_model"):
        Session(planned, tmp_path / "run.ecsv", meta={"axis": "raw", "oldmodel": "on"})


def test_a_log_without_a_status_says_what_was_skipped_all_the_same(planned, tmp_path):
    first = Session(planned, tmp_path / "run.ecsv")
    taken(first, 0)
    table = read_table(tmp_path / "run.ecsv").table()
    table.remove_column("status")
    write_run(tmp_path / "run.ecsv", table)
    again = Session(planned, tmp_path / "run.ecsv")
    assert again.skipped == ()
    assert len(again.run()) == 1

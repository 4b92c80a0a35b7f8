"""A plan survives clouds: nothing is planned twice, and each failed point has one neighbour in its place."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time

from skysample.cli.main import run_command
from skysample.demo import __file__ as demo_file
from skysample.errors import InputError, NoSolution
from skysample.geometry import direction, separation
from skysample.planning import plan
from skysample.plugins import build_registry
from skysample.resuming import Progress, read_plan, read_progress, resume
from skysample.session import Session
from tests.conftest import make_site

DOME = {
    "radius_m": 2.6,
    "slit_width_m": 1.1,
    "slit_low_deg": 15.0,
    "slit_past_zenith_deg": 10.0,
    "beam_m": 0.6,
}


@pytest.fixture(scope="module")
def registry():
    return build_registry(installed=False)


@pytest.fixture(scope="module")
def first(registry):
    return plan(make_site("fork", -27.0, dome=DOME), 14, registry=registry)


def test_done_points_are_dropped_and_failed_ones_replaced_once(first, registry):
    rest = resume(first, Progress((3, 5, 9), (2, 7), 7), registry=registry)
    numbers = rest.numbers.tolist()
    assert sorted(numbers) == [1, 4, 6, 8, 10, 11, 12, 13, 14, 15, 16]
    places = dict(zip(numbers, rest.grid.directions[rest.order], strict=True))
    for failed, replacement in ((2, 15), (7, 16)):
        gap = separation(first.grid.directions[failed - 1], places[replacement])
        others = np.delete(first.grid.directions, failed - 1, axis=0)
        assert 0.0 < gap < separation(first.grid.directions[failed - 1], others).min()
    assert first.sky.usable(rest.grid.directions).all()


def test_points_that_stay_keep_their_places(first, registry):
    rest = resume(first, Progress((1,), (), 1), registry=registry)
    for number, place in zip(rest.numbers, rest.grid.directions[rest.order], strict=True):
        assert np.allclose(place, first.grid.directions[number - 1])


def test_the_rest_is_ordered_from_where_mount_and_dome_stand(first, registry):
    last = int(first.numbers[6])
    rest = resume(first, Progress(tuple(first.numbers[:7].tolist()), (), last), registry=registry)
    # From the point tried last, the first leg is what the mount needs from there, not from the park.
    stop = int(first.numbers.tolist().index(last))
    primary = first.schedule.axes[stop] - rest.schedule.axes[0]
    slowest = np.degrees(np.abs(primary)).max() / 4.0 + 1.0
    assert rest.schedule.mount_s[0] == pytest.approx(slowest, abs=1.0)
    assert rest.slew_s < first.slew_s


def test_resuming_again_and_again_never_plans_a_point_twice(first, registry):
    done: list[int] = []
    failed: list[int] = []
    rng = np.random.default_rng(1)
    current = first
    for _ in range(40):
        number = int(current.numbers[0])
        assert number not in done
        assert number not in failed
        (failed if rng.random() < 0.4 else done).append(number)
        try:
            current = resume(first, Progress(tuple(done), tuple(failed), number), registry=registry)
        except NoSolution:
            break
    assert len(done) == 14


def test_all_done_is_said(first, registry):
    with pytest.raises(NoSolution, match="nothing is left"):
        resume(first, Progress(tuple(range(1, 15)), (), 3), registry=registry)


def test_a_number_that_the_plan_has_not_is_refused(first, registry):
    with pytest.raises(InputError, match="point 99"):
        resume(first, Progress((99,), (), 99), registry=registry)


def test_a_plan_file_reads_back_to_the_same_points_and_moves(first, tmp_path):
    first.write(tmp_path / "plan.ecsv")
    again = read_plan(tmp_path / "plan.ecsv", first.site)
    assert again.numbers.tolist() == first.numbers.tolist()
    wanted = direction(np.radians(first.table["alt_deg"]), np.radians(first.table["az_deg"]))
    assert separation(again.grid.directions, wanted).max() < 1e-7
    assert again.slew_s == pytest.approx(first.slew_s, abs=1e-3)


def test_progress_is_read_from_a_sessions_log(first, tmp_path):
    night = Session(first, tmp_path / "run.ecsv")
    numbers = []
    for step in range(4):
        point = night.next()
        numbers.append(point.number)
        when = Time("2026-06-14T18:00:00", scale="utc") + step * u.min
        if step == 1:
            night.skip(when)
        else:
            place = point.icrs(when)
            night.record(SkyCoord(ra=place.ra + 0.02 * u.deg, dec=place.dec), when)
    progress = read_progress(tmp_path / "run.ecsv")
    dome = float(first.schedule.dome_az[3])
    assert progress.dome_az_rad == pytest.approx(dome, abs=1e-9)
    told = replace(progress, dome_az_rad=None)
    assert told == Progress((numbers[0], numbers[2], numbers[3]), (numbers[1],), numbers[3])
    assert night.progress == progress


def test_the_command_goes_on_where_the_run_stopped(tmp_path, capsys):
    site = demo_file.replace("__init__.py", "saltpan_ridge.toml")
    plan_file, log = tmp_path / "plan.ecsv", tmp_path / "run.ecsv"
    common = ["plan", site, "--json"]
    assert run_command([*common, "--points", "9", "--out", str(plan_file)]) == 0
    rows = json.loads(capsys.readouterr().out)["rows"]
    text = "time,primary_deg,secondary_deg,solved_ra_deg,solved_dec_deg,point,status\n"
    text += f"2026-06-14T18:00:00,1,2,,,{rows[0]['point']},failed\n"
    log.write_text(text)
    assert run_command([*common, "--resume", str(log), "--plan", str(plan_file)]) == 0
    answer = json.loads(capsys.readouterr().out)
    numbers = [row["point"] for row in answer["rows"]]
    assert sorted(numbers) == sorted([row["point"] for row in rows[1:]] + [10])
    assert run_command([*common, "--points", "9", "--resume", str(log)]) == 0
    assert sorted(row["point"] for row in json.loads(capsys.readouterr().out)["rows"]) == sorted(numbers)

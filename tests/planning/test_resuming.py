"""A plan survives clouds: nothing is planned twice, and each failed point has one neighbour in its place."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st

from skysample.cli.demo import __file__ as demo_file
from skysample.cli.main import run_command
from skysample.errors import InputError, NoSolution, SkysampleWarning
from skysample.geometry import direction, separation
from skysample.planning import plan
from skysample.planning.plan_file import read_plan
from skysample.planning.resuming import resume
from skysample.planning.session import Session
from skysample.runs.points_done import PointsDone, read_points_done
from skysample.sampling.grid import ideal_separation_rad
from skysample.site.mount_axes import tube_side
from tests.conftest import make_site

DOME = {
    "radius_m": 2.6,
    "slit_width_m": 1.1,
    "slit_low_deg": 15.0,
    "slit_past_zenith_deg": 10.0,
    "beam_m": 0.6,
}


@pytest.fixture(scope="module")
def first(registry):
    return plan(make_site("fork", -27.0, dome=DOME), 14, registry=registry)


def test_done_points_are_dropped_and_failed_ones_replaced_once(first, registry):
    rest = resume(first, PointsDone((3, 5, 9), (2, 7), 7), registry=registry)
    numbers = rest.numbers.tolist()
    assert sorted(numbers) == [1, 4, 6, 8, 10, 11, 12, 13, 14, 15, 16]
    places = dict(zip(numbers, rest.grid.directions[rest.order], strict=True))
    for failed, replacement in ((2, 15), (7, 16)):
        gap = separation(first.grid.directions[failed - 1], places[replacement])
        others = np.delete(first.grid.directions, failed - 1, axis=0)
        assert 0.0 < gap < separation(first.grid.directions[failed - 1], others).min()
    assert first.sky.usable(rest.grid.directions).all()


def test_points_that_stay_keep_their_places(first, registry):
    rest = resume(first, PointsDone((1,), (), 1), registry=registry)
    for number, place in zip(rest.numbers, rest.grid.directions[rest.order], strict=True):
        assert np.allclose(place, first.grid.directions[number - 1])


def test_the_rest_is_ordered_from_where_mount_and_dome_stand(first, registry):
    last = int(first.numbers[6])
    rest = resume(first, PointsDone(tuple(first.numbers[:7].tolist()), (), last), registry=registry)
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
            current = resume(first, PointsDone(tuple(done), tuple(failed), number), registry=registry)
        except NoSolution:
            break
    assert len(done) == 14


@settings(max_examples=25, deadline=None)
@given(
    kind=st.sampled_from(["fork", "german"]),
    rounds=st.lists(st.lists(st.booleans(), min_size=1, max_size=5), min_size=1, max_size=6),
    from_first=st.booleans(),
)
def test_whatever_was_done_and_failed_in_whatever_rounds_no_point_is_planned_twice(
    small, kind, rounds, from_first
):
    """Taken in rounds, with clouds between them: `True` is a solution, `False` a failure."""
    original, registry = small[kind]
    current, done, failed = original, [], []
    places = dict(zip(range(1, 9), original.grid.directions, strict=True))
    aside = 0.3 * ideal_separation_rad(original.sky.area_sr, 8)
    for outcomes in rounds:
        taken_now = current.numbers.tolist()[: len(outcomes)]
        since = PointsDone(
            tuple(n for n, solved in zip(taken_now, outcomes, strict=False) if solved),
            tuple(n for n, solved in zip(taken_now, outcomes, strict=False) if not solved),
            taken_now[-1],
        )
        assert not {*done, *failed} & set(taken_now)
        done += since.done
        failed += since.failed
        told = PointsDone(tuple(done), tuple(failed), since.last)
        try:
            # From the first plan and all that was taken, or from the last one and what was taken since.
            current = resume(original if from_first else current, told, order="nearest", registry=registry)
            assert from_first or current.first is original
        except NoSolution:
            assert len(done) == 8
            return
        numbers = current.numbers.tolist()
        assert len(numbers) == len(set(numbers)) == 8 - len(done)
        assert not {*done, *failed} & set(numbers)
        for number, place in zip(numbers, current.grid.directions[current.order], strict=True):
            others = [other for known, other in places.items() if known != number]
            assert number in places or separation(place, np.array(others)).min() >= aside - 1e-9
            assert np.allclose(places.setdefault(number, place), place, atol=1e-12)


@pytest.fixture(scope="module")
def small(registry):
    return {
        kind: (plan(make_site(kind, -27.0), 8, order="nearest", effort="quick", registry=registry), registry)
        for kind in ("fork", "german")
    }


def test_a_plan_resumed_again_only_needs_what_was_taken_since(small):
    original, registry = small["fork"]
    numbers = original.numbers.tolist()
    once = resume(original, PointsDone((), (numbers[0],), numbers[0]), order="nearest", registry=registry)
    assert 9 in once.numbers
    # The replacement 9 is done, then another point fails: its replacement is 10, and not the number 9 again.
    later = PointsDone((9,), (numbers[1],), numbers[1])
    twice = resume(once, later, order="nearest", registry=registry)
    assert sorted(twice.numbers.tolist()) == sorted({*numbers[2:], 10})
    assert twice.first is original


def test_a_point_that_failed_and_was_solved_later_needs_no_replacement(small):
    original, registry = small["fork"]
    numbers = original.numbers.tolist()
    both = PointsDone((numbers[0],), (numbers[0], numbers[1]), numbers[1])
    rest = resume(original, both, order="nearest", registry=registry)
    # 9 would have replaced the first; the second keeps the number 10, which a run may have named before.
    assert sorted(rest.numbers.tolist()) == sorted({*numbers[2:], 10})


@pytest.mark.parametrize("solved", [True, False])
def test_mount_and_dome_start_where_they_were_at_the_last_point_also_when_it_failed(first, registry, solved):
    last = int(first.numbers[4])
    told = PointsDone((last,) if solved else (), () if solved else (last,), last)
    rest = resume(first, told, order="nearest", registry=registry)
    assert np.allclose(rest.problem.start_axes, first.schedule.axes[4])
    assert rest.problem.start_dome == pytest.approx(first.schedule.dome_az[4])
    # A run that says where the dome stood knows better.
    turned = resume(first, replace(told, dome_az_rad=1.0), order="nearest", registry=registry)
    assert turned.problem.start_dome == 1.0


def test_the_side_of_the_pier_counts_for_where_the_mount_is(small):
    original, registry = small["german"]
    west = [
        int(n) for n, i in zip(original.numbers, original.order, strict=True) if original.grid.sides[i] < 0
    ]
    once = resume(original, PointsDone((), (west[0],), west[0]), order="nearest", registry=registry)
    # The replacement is taken, and all is told to the first plan, which never saw the order it was taken in.
    whole = PointsDone((9,), (west[0],), 9)
    rest = resume(original, whole, order="nearest", registry=registry)
    assert tube_side(rest.problem.start_axes) == -1
    stop = once.numbers.tolist().index(9)
    off = rest.problem.start_axes - once.schedule.axes[stop]
    assert np.allclose((off + np.pi) % (2.0 * np.pi), np.pi)


def test_what_is_not_usable_now_is_left_out_with_its_reason(small):
    _, registry = small["fork"]
    low = plan(
        make_site(sky={"altitude_min_deg": 20.0}), 12, order="nearest", effort="quick", registry=registry
    )
    altitude = np.degrees(np.arcsin(low.grid.directions[:, 2]))
    corrected = replace(low, site=make_site(sky={"altitude_min_deg": 35.0}))
    with pytest.warns(SkysampleWarning, match=r"left out: point \d+ \(altitude limits\)"):
        rest = resume(corrected, PointsDone((), (), None), order="nearest", registry=registry)
    assert set(rest.numbers.tolist()) == set((np.flatnonzero(altitude >= 35.0) + 1).tolist())


def test_all_done_is_said(first, registry):
    with pytest.raises(NoSolution, match="nothing is left"):
        resume(first, PointsDone(tuple(range(1, 15)), (), 3), registry=registry)


def test_a_number_that_the_plan_has_not_is_refused(first, registry):
    with pytest.raises(InputError, match="point 99"):
        resume(first, PointsDone((99,), (), 99), registry=registry)


def test_a_plan_file_reads_back_to_the_same_points_and_moves(first, tmp_path):
    first.write(tmp_path / "plan.ecsv")
    again = read_plan(tmp_path / "plan.ecsv", first.site)
    assert again.numbers.tolist() == first.numbers.tolist()
    wanted = direction(np.radians(first.table["alt_deg"]), np.radians(first.table["az_deg"]))
    assert separation(again.grid.directions, wanted).max() < 1e-7
    assert again.slew_s == pytest.approx(first.slew_s, abs=1e-3)


def test_a_plan_files_points_are_held_against_the_sites_sky(registry, tmp_path):
    file = tmp_path / "plan.ecsv"
    edge = {"altitude_min_deg": 30.0000004}
    at_limit = plan(make_site(sky=edge), 40, order="nearest", effort="quick", registry=registry)
    on_edge = at_limit.grid.directions.copy()
    on_edge[0] = direction(np.radians(edge["altitude_min_deg"]), 1.0)
    replace(at_limit, grid=replace(at_limit.grid, directions=on_edge)).write(file)
    again = read_plan(file, at_limit.site)  # what writing rounded away does no harm
    assert np.count_nonzero(~again.sky.usable(again.grid.directions)) == 1
    raised = make_site(sky={"altitude_min_deg": 45.0})
    with pytest.raises(InputError, match=r"row \d+: .*outside this site's usable sky \(altitude limits\)"):
        read_plan(file, raised)
    assert read_plan(file, raised, check=False).points == 40


def test_a_plan_file_of_another_site_is_refused(first, tmp_path):
    replace(first, site=make_site(name="Saltpan Ridge", dome=DOME)).write(tmp_path / "plan.ecsv")
    with pytest.raises(InputError, match="made for 'Saltpan Ridge', not for 'Gravel Flat'"):
        read_plan(tmp_path / "plan.ecsv", make_site(name="Gravel Flat"))


def test_a_plan_file_keeps_how_much_the_dome_is_to_be_spared(first, registry, tmp_path):
    gentle = plan(first.site, 5, effort="quick", dome_weight=0.5, registry=registry)
    gentle.write(tmp_path / "plan.ecsv")
    again = read_plan(tmp_path / "plan.ecsv", first.site)
    assert again.dome_weight == 0.5
    rest = resume(again, PointsDone((1,), (), 1), registry=registry)
    assert rest.dome_weight == 0.5


def test_the_file_of_a_resumed_plan_is_no_first_plan(small, tmp_path):
    original, registry = small["fork"]
    once = resume(original, PointsDone((1,), (2,), 2), order="nearest", registry=registry)
    once.write(tmp_path / "rest.ecsv")
    rest = read_plan(tmp_path / "rest.ecsv", original.site)
    assert Session(rest, tmp_path / "run.ecsv").remaining == 7
    with pytest.raises(InputError, match="name the first plan"):
        resume(rest, PointsDone((9,), (), 9), registry=registry)


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
    progress = read_points_done(tmp_path / "run.ecsv")
    dome = float(first.schedule.dome_az[3])
    assert progress.dome_az_rad == pytest.approx(dome, abs=1e-9)
    told = replace(progress, dome_az_rad=None)
    assert told == PointsDone((numbers[0], numbers[2], numbers[3]), (numbers[1],), numbers[3])
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

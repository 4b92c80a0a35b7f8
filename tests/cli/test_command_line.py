from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time

import skysample
import skysample.planning
import skysample.sizing
from skysample.alignment import polar
from skysample.alignment.comparing import compare
from skysample.cli.main import run_command
from skysample.fitting import fit, load_model
from skysample.fitting.multiple_tests import SELECTION_TESTED_AT
from skysample.geometry import ARCSEC, alt_az, direction
from skysample.planning.plan_file import read_plan
from skysample.runs import read_run
from skysample.scoring import score, sky_error, term_evidence
from skysample.scoring.residual_tests import structure
from skysample.scoring.selection import select_terms
from skysample.site import load_site
from skysample.sky import usable_sky
from skysample.testing import SimulatedMount
from skysample.tracking_errors.trails import trail
from tests.job_folder import POINTS, digests, make_job, take_run
from tests.simulated_nights import errors

COMMANDS = (
    "demo", "plan", "gather", "fit", "polar", "size", "progress", "compare", "history", "tracking", "report", "plugins",
)  # fmt: skip
PLAN_COLUMNS = {
    "point", "alt_deg", "az_deg", "hour_angle_deg", "dec_deg", "ra_icrs_deg", "dec_icrs_deg", "pier", "start_utc",
    "slew_s", "dome_az_deg", "dome_move_deg", "dome_s",
}  # fmt: skip


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("job")
    make_job(folder)
    return folder


@pytest.fixture
def job(made, tmp_path, monkeypatch):
    """The job's files in a folder of their own, entered."""
    folder = tmp_path / "job"
    shutil.copytree(made, folder)
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def run(job, capsys):
    def run_it(*arguments):
        assert job.samefile(".")
        code = run_command([str(each) for each in arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return run_it


@pytest.fixture
def answer(run):
    """Run a command with --json: its exit code, and the one object on stdout."""

    def answered(*arguments, code=0):
        got, out, err = run(*arguments, "--json")
        assert got == code, err
        assert err == ""
        assert out.count("\n") == 1
        assert out.endswith("}\n")
        return json.loads(out, parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))

    return answered


@pytest.fixture(scope="session")
def first(made):
    """The first run in the library: site, run, model."""
    site = load_site(made / "site.toml")
    table = read_run(made / "before.ecsv", site)
    return site, table, fit(table, site)


def number(value):
    return isinstance(value, int | float) and not isinstance(value, bool)


def check_polar(found, alignment):
    expected = {
        "altitude_error_arcmin": alignment.altitude_error,
        "altitude_error_refracted_arcmin": alignment.altitude_error_refracted,
        "altitude_stderr_arcmin": alignment.altitude_stderr,
        "azimuth_error_arcmin": alignment.azimuth_error,
        "azimuth_stderr_arcmin": alignment.azimuth_stderr,
        "total_error_arcmin": alignment.total_error,
    }
    for key, value in expected.items():
        assert found[key] == pytest.approx(value.to_value(u.arcmin), abs=1e-6), key
    assert found["altitude_ci95_arcmin"] == pytest.approx(
        alignment.t_limit * found["altitude_stderr_arcmin"], rel=1e-4
    )
    assert found["azimuth_ci95_arcmin"] == pytest.approx(
        alignment.t_limit * found["azimuth_stderr_arcmin"], rel=1e-4
    )
    assert found["dof"] == alignment.dof
    assert found["drift_arcsec_per_min"] == pytest.approx(alignment.tracking.drift_arcsec_per_min, abs=1e-6)
    assert found["field_rotation_deg_per_hour"] == pytest.approx(
        alignment.tracking.rotation_deg_per_hour, abs=1e-6
    )
    assert len(found["moves"]) == len(alignment.moves) == 2
    for told, move in zip(found["moves"], alignment.moves, strict=True):
        assert (told["adjuster"], told["direction"]) == (move.adjuster, move.direction)
        assert (
            told["direction"]
            in {"altitude": ("raise", "lower"), "azimuth": ("east", "west")}[told["adjuster"]]
        )
        assert told["arcmin"] == pytest.approx(move.arcmin, abs=1e-6)
        assert told["turns"] == pytest.approx(move.turns, abs=1e-4)


def test_polar_answers_with_the_librarys_numbers_and_the_errors_put_in(answer, first):
    found = answer("polar", "before.ecsv", "--site", "site.toml")
    site, _, model = first
    check_polar(found, polar(model, site))
    # The mount was set down 46' too high and 30' to the west.
    assert found["altitude_error_arcmin"] == pytest.approx(46.0, abs=0.3)
    assert found["azimuth_error_arcmin"] == pytest.approx(-30.0, abs=0.3)
    assert {(move["adjuster"], move["direction"]) for move in found["moves"]} == {
        ("altitude", "lower"),
        ("azimuth", "east"),
    }
    assert found["dof"] == 2 * model.run.used - len(model.names)


def test_polar_of_an_altaz_says_which_way_it_leans(answer):
    found = answer("polar", "altaz.ecsv", "--site", "altaz.toml")
    for key in (
        "altitude_error_arcmin", "altitude_stderr_arcmin", "altitude_ci95_arcmin", "azimuth_error_arcmin",
        "azimuth_stderr_arcmin", "azimuth_ci95_arcmin",
    ):  # fmt: skip
        assert found[key] is None, key
    assert found["tilt_north_arcmin"] == pytest.approx(5.0, abs=0.3)
    assert found["tilt_east_arcmin"] == pytest.approx(-200.0 / 60.0, abs=0.3)
    assert 0.0 < found["tilt_north_stderr_arcmin"] < 0.1
    assert 0.0 < found["tilt_east_stderr_arcmin"] < 0.1
    # 15" of the sky's turning a second, times cos 35 degrees.
    assert found["clock_error_arcsec_per_s"] == pytest.approx(15.041 * 0.81915, abs=1e-3)
    assert number(found["total_error_arcmin"])
    assert len(found["moves"]) == 2


def check_fit(found, model, table, site):
    scored, error = score(model, table), sky_error(model, usable_sky(site))
    assert found["points"] == len(table)
    assert found["used"] == model.run.used
    assert found["dof"] == model.dof
    for key, value in (
        ("rms_arcsec", scored.rms),
        ("loo_rms_arcsec", scored.loo_rms),
        ("loo_expected_arcsec", scored.loo_expected),
        ("sigma_arcsec", model.sigma),
        ("sky_rms_arcsec", error.rms),
        ("fresh_rms_arcsec", error.fresh),
        ("sky_p95_arcsec", error.p95),
    ):
        assert found[key] == pytest.approx(value.to_value(u.arcsec), abs=1e-6), key
    assert [term["name"] for term in found["terms"]] == list(model.names)
    for term, row in zip(found["terms"], model.terms, strict=True):
        assert term["value_arcsec"] == pytest.approx(row["value"].value, abs=1e-6)
        assert term["stderr_arcsec"] == pytest.approx(row["stderr"].value, abs=1e-6)
        assert term["ci95_arcsec"] == pytest.approx(row["ci95"].value, abs=1e-6)
        assert 0.0 <= term["p"] <= 1.0
        assert term["verdict"] in {"significant", "not significant", "not determined"}


def test_fit_answers_with_the_librarys_numbers_and_saves_the_model(answer, first):
    site, table, model = first
    found = answer("fit", "before.ecsv", "--site", "site.toml", "--out", "new.json")
    check_fit(found, model, table, site)
    assert found["rejected"] == []
    left = structure(model, table)
    assert [each["name"] for each in found["structure"]] == [each.name for each in left.findings]
    assert [each["p"] for each in found["structure"]] == [
        each.p and pytest.approx(each.p, rel=1e-5) for each in left.findings
    ]
    assert [each["found"] for each in found["structure"]] == [each.found for each in left.findings]
    assert found["sigma_arcsec"] == pytest.approx(1.2, rel=0.5)
    saved = load_model("new.json")
    assert saved.names == model.names
    assert np.degrees(saved.values_rad) * 3600.0 == pytest.approx(
        np.degrees(model.values_rad) * 3600.0, abs=1e-9
    )


def test_fit_names_the_rows_that_it_rejects(job, answer):
    lines = (job / "before.ecsv").read_text().splitlines()
    cells = lines[-3].split(",")
    cells[lines[-POINTS - 1].split(",").index("solved_dec_deg")] = "12.5"
    lines[-3] = ",".join(cells)
    (job / "false.ecsv").write_text("\n".join(lines) + "\n")
    found = answer("fit", "false.ecsv", "--site", "site.toml")
    assert [(each["row"], each["frame"]) for each in found["rejected"]] == [
        (POINTS - 2, f"frame-{POINTS - 2}.fits")
    ]
    assert "false plate solution" in found["rejected"][0]["reason"]
    assert (found["points"], found["used"]) == (POINTS, POINTS - 1)


def test_fit_takes_terms_by_name_and_by_set(answer):
    names = "polar_altitude,polar_azimuth,primary_zero,secondary_zero,cone"
    few = answer("fit", "before.ecsv", "--site", "site.toml", "--terms", names)
    assert {term["name"] for term in few["terms"]} == set(names.split(","))
    many = answer("fit", "before.ecsv", "--site", "site.toml", "--terms", "extended")
    assert len(many["terms"]) > len(few["terms"])


def test_fit_says_of_every_term_what_leaving_it_out_costs_and_why_it_is_judged_so(answer, first):
    _, table, model = first
    found = answer("fit", "before.ecsv", "--site", "site.toml")
    for term, each in zip(found["terms"], term_evidence(model, table), strict=True):
        assert term["loo_rms_without_arcsec"] == pytest.approx(each.loo_rms_without_rad / ARCSEC, abs=1e-6)
        assert (term["correlates_with"], term["reason"]) == (each.correlates_with, each.reason)
        assert term["correlation"] == pytest.approx(each.correlation, abs=1e-4)
    assert found["selected"] is None
    assert found["selection"] is None


def test_fit_select_answers_with_the_librarys_selection_and_saves_its_model(job, answer, first):
    site, _, _ = first
    take_run(job / "site.toml", job / "twisted.ecsv", errors("fork", 25.0, -40.0) | {"fork_twist": 300.0}, 5)
    selection = select_terms(read_run("twisted.ecsv", site), site)
    assert selection.added == ("fork_twist",)
    found = answer("fit", "twisted.ecsv", "--site", "site.toml", "--select", "--out", "twisted.json")
    assert found["selected"] == ["fork_twist"]
    assert found["selection"]["started_from"] == list(selection.started_from)
    assert "follow a selection" in found["selection"]["intervals"]
    verdicts = {term["name"]: term["verdict"] for term in found["terms"]}
    assert verdicts["fork_twist"] == "added"
    assert set(verdicts.values()) <= {"added", "kept", "not needed"}
    for tried, each in zip(found["selection"]["tried"], selection.candidates, strict=True):
        assert (tried["name"], tried["verdict"], tried["reason"]) == (each.name, each.verdict, each.reason)
        if each.verdict == "not found":
            assert tried["detectable_arcsec"] == pytest.approx(each.detectable_rad / ARCSEC, abs=1e-6)
            assert tried["p_adjusted"] > SELECTION_TESTED_AT
    for term, limit, row in zip(found["terms"], selection.limits, selection.model.terms, strict=True):
        assert term["ci95_arcsec"] == pytest.approx(limit * row["stderr"].value, abs=1e-5)
    assert load_model("twisted.json").selected == ("fork_twist",)


@pytest.fixture
def seen(monkeypatch):
    """Calls of the library by the command, and what they gave."""

    def watch(module, name):
        real, results = getattr(module, name), []

        def watched(*arguments, **options):
            results.append(real(*arguments, **options))
            return results[-1]

        monkeypatch.setattr(module, name, watched)
        return results

    return watch


def test_plan_answers_with_the_librarys_plan(job, answer, seen):
    results = seen(skysample.planning, "plan")
    found = answer("plan", "site.toml", "--points", 5, "--when", "2026-03-02T21:00:00", "--out", "plan.ecsv")
    (made,) = results
    assert made.start.isot == "2026-03-02T21:00:00.000"
    camera = made.site.camera
    assert found["points"] == len(found["rows"]) == 5
    assert found["sky_sr"] == pytest.approx(made.sky.area_sr, abs=1e-6)
    assert found["covering_radius_deg"] == pytest.approx(np.degrees(made.grid.covering_radius_rad), abs=1e-6)
    assert found["min_separation_deg"] == pytest.approx(np.degrees(made.grid.min_separation_rad), abs=1e-6)
    assert found["slew_s"] == pytest.approx(made.slew_s, abs=0.01)
    assert found["total_s"] == pytest.approx(
        found["slew_s"] + 5 * (camera.exposure_s + camera.overhead_s), abs=0.02
    )
    assert found["dome_deg"] == pytest.approx(sum(row["dome_move_deg"] for row in found["rows"]), abs=0.02)
    assert found["dome_moves"] == sum(row["dome_move_deg"] > 0.0 for row in found["rows"])
    assert 0.0 < found["bound_s"] <= found["slew_s"]
    assert found["gap"] == pytest.approx(found["slew_s"] / found["bound_s"] - 1.0, abs=1e-3)
    for row in found["rows"]:
        assert set(row) >= PLAN_COLUMNS
        assert 30.0 <= row["alt_deg"] <= 85.0
        assert row["pier"] is None
        assert re.fullmatch(r"2026-03-02T21:\d\d:\d\d\.\d{3}", row["start_utc"])
    assert sorted(row["point"] for row in found["rows"]) == [1, 2, 3, 4, 5]
    header = (job / "plan.ecsv").read_text()
    assert "skysample-plan" in header
    assert all(column in header for column in PLAN_COLUMNS)


def test_a_plan_says_what_a_dome_weight_would_save_and_cost(answer, run):
    asked = ("plan", "site.toml", "--points", 12, "--trade-off")
    found = answer(*asked)
    first, *calmer = found["front"]
    assert found["dome_weight"] == first["dome_weight"] == 0.0
    assert first["slew_s"] == found["slew_s"]
    assert first["dome_moves"] == found["dome_moves"]
    assert calmer
    assert all(each["dome_moves"] < first["dome_moves"] for each in calmer)
    assert all(each["slew_s"] > first["slew_s"] for each in calmer)
    weight = calmer[-1]["dome_weight"]
    text = " ".join(run(*asked)[1].split())
    assert f"With --dome-weight {weight:g}: " in text
    chosen = answer("plan", "site.toml", "--points", 12, "--dome-weight", weight)
    assert chosen["front"] == []
    assert chosen["dome_moves"] < first["dome_moves"]


def test_the_trade_off_is_worked_out_only_where_it_is_asked_for(answer, run, monkeypatch):
    monkeypatch.setattr("skysample.planning.plan_table.front", lambda *_, **__: pytest.fail("was worked out"))
    assert answer("plan", "site.toml", "--points", 5)["front"] == []
    assert "--dome-weight" not in run("plan", "site.toml", "--points", 5)[1]


def test_a_plan_without_a_trade_off_to_offer_says_why(answer, run):
    arguments = ("plan", "site.toml", "--points", 4, "--order", "nearest", "--trade-off")
    assert answer(*arguments)["front"] == []
    assert "No trade-off: that needs the annealed order" in run(*arguments)[1].replace("\n", " ")


def test_nobody_is_told_to_turn_a_bolt_without_the_cautions(run):
    for command in (("polar", "before.ecsv"), ("compare", "after.ecsv", "before.ecsv")):
        text = run(*command, "--site", "site.toml")[1]
        assert text.index("Before you touch a bolt:") < text.index("Turn, in this order")


def test_a_plan_without_a_time_says_that_the_sun_was_not_checked(answer, run):
    arguments = ("plan", "site.toml", "--points", 3, "--order", "nearest")
    found = answer(*arguments)
    assert found["sun_checked"] is False
    assert {row["ra_icrs_deg"] for row in found["rows"]} == {None}
    assert "the Sun was not checked" in run(*arguments)[1].replace("\n", " ")


def test_a_plan_that_clouds_stopped_goes_on_with_the_rest(job, answer):
    planned = answer("plan", "site.toml", "--points", 5, "--out", "plan.ecsv")["rows"]
    rows = [
        "point,status,solved_ra_deg,solved_dec_deg",
        *(f"{row['point']},failed,," for row in planned[:2]),
    ]
    (job / "part.csv").write_text("\n".join(rows) + "\n")
    found = answer("plan", "site.toml", "--plan", "plan.ecsv", "--resume", "part.csv", "--order", "nearest")
    left = {row["point"] for row in found["rows"]}
    assert left >= {row["point"] for row in planned[2:]}
    assert not left & {row["point"] for row in planned[:2]}


def test_a_plan_with_a_model_says_what_the_axes_have_to_read(answer):
    found = answer("plan", "site.toml", "--points", 3, "--order", "nearest", "--model", "model.json")
    # Axes that read so point where the plan wants them: by the mount itself, whose errors the model was fitted to.
    mount = SimulatedMount("fork", 35.0, terms_arcsec=errors("fork", 2760.0, -1800.0))
    for row in found["rows"]:
        alt, az = mount.point(np.radians(row["primary_deg"]), np.radians(row["secondary_deg"]))
        there, wanted = direction(alt, az), direction(*np.radians([row["alt_deg"], row["az_deg"]]))
        assert np.degrees(np.linalg.norm(there - wanted)) * 3600.0 < 10.0


def test_size_answers_with_the_librarys_table(answer, first, seen):
    results = seen(skysample.sizing, "points_needed")
    found = answer("size", "site.toml", "--model", "model.json", "--terms", "standard")
    _, _, model = first
    (need,) = results
    assert found["recommended"] == need.recommended > len(model.names) / 2
    assert found["target_arcsec"] == pytest.approx(0.5 * model.sigma.value, abs=1e-6)
    assert [row["points"] for row in found["table"]] == need.table["points"].tolist()
    for row, known in zip(found["table"], need.table, strict=True):
        for key, column in (
            ("sky_rms_arcsec", "sky_rms"),
            ("sky_p95_arcsec", "sky_p95"),
            ("detectable_arcsec", "detectable"),
            ("minutes", "minutes"),
        ):
            assert row[key] == pytest.approx(known[column].value, abs=1e-6)
    assert found["recommended"] in {row["points"] for row in found["table"]}


def test_size_with_the_models_own_run_says_how_few_would_have_done_and_draws_both(answer):
    found = answer(
        "size", "site.toml", "--model", "model.json", "--terms", "standard", "--failed-share", "0",
        "--run", "before.ecsv", "--target-arcsec", "20", "--chart", "size.png",
    )  # fmt: skip
    learning = found["learning"]
    assert 0 < learning["would_have_done"] <= learning["points"]
    assert learning["table"][-1]["points"] == learning["points"]
    assert learning["table"][-1]["missed_arcsec"] is None
    assert found["informed"]["recommended"] <= found["recommended"]
    assert Path("size.png").read_bytes().startswith(b"\x89PNG")


def test_progress_is_a_no_with_the_next_points_until_it_is_enough(answer, run, job):
    assert run("plan", "site.toml", "--points", POINTS, "--out", "taken.ecsv")[0] == 0
    grid = read_plan("taken.ecsv", load_site("site.toml"))
    by_number = grid.grid.directions[grid.order][np.argsort(grid.numbers)]
    take_run(
        job / "site.toml", job / "run.ecsv", errors("fork"), 4, places=np.stack(alt_az(by_number), axis=1)
    )
    arguments = ("progress", "run.ecsv", "--site", "site.toml", "--plan", "taken.ecsv", "--terms", "standard")
    no = answer(*arguments, "--target-arcsec", "1e-3", code=1)
    assert (no["taken"], no["enough"], no["reachable"]) == (POINTS, False, False)
    yes = answer(*arguments, "--target-arcsec", "100")
    assert yes["enough"]
    assert yes["next_points"] == []
    code, out, _ = run(*arguments, "--target-arcsec", "100")
    assert code == 0
    assert " ".join(out.split()).endswith("stop.")
    assert all(len(line) <= 80 for line in out.splitlines())


def test_size_beyond_its_limit_is_a_no(run):
    code, out, err = run(
        "size", "site.toml", "--model", "model.json", "--target-arcsec", "0.01", "--max-points", 20,
        "--terms", "standard", "--json",
    )  # fmt: skip
    assert (code, out) == (1, "")
    assert err.startswith("skysample: 0.01")
    assert "needs more than 20 points" in err
    assert err.count("\n") == 1


def test_compare_answers_whether_the_adjustment_worked(answer):
    site = load_site("site.toml")
    before, after = (polar(fit(read_run(f"{name}.ecsv", site), site), site) for name in ("before", "after"))
    found = answer("compare", "before.ecsv", "after.ecsv", "--site", "site.toml")
    assert found["within_limit"] is True
    check_polar(found["before"], before)
    check_polar(found["after"], after)
    assert found["upper_total_arcmin"] == pytest.approx(compare(before, after).upper_total.value, abs=1e-6)
    back = answer("compare", "after.ecsv", "before.ecsv", "--site", "site.toml", code=1)
    assert back["within_limit"] is False
    assert back["before"] == found["after"]
    strict = answer(
        "compare", "before.ecsv", "after.ecsv", "--site", "site.toml", "--limit-arcmin", 0.1, code=1
    )
    assert strict["within_limit"] is False


def test_polar_says_how_far_stars_trail_and_at_a_place_that_is_named(answer, run):
    worst = answer("polar", "before.ecsv", "--site", "site.toml")
    assert [row["minutes"] for row in worst["trails"]] == pytest.approx([10 / 60, 1, 5, 20, 60], abs=1e-6)
    assert worst["at"] is None
    # The site file does not describe the camera's pixels.
    assert worst["trails"][0]["corner_with_px"] is None
    near = answer("polar", "before.ecsv", "--site", "site.toml", "--at", "36,10")
    assert near["at"] == {"alt_deg": 36.0, "az_deg": 10.0}
    site = load_site("site.toml")
    there = SkyCoord(alt=36 * u.deg, az=10 * u.deg, frame="altaz")
    named = trail(polar(fit(read_run("before.ecsv", site), site), site), at=there)
    assert [row["turn_with_deg"] for row in near["trails"]] == pytest.approx(
        [row.turn_with_deg for row in named.rows], rel=1e-6
    )
    assert near["trails"][4]["turn_with_deg"] < 0.5 * worst["trails"][4]["turn_with_deg"]
    words = run("polar", "before.ecsv", "--site", "site.toml", "--at", "36,10")[1].replace("\n", " ")
    assert f'drifts {named.rows[-1].drift_arcsec:.2f}" in 60 min' in words
    assert near["inherent_rotation_deg_per_hour"] is None
    assert answer("polar", "altaz.ecsv", "--site", "altaz.toml")["inherent_rotation_deg_per_hour"] > 15.0
    for wrong in ("36", "36,x", "-5,10", "95,10", "nan,1"):
        code, out, err = run("polar", "before.ecsv", "--site", "site.toml", "--at", wrong)
        assert (code, out) == (2, "")
        assert "write altitude and azimuth in degrees" in err


def test_compare_tells_each_bolt_each_term_and_the_next_move(answer):
    found = answer("compare", "before.ecsv", "after.ecsv", "--site", "site.toml")
    assert [each["adjuster"] for each in found["adjusters"]] == ["altitude", "azimuth"]
    # Both bolts are short by less than an eighth of a turn.
    assert [each["verdict"] for each in found["adjusters"]] == ["close", "close"]
    for each, move in zip(found["adjusters"], found["before"]["moves"], strict=True):
        assert abs(each["asked_arcmin"]) == pytest.approx(move["arcmin"], abs=1e-6)
        assert each["miss_arcmin"] == pytest.approx(each["made_arcmin"] - each["asked_arcmin"], abs=1e-5)
    verdicts = {term["name"]: term["verdict"] for term in found["terms"]}
    assert {name for name, verdict in verdicts.items() if verdict == "moved"} == {
        "polar_altitude",
        "polar_azimuth",
    }
    assert found["next_moves"] == []
    assert found["sentences"][-1].startswith("Leave the bolts alone")


def test_tracking_of_a_log_without_a_site_fits_the_drift(job, answer, run):
    rng = np.random.default_rng(2)
    seconds = np.arange(0.0, 900.0, 3.0)
    values = 0.3 * np.sin(seconds / 20.0) + 0.01 * seconds + rng.normal(0.0, 0.05, len(seconds))
    rows = [f"{s},{v:.5f}" for s, v in zip(seconds, values, strict=True)]
    (job / "guide.csv").write_text("\n".join(["elapsed_s,east_error_arcsec", *rows]) + "\n")
    found = answer("tracking", "guide.csv")
    (east,) = found["components"]
    assert east["drift_arcsec_per_min"] == pytest.approx(0.6, abs=5 * east["drift_stderr_arcsec_per_min"])
    assert east["periods"][0]["period_s"] == pytest.approx(40.0 * np.pi, rel=0.01)
    assert east["verdict"] == "worse"
    assert "no drift is predicted" in found["sentences"][-1]
    code, out, err = run("tracking", "guide.csv", "--model", "model.json")
    assert (code, out) == (2, "")
    assert "--model goes with --site" in err
    code, out, err = run("tracking", "guide.csv", "--site", "site.toml")
    assert (code, out) == (2, "")
    assert "guide.csv: counts seconds only" in err


def test_a_result_is_not_written_over_a_file_of_another_kind(job, run):
    before = {path.name: path.read_bytes() for path in job.iterdir() if path.is_file()}
    for arguments in (
        ("plan", "site.toml", "--points", 4, "--out", "before.ecsv"),
        ("fit", "after.ecsv", "--site", "site.toml", "--out", "before.ecsv"),
        ("report", "after.ecsv", "--site", "site.toml", "--out", "before.ecsv"),
    ):
        code, _, err = run(*arguments)
        assert code == 2
        assert "before.ecsv: is a skysample-run file, which would be lost; name another" in err
    code, _, err = run("plan", "site.toml", "--points", 4, "--out", "model.json")
    assert (code, "is a skysample-model file, which would be lost" in err) == (2, True)
    assert {path.name: path.read_bytes() for path in job.iterdir() if path.is_file()} == before


def test_a_plan_by_day_says_that_the_sun_is_up(run):
    arguments = ("plan", "site.toml", "--points", 4, "--order", "nearest", "--when")
    day = run(*arguments, "2026-06-14T13:20:00")[1].replace("\n", " ")
    assert re.search(r"The Sun is up: altitude \d\d, azimuth \d+\. .*do not run this unattended", day)
    assert "The Sun is up" not in run(*arguments, "2026-06-14T23:20:00")[1]


def test_polar_says_first_what_its_answer_rests_on(run, answer):
    found = answer("polar", "before.ecsv", "--site", "site.toml")
    assert (found["points"], found["used"]) == (POINTS, POINTS)
    first = run("polar", "before.ecsv", "--site", "site.toml")[1].splitlines()[0]
    assert first.startswith(f'{POINTS} of {POINTS} points used; residual {found["rms_arcsec"]:.2f}" RMS')


def test_compare_says_what_to_turn_next_when_the_answer_is_no(run):
    code, out, err = run("compare", "after.ecsv", "before.ecsv", "--site", "site.toml")
    assert (code, err) == (1, "")
    assert "not shown to be within 30'" in out.replace("\n", " ")
    assert "Turn, in this order" in out


def test_report_writes_one_page_and_names_it(job, answer):
    found = answer(
        "report", "after.ecsv", "--site", "site.toml", "--before", "before.ecsv", "--out", "left.html"
    )
    assert found == {"file": "left.html"}
    page = (job / "left.html").read_text()
    assert page.startswith("<!")
    assert "Hollow Hill" in page


def test_gather_names_what_it_skips(answer):
    from astropy.io import fits
    from astropy.wcs import WCS

    wcs = WCS(naxis=2)
    wcs.wcs.crpix, wcs.wcs.crval, wcs.wcs.cdelt = [50, 50], [150.0, 20.0], [-1e-3, 1e-3]
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    header = wcs.to_header()
    header.update({"DATE-OBS": "2026-03-02T21:00:00", "EXPTIME": 10.0, "RA": 150.0, "DEC": 20.0})
    fits.PrimaryHDU(np.zeros((100, 100), np.uint8), header).writeto("one.fits")
    header["DATE-OBS"] = "2026-03-02T21:01:00"
    fits.PrimaryHDU(np.zeros((100, 100), np.uint8), header).writeto("two.fits")
    found = answer("gather", "one.fits", "two.fits", "site.toml", "gone.fits", "--out", "run.ecsv")
    assert found["points"] == 2
    assert {each["file"] for each in found["skipped"]} == {"site.toml", "gone.fits"}
    assert all(each["reason"] for each in found["skipped"])
    again = read_run("run.ecsv", load_site("site.toml"), assume={"axes": "raw"})
    assert len(again) == 2


def test_plugins_lists_the_core_and_what_it_answers(answer):
    found = answer("plugins")["plugins"]
    hooks = {hook for each in found for hook in each["hooks"] if each["distribution"] == "skysample"}
    assert hooks == {"skysample_obstructions", "skysample_orderings", "skysample_terms"}


@pytest.mark.parametrize("assumed", ["old_model=on", "axes=corrected", " old_model = On "])
def test_polar_is_not_determined_where_a_model_was_active(run, answer, assumed):
    code, out, err = run("polar", "before.ecsv", "--site", "site.toml", "--assume", assumed, "--json")
    assert (code, out) == (1, "")
    assert err.startswith("skysample: not determined: a pointing model was active in the mount")
    assert err.count("\n") == 1
    fitted = answer("fit", "before.ecsv", "--site", "site.toml", "--assume", assumed)
    assert "on" in fitted["old_model"] or fitted["axes"] == "corrected"


def test_an_undeclared_run_answers_under_a_condition(run, answer):
    unknown = ("--assume", "axes=unknown", "--assume", "old_model=unknown")
    code, out, _ = run("polar", "before.ecsv", "--site", "site.toml", *unknown)
    assert code == 0
    assert out.startswith("If no model was active in the mount:")
    found = answer("polar", "before.ecsv", "--site", "site.toml", *unknown)
    assert found["condition"].startswith("If no model was active in the mount")
    assert answer("polar", "before.ecsv", "--site", "site.toml")["condition"] is None


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(run, command):
    code, out, err = run(command, "--help")
    assert (code, err) == (0, "")
    assert f"skysample {command}" in out
    assert "--json" in out


def test_alone_the_command_says_what_it_can_do(run):
    code, out, err = run()
    assert (code, err) == (0, "")
    assert all(re.search(rf"^\s+{command}\s", out, re.MULTILINE) for command in COMMANDS)
    assert run("--help")[:2] == (0, out)


def test_the_version_is_the_packages(run):
    assert run("--version") == (0, f"skysample {skysample.__version__}\n", "")


@pytest.mark.parametrize(
    "arguments",
    [
        ("polar", "before.ecsv", "--site", "site.toml"),
        ("fit", "before.ecsv", "--site", "site.toml"),
        ("fit", "before.ecsv", "--site", "site.toml", "--select"),
        ("compare", "before.ecsv", "after.ecsv", "--site", "site.toml"),
        ("plan", "site.toml", "--points", 4, "--order", "nearest"),
        ("plugins",),
    ],
)
def test_words_for_the_night_are_plain_and_narrow(run, arguments):
    _, out, err = run(*arguments)
    assert err == ""
    assert out.isascii()
    assert "\x1b" not in out
    assert max(map(len, out.splitlines())) <= 80


def shell(*arguments, folder, **options):
    command = [sys.executable, "-m", "skysample", *map(str, arguments)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "timeout": 120, **options}
    return subprocess.run(command, cwd=folder, check=False, **pipes)  # noqa: S603 - our own interpreter


def test_help_lists_every_command_before_any_of_them_loads_what_it_works_with(tmp_path):
    code = (
        "import sys; from skysample.cli.main import run_command; run_command(['--help']);"
        " sys.exit('numpy' in sys.modules)"
    )
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, check=False)  # noqa: S603 - our own
    assert done.returncode == 0
    listed = done.stdout.decode().partition("Commands:")[2].split()
    assert {"plan", "polar", "tracking", "plugins"} <= set(listed)


def test_python_m_is_the_command(job, run):
    done = shell("polar", "before.ecsv", "--site", "site.toml", "--json", folder=job)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.decode() == run("polar", "before.ecsv", "--site", "site.toml", "--json")[1]


def test_no_colour_is_used_even_where_it_is_forced(job):
    loud = {
        **os.environ,
        "FORCE_COLOR": "1",
        "CLICOLOR_FORCE": "1",
        "PY_COLORS": "1",
        "TERM": "xterm-256color",
    }
    quiet = {**loud, "NO_COLOR": "1"}
    for environment, arguments, code in (
        (loud, ("polar", "before.ecsv", "--site", "site.toml"), 0),
        (loud, ("plan",), 2),
        (quiet, ("--help",), 0),
    ):
        done = shell(*arguments, folder=job, env=environment)
        assert done.returncode == code
        assert b"\x1b" not in done.stdout + done.stderr


@pytest.mark.parametrize(
    ("words", "at", "expected"),
    [("skysample po", 1, ["polar"]), ("skysample plan --re", 2, ["--resume"]), ("skysample nothing", 1, [])],
)
def test_the_tab_key_completes_commands_and_options(tmp_path, words, at, expected):
    asked = {"_SKYSAMPLE_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(at)}
    done = shell(folder=tmp_path, env={**os.environ, **asked})
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.decode().split() == expected


def test_a_reader_who_has_seen_enough_is_no_defect(job):
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "wb") as nobody:
        done = shell("plugins", "--json", folder=job, stdout=nobody)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_an_output_that_takes_nothing_is_said(job):
    with Path("/dev/full").open("wb") as full:
        done = shell("plugins", "--json", folder=job, stdout=full)
    assert done.returncode == 2
    assert done.stderr.decode().startswith("skysample: the output: cannot be read or written")
    assert done.stderr.count(b"\n") == 1


def test_a_name_in_letters_that_the_terminal_lacks_is_still_printed(job):
    lines = (job / "before.ecsv").read_text().replace("frame-03.fits", "nébula.fits").splitlines()
    cells = lines[-POINTS + 2].split(",")
    cells[lines[-POINTS - 1].split(",").index("solved_dec_deg")] = "12.5"
    lines[-POINTS + 2] = ",".join(cells)
    (job / "nébula.ecsv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    ascii_only = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = shell("fit", "nébula.ecsv", "--site", "site.toml", folder=job, env=ascii_only)
    assert (done.returncode, done.stderr) == (0, b"")
    assert rb"n\xe9bula.fits" in done.stdout


def test_commands_that_only_read_write_nothing(job, run):
    held = digests(job)
    for arguments in (
        ("polar", "before.ecsv", "--site", "site.toml"),
        ("fit", "before.ecsv", "--site", "site.toml"),
        ("compare", "before.ecsv", "after.ecsv", "--site", "site.toml"),
        ("plan", "site.toml", "--points", 3, "--order", "nearest"),
    ):
        assert run(*arguments)[0] == 0
    assert digests(job) == held


STAR_NIGHT = ("--star", "--when", "2026-03-02T22:00:00")


def test_a_star_is_named_with_its_commands_and_its_places_on_the_camera(answer, first):
    site, table, model = first
    found = answer("polar", "before.ecsv", "--site", "site.toml", *STAR_NIGHT)
    star = skysample.adjusting_star(model, site, Time("2026-03-02T22:00:00"), table)
    told = found["star"]
    assert found["no_star"] is None
    assert told["name"] == star.star
    assert told["accuracy_arcsec"] == pytest.approx(
        told["amplification"] * np.hypot(told["centring_arcsec"], told["model_error_arcsec"]), abs=1e-4
    )
    assert told["amplification"] <= 2.0
    assert [each["utc"][11:16] for each in told["commands"]][:2] == [star.when.isot[11:16], "22:05"]
    last = told["steps"][-1]
    assert [last["hour_angle_deg"], last["dec_deg"]] == pytest.approx(star.axes().value.tolist(), abs=1e-5)
    assert last["share"] == 1.0
    assert [place["moment"] for place in told["whole"]["places"]] == ["before", "between", "after"]
    assert answer("polar", "before.ecsv", "--site", "site.toml")["star"] is None


def test_the_star_is_told_in_the_order_to_do_it(run):
    code, out, err = run("polar", "before.ecsv", "--site", "site.toml", *STAR_NIGHT)
    assert (code, err) == (0, "")
    order = [out.index(words) for words in (
        "Turn, in this order", "By a star:", "Before bolts are turned under a star:", "Do, in this order:",
        "send the axes to", "Go on sending it", "Lock out all slews", "the star goes to the middle.",
        "Clamp while you watch",
    )]  # fmt: skip
    assert order == sorted(order)
    assert max(map(len, out.splitlines())) <= 80


def test_an_error_in_centring_is_taken_as_given(answer):
    found = answer("polar", "before.ecsv", "--site", "site.toml", *STAR_NIGHT, "--centring-arcsec", "7")
    assert found["star"]["centring_arcsec"] == 7.0


def test_where_there_is_no_star_the_moves_are_told_and_the_answer_is_no(run, answer, job):
    text = (job / "site.toml").read_text("utf-8")
    (job / "narrow.toml").write_text(re.sub(r"altitude_min_deg = \S+", "altitude_min_deg = 80", text))
    code, out, err = run("polar", "before.ecsv", "--site", "narrow.toml", *STAR_NIGHT)
    assert (code, err) == (1, "")
    assert "No bright star can show the move within a day" in out
    assert "Turn, in this order" in out
    found = answer("polar", "before.ecsv", "--site", "narrow.toml", *STAR_NIGHT, code=1)
    assert found["star"] is None
    assert "no bright star" in found["no_star"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("before.ecsv", "--site", "site.toml", "--when", "2026-03-02T22:00:00"), "--when goes with --star"),
        (
            ("before.ecsv", "--site", "site.toml", "--centring-arcsec", "3"),
            "--centring-arcsec goes with --star",
        ),
        (("altaz.ecsv", "--site", "altaz.toml", *STAR_NIGHT), "no polar axis"),
        (("before.ecsv", "--site", "site.toml", "--star", "--when", "soon"), "--when"),
    ],
)
def test_a_star_that_cannot_be_asked_for_is_refused(run, arguments, words):
    code, out, err = run("polar", *arguments)
    assert (code, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1

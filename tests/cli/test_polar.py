"""The command `polar`."""

from __future__ import annotations

import json
import re
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
from skysample.fitting import fit
from skysample.runs import read_run
from skysample.site import load_site
from skysample.tracking_errors.trails import trail
from tests.cli.conftest import check_polar, number
from tests.job_folder import POINTS


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
    words = run("polar", "before.ecsv", "--site", "site.toml", "--at", "36,10", "--details")[1].replace(
        "\n", " "
    )
    assert f'drifts {named.rows[-1].drift_arcsec:.2f}" in 60 min' in words
    assert near["inherent_rotation_deg_per_hour"] is None
    assert answer("polar", "altaz.ecsv", "--site", "altaz.toml")["inherent_rotation_deg_per_hour"] > 15.0
    for wrong in ("36", "36,x", "-5,10", "95,10", "nan,1"):
        code, out, err = run("polar", "before.ecsv", "--site", "site.toml", "--at", wrong)
        assert (code, out) == (2, "")
        assert "write altitude and azimuth in degrees" in err


def test_polar_says_first_what_its_answer_rests_on(run, answer):
    found = answer("polar", "before.ecsv", "--site", "site.toml")
    assert (found["points"], found["used"]) == (POINTS, POINTS)
    verdict, rests_on, *_ = run("polar", "before.ecsv", "--site", "site.toml")[1].splitlines()
    assert verdict == "Turn: nothing in the run contradicts its inputs."
    assert rests_on.startswith(f'{POINTS} of {POINTS} points used; residual {found["rms_arcsec"]:.2f}" RMS')


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
    assert out.splitlines()[1].startswith("This holds only if no model was active in the mount")
    found = answer("polar", "before.ecsv", "--site", "site.toml", *unknown)
    assert found["condition"].startswith("This holds only if no model was active in the mount")
    assert answer("polar", "before.ecsv", "--site", "site.toml")["condition"] is None


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


def test_the_star_comes_in_the_order_of_the_work(run):
    code, out, err = run("polar", "before.ecsv", "--site", "site.toml", *STAR_NIGHT)
    assert (code, err) == (0, "")
    order = [out.index(words) for words in (
        "Turn the bolts in this order", "Adjust with a star:", "Before you turn a bolt under a star:",
        "Do this, in this order:", "send the axes to", "Resend it at least every", "Lock out every slew",
        "the star moves to the centre.", "Watch the star while you clamp",
    )]  # fmt: skip
    assert order == sorted(order)
    assert max(map(len, out.splitlines())) <= 80


def test_an_error_in_centring_is_taken_as_given(answer):
    found = answer("polar", "before.ecsv", "--site", "site.toml", *STAR_NIGHT, "--centring-arcsec", "7")
    assert found["star"]["centring_arcsec"] == 7.0


def test_without_a_star_the_moves_are_given_and_the_answer_is_no(run, answer, job):
    text = (job / "site.toml").read_text("utf-8")
    (job / "narrow.toml").write_text(re.sub(r"altitude_min_deg = \S+", "altitude_min_deg = 80", text))
    code, out, err = run("polar", "before.ecsv", "--site", "narrow.toml", *STAR_NIGHT)
    assert (code, err) == (1, "")
    assert "No suitable star within a day" in out
    assert "Turn the bolts in this order" in out
    found = answer("polar", "before.ecsv", "--site", "narrow.toml", *STAR_NIGHT, code=1)
    assert found["star"] is None
    assert "no suitable star" in found["no_star"]


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


def edited(path, change, name):
    """Write a file again with each line changed."""
    lines = Path(path).read_text("utf-8").splitlines()
    Path(name).write_text("\n".join(map(change, lines)) + "\n", "utf-8")
    return name


def hour_late(line):
    """A row whose time is 2 hours ahead."""
    return re.sub(r"T(\d\d):", lambda hour: f"T{(int(hour[1]) + 2) % 24:02d}:", line)


@pytest.fixture
def late(job):
    return edited(job / "before.ecsv", hour_late, job / "late.ecsv").name


def test_no_bolt_is_turned_on_a_run_that_contradicts_its_inputs(run, late):
    code, out, err = run("polar", late, "--site", "site.toml")
    assert (code, err) == (1, "")
    assert out.startswith("Do not turn: the run contradicts its inputs.")
    assert "clock" in out
    assert "Turn the bolts" not in out
    assert "clockwise" not in out
    code, out, _ = run("polar", late, "--site", "site.toml", "--json")
    found = json.loads(out)
    assert (code, found["trust"], found["moves"], found["feet"]) == (1, "do not turn", [], [])
    assert {"cause", "sentence", "evidence", "fix", "moves_wrong_by_arcmin"} == set(found["causes"][0])
    code, out, _ = run("check", late, "--site", "site.toml", "--json")
    assert (code, json.loads(out)["causes"]) == (1, found["causes"])


def test_whoever_knows_better_gets_the_moves_and_leaves_the_reason(run, late):
    code, out, _ = run("polar", late, "--site", "site.toml", "--turn-anyway", "a test of the wedge", "--json")
    found = json.loads(out)
    assert (code, found["trust"], found["turn_anyway"]) == (0, "do not turn", "a test of the wedge")
    assert len(found["moves"]) == 2
    words = run("polar", late, "--site", "site.toml", "--turn-anyway", "a test of the wedge")[1]
    assert "Moves given all the same: a test of the wedge" in words
    code, _, err = run("polar", late, "--site", "site.toml", "--turn-anyway", " ")
    assert (code, "--turn-anyway is empty" in err) == (2, True)
    code, _, _ = run("report", late, "--site", "site.toml", "--out", "late.html", "--turn-anyway", "a test")
    assert (code, "Moves given all the same: a test" in Path("late.html").read_text("utf-8")) == (0, True)


def test_the_record_of_an_untrusted_run_gives_no_moves(run, late):
    code, _, err = run("report", late, "--site", "site.toml", "--out", "late.html")
    assert (code, err) == (0, "")
    page = Path("late.html").read_text("utf-8")
    assert "Do not turn: the run contradicts its inputs." in page
    assert "What to turn" not in page


def test_a_pilot_that_is_not_trusted_does_not_size_the_final_run(run, late):
    assert run("fit", late, "--site", "site.toml", "--out", "late.json")[0] == 0
    code, out, err = run("size", "site.toml", "--model", "late.json")
    assert (code, out) == (1, "")
    assert "the pilot run contradicts its inputs" in err


@pytest.mark.parametrize("options", [(), ("--turn-anyway", "a test")])
def test_polar_answers_on_one_screen(run, late, options):
    for file in ("before.ecsv", "after.ecsv", late):
        check_one_screen(run("polar", file, "--site", "site.toml", *options)[1].splitlines())


def check_one_screen(lines):
    assert lines[0].split(":")[0] in {"Turn", "Check first", "Do not turn"}
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80

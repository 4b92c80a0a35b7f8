from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import typer

from skysample.cli import commands
from skysample.cli.main import run_command
from skysample.geometry import alt_az
from skysample.planning.plan_file import read_plan
from skysample.site import load_site
from tests.job_folder import POINTS, digests, take_run
from tests.simulated_nights import errors

PLAN = ("plan", "site.toml", "--points", "3", "--order", "nearest")
POLAR = ("polar", "before.ecsv", "--site", "site.toml")
FIT = ("fit", "before.ecsv", "--site", "site.toml")
SIZE = ("size", "site.toml", "--model", "model.json", "--terms", "standard")
COMPARE = ("compare", "before.ecsv", "after.ecsv", "--site", "site.toml")
REPORT = ("report", "before.ecsv", "--site", "site.toml")
HISTORY = ("history", "model.json", "later.json", "--site", "site.toml")
PROGRESS = ("progress", "going.ecsv", "--plan", "night.ecsv", "--site", "site.toml", "--terms", "standard")


@pytest.fixture(scope="session")
def made(made, tmp_path_factory):
    """The job with a plan, a run of it and a later model besides."""
    folder = shutil.copytree(made, tmp_path_factory.mktemp("job") / "more")
    with contextlib.chdir(folder), contextlib.redirect_stdout(io.StringIO()):
        assert (
            run_command(["plan", "site.toml", "--points", "6", "--order", "nearest", "--out", "plan.ecsv"])
            == 0
        )
        assert run_command(["fit", "after.ecsv", "--site", "site.toml", "--out", "later.json"]) == 0
        night = ["--points", str(POINTS), "--order", "nearest", "--out", "night.ecsv"]
        assert run_command(["plan", "site.toml", *night]) == 0
        taken = read_plan("night.ecsv", load_site("site.toml"))
        places = taken.grid.directions[taken.order][np.argsort(taken.numbers)]
        take_run(
            folder / "site.toml",
            folder / "going.ecsv",
            errors("fork"),
            4,
            places=np.stack(alt_az(places), axis=1),
        )
    rows = [line for line in (folder / "before.ecsv").read_text().splitlines() if not line.startswith("#")]
    (folder / "before.csv").write_text("\n".join(rows) + "\n")
    # Three points of the plan that brought nothing: to be resumed.
    (folder / "part.csv").write_text(
        "point,status,solved_ra_deg,solved_dec_deg\n1,failed,,\n2,failed,,\n3,failed,,\n"
    )
    return folder


@pytest.fixture(autouse=True, scope="module")
def _command_built_once():
    """Typer builds its commands anew for every call; here that would take half of the time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(commands, "app", typer.main.get_command(commands.app))
        yield


def called(arguments):
    """Exit code, stdout and stderr of the command."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run_command([str(each) for each in arguments])
    return code, out.getvalue(), err.getvalue()


def refused(job, *arguments, code=2):
    """What the command says when it refuses; it must touch no file."""
    held = digests(job)
    got, out, err = called([*arguments[:1], "--json", *arguments[1:]])
    assert (got, out) == (code, ""), err
    assert len(err.splitlines()) == err.count("\n") == 1, err
    assert err.startswith("skysample: ")
    assert err[:-1].isprintable()
    assert "Traceback" not in err
    assert digests(job) == held
    return err


@pytest.mark.usefixtures("job")
def test_the_files_that_are_broken_below_are_good():
    for arguments in (
        POLAR,
        ("polar", "before.csv", "--site", "site.toml"),
        FIT,
        PLAN,
        (*PLAN, "--model", "model.json"),
        (*PLAN, "--plan", "plan.ecsv", "--resume", "part.csv"),
        COMPARE,
        HISTORY,
        (*PROGRESS, "--target-arcsec", "100"),
    ):
        assert called(arguments)[0] == 0


# --- the site file ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("latitude_deg", "latitude", "unknown key location.latitude; did you mean location.latitude_deg?"),
        ("[mount]", "[mounts]", "unknown key mounts; did you mean mount?"),
        ("settle_s = 2", "settle = 2", "unknown key mount.settle; did you mean mount.settle_s?"),
        ("rate_deg_s", "speed", "unknown key mount.primary.speed; known keys here: accel_deg_s2, max_deg"),
        ("35.0\n", "95\n", "location.latitude_deg: 95 is not a number from -90 to 90; correct it"),
        (
            "35.0\n",
            "nan\n",
            "location.latitude_deg: nan is not a number from -90 to 90; write a finite number",
        ),
        ("35.0\n", '"35"\n', 'location.latitude_deg: "35" is not a number'),
        ("35.0\n", "true\n", "location.latitude_deg: true is not a number"),
        ("35.0\n", "35,0\n", "is not valid TOML"),
        ("35.0\n", "35 deg\n", "is not valid TOML"),
        ("35.0\n", "9" * 5000 + "\n", "thousands of digits"),
        ('"fork"', '"form"', 'mount.kind: "form" is not one of fork, german, altaz; did you mean fork?'),
        ('"fork"', '"equatorial"', "write one of them"),
        ('"fork"', "fork", "is not valid TOML"),
        ('kind = "fork"', "", "mount.kind is missing; write one of fork, german, altaz"),
        ("[location]", "[nowhere]", "unknown key nowhere"),
        ("altitude_min_deg = 30", "altitude_min_deg = 85", "85 is not below altitude_max_deg 85"),
        ("beam_m = 0.6", "beam_m = 1.2", "dome.beam_m: 1.2 does not fit through the slit"),
        ("pivot_m = [0.0, 0.1, -0.2]", "pivot_m = [0.0, 3.1, 0]", "outside the dome"),
        ("pivot_m = [0.0, 0.1, -0.2]", "pivot_m = [0.0, 0.1]", "dome.pivot_m: [0.0, 0.1] is not a list of 3"),
        ("min_deg = -170", "min_deg = 175", "mount.primary.min_deg: 175 is not below max_deg 170"),
        ("min_deg = -170\n", "", "mount.primary: give both min_deg and max_deg, or neither"),
        (
            "park = [0.0, 35.0]",
            "park = [175.0, 35.0]",
            "mount.park: [175.0, 35.0] is outside the axes' limits",
        ),
        ("altitude_arm_mm = 310\n", "", "wedge.altitude_arm_mm: not given; turns of the altitude bolt need"),
        ("[90, 25]", "[360, 25]", "sky.horizon: azimuth 360 is given twice; keep one"),
        ("[90, 25]", "[90, 125]", "sky.horizon[1][1]: 125 is not a number from -90 to 90"),
        ("[90, 25]", "[90]", "sky.horizon[1]: [90] is not a list of 2"),
        ("[[0, 12], [90, 25], [210, 41], [300, 15]]", '"hills.csv"', "hills.csv: there is no such file"),
        (
            "[[0, 12], [90, 25], [210, 41], [300, 15]]",
            '"before.csv"',
            "a horizon has two, azimuth and altitude",
        ),
        ("[[0, 12], [90, 25], [210, 41], [300, 15]]", '"."', "is a folder"),
        ('"Hollow Hill"', '"a\\nb"\n"x\\u001b[31m\\ny" = 1', "unknown key x"),
    ],
)
def test_a_site_with_a_slip_is_refused_by_every_command_in_the_same_words(job, old, new, words):
    text = (job / "site.toml").read_text()
    assert old in text or old == "settle_s = 2"
    changed = text.replace(old, new, 1) if old in text else text.replace("[mount]", f"[mount]\n{new}")
    (job / "site.toml").write_text(changed)
    said = {
        refused(job, *arguments) for arguments in (POLAR, FIT, PLAN, SIZE, COMPARE, REPORT, HISTORY, PROGRESS)
    }
    assert len(said) == 1
    (line,) = said
    assert words in line
    where = "hills.csv" if "hills.csv" in new else "before.csv" if "before.csv" in new else "site.toml"
    assert line.startswith((f"skysample: {where}: ", "skysample: .: "))


# --- the run file ----------------------------------------------------------------------------------------------


def cell(job, row, column, value, *, name="before.csv"):
    lines = (job / name).read_text().splitlines()
    cells = lines[row].split(",")
    cells[lines[0].split(",").index(column)] = value
    lines[row] = ",".join(cells)
    (job / name).write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("time", "", "row 3: time is empty"),
        ("time", "yesterday", "row 3: time: 'yesterday' is not a date-time"),
        ("time", "2026-02-30T00:00:00", "row 3: time"),
        ("time", "1066-10-14T09:00:00", "the year is not in 1972..2199"),
        ("time", "2026-03-02T24:00:00", "row 3: time"),
        ("time", "61101.5", "row 3: time"),
        ("solved_ra_deg", "361", "row 3: solved_ra_deg is 361, not in -180..360"),
        ("solved_ra_deg", "10h20m", "row 3: solved_ra_deg is '10h20m', not a number"),
        ("solved_dec_deg", "91", "row 3: solved_dec_deg is 91, not in -90..90"),
        ("solved_dec_deg", "", "row 3: solved_dec_deg is empty"),
        ("solved_dec_deg", "nan", "row 3: solved_dec_deg is empty"),
        ("solved_dec_deg", "inf", "row 3: solved_dec_deg is inf"),
        ("solved_dec_deg", "1e999", "row 3: solved_dec_deg is inf"),
        ("solved_dec_deg", "1_0", "row 3: solved_dec_deg is '1_0', not a number"),
        ("solved_dec_deg", "\u0661\u0662", "not a number"),
        ("solved_dec_deg", "true", "row 3: solved_dec_deg is 'true', not a number"),
        ("primary_deg", "", "row 3: primary_deg is empty"),
        ("primary_deg", "721", "row 3: primary_deg is 721, not in -720..720"),
        ("secondary_deg", "--", "row 3: secondary_deg is '--', not a number"),
        ("status", "perhaps", "row 3: status is 'perhaps'; write ok or failed"),
        ("point", "1.5", "row 3: point is 1.5, not a whole number"),
        ("point", "-1", "row 3: point is -1"),
        ("point", "9" * 400, "row 3: point"),
    ],
)
@pytest.mark.parametrize("command", ["polar", "fit"])
def test_a_bad_cell_is_named_by_row_and_column(job, command, column, value, words):
    cell(job, 3, column, value)
    line = refused(job, command, "before.csv", "--site", "site.toml")
    assert line.startswith("skysample: before.csv: ")
    assert words in line


def header(job, old, new):
    text = (job / "before.ecsv").read_text()
    assert old in text
    (job / "before.ecsv").write_text(text.replace(old, new))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("solved_ra_deg", "solved_ra", "has no column solved_ra_deg; is solved_ra meant?"),
        ("datatype: float64", "datatype: lots", ""),
        ("skysample-run", "skysample-plan", "its format is 'skysample-plan', not 'skysample-run'"),
        ("version: 1", "version: 2", "was written by a newer skysample"),
        ("version: 1", "version: one", "its version is 'one'"),
        ("axes: raw", "axes: cooked", "axes is 'cooked'; write raw or corrected or unknown"),
        ("old_model: 'off'", "old_model: maybe", "old_model is 'maybe'; write off or on or unknown"),
        ("delimiter: ','", "delimiter: ';'", "its delimiter is ';'"),
        ("datatype:\n", "datatype: [\n", "its ECSV header cannot be read"),
        ("# meta:", "# meta: 3\n# more:", ""),
        ("name: time, datatype: string", "name: time, datatype: float64", "time is '2026-03-02T"),
        (
            "name: primary_deg, unit: deg",
            "name: primary_deg, unit: m",
            "primary_deg is in m, which does not convert to deg",
        ),
    ],
)
def test_a_bad_header_is_refused(job, old, new, words):
    header(job, old, new)
    code, _, _ = called(POLAR)
    if words:
        assert words in refused(job, *POLAR)
    else:
        assert code in {0, 2}


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"\n\n  \n", "is empty"),
        (b"# only a remark\n", "no line of column names"),
        (b"time\n", "has no column solved_ra_deg"),
        (b"\x00\x01\x02\xff\xfe", "is not UTF-8"),
        (bytes(range(256)) * 40, "is not UTF-8"),
        (b"\x00" * 1000, "a column has no name"),
        ("time,primary_deg\n".encode("utf-16"), "is not UTF-8"),
        (b'time,"primary_deg\n1,2\n', "is not a table"),
        (b"time,time\n1,2\n", "is there twice"),
        (b"time,,x\n1,2,3\n", "a column has no name"),
        (b"{}", "has no column time"),
        (b"<html></html>", "has no column time"),
        (b"a" * 200_000, "row 1: is not a table"),
        (b"a," * 20_000 + b"b\n", "column 'a' is there twice"),
        (b"# %ECSV 1.0\n", "header"),
        (b"# %ECSV 1.0\n# ---\n# datatype:\n# - &a [*a]\nx\n1\n", "header"),
    ],
)
def test_a_file_that_is_no_run_is_refused(job, content, words):
    (job / "before.ecsv").write_bytes(content)
    for arguments in (POLAR, FIT, COMPARE, REPORT):
        line = refused(job, *arguments)
        assert line.startswith("skysample: before.ecsv: ")
        assert words in line
        assert len(line) < 1000


def test_a_row_too_short_or_given_twice_is_named(job):
    good = (job / "before.csv").read_text()
    lines = good.splitlines()
    (job / "before.csv").write_text("\n".join([*lines[:5], lines[5].rsplit(",", 1)[0], *lines[6:]]) + "\n")
    assert "before.csv: row 5: has 7 cells where the header has 8 columns" in refused(
        job, "polar", "before.csv", "--site", "site.toml"
    )
    (job / "before.csv").write_text("\n".join([*lines, lines[4]]) + "\n")
    line = refused(job, "polar", "before.csv", "--site", "site.toml")
    assert f"row {len(lines)}: time and solved place repeat those of row 4; keep one of the two" in line


def test_a_run_of_another_mount_is_refused_where_that_shows(job):
    text = (job / "site.toml").read_text().replace('"fork"', '"german"')
    (job / "german.toml").write_text(text)
    line = refused(job, "polar", "before.ecsv", "--site", "german.toml")
    assert "before.ecsv: row 1: pier is missing; a german mount needs the side of the pier" in line


@pytest.mark.parametrize("kept", [1, 2, 3, 4])
def test_too_few_points_are_not_determined(job, kept):
    lines = (job / "before.csv").read_text().splitlines()
    (job / "few.csv").write_text("\n".join(lines[: kept + 1]) + "\n")
    assert f"this run has {kept}" in refused(job, "polar", "few.csv", "--site", "site.toml", code=1)


def test_a_run_without_a_single_solution_is_refused(job):
    lines = (job / "before.csv").read_text().splitlines()
    (job / "few.csv").write_text(lines[0] + "\n")
    assert called(["polar", "few.csv", "--site", "site.toml"])[0] in {1, 2}
    (job / "few.csv").write_text("\n".join(line.replace(",ok,", ",failed,") for line in lines) + "\n")
    assert called(["polar", "few.csv", "--site", "site.toml"])[0] in {1, 2}


# --- the model file --------------------------------------------------------------------------------------------


def set_in(*place):
    *keys, last, value = place

    def change(content):
        for key in keys:
            content = content[key]
        content[last] = value

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (set_in("format", "skysample-run"), "its format is 'skysample-run', not 'skysample-model'"),
        (set_in("version", 2), "was written by a newer skysample"),
        (set_in("version", "1"), "its version is '1'"),
        (set_in("version", True), "its version is True"),
        (lambda content: content.pop("format"), "its format is None"),
        (lambda content: content.pop("terms"), "terms is missing"),
        (lambda content: content.pop("run"), "run is missing"),
        (set_in("mount", "kind", "dobson"), 'mount.kind: "dobson" is not one of fork, german, altaz'),
        (set_in("mount", "primary", "rate", 3), "unknown key mount.primary.rate"),
        (set_in("mount", "primary", "max_deg", -175.0), "mount.primary.min_deg: -170 is not below"),
        (set_in("latitude_deg", 91.0), "latitude_deg: 91.0 is not a number from -90 to 90"),
        (
            set_in("latitude_deg", 34.0),
            "the model is for a fork mount at latitude 34, the site has a fork at 35",
        ),
        (set_in("sigma_arcsec", float("nan")), "sigma_arcsec: nan is not a number"),
        (set_in("sigma_arcsec", -1.0), "sigma_arcsec: -1.0 is not a number of 0 or more"),
        (set_in("dof", 0), "dof: 0 is not a whole number from 1"),
        (set_in("dof", 2.5), "dof: 2.5 is not a whole number"),
        (set_in("terms", []), "it has no terms"),
        (set_in("terms", 1, "name", "polar_altitude"), "one of them twice"),
        (
            set_in("terms", 7, "name", "gravity"),
            "has the term 'gravity', which no installed plugin offers",
        ),
        (set_in("terms", 2, "value_arcsec", float("inf")), "terms[2].value_arcsec: inf is not a number"),
        (set_in("terms", 2, "value_arcsec", "3"), 'terms[2].value_arcsec: "3" is not a number'),
        (
            set_in("terms", 2, "value_arcsec", 1e12),
            "terms[2].value_arcsec: 1000000000000.0 is not a number from",
        ),
        (set_in("terms", 2, "stderr_arcsec", -1.0), "terms[2].stderr_arcsec: -1.0"),
        (set_in("terms", 2, "stderr_arcsec", 5.0), "its covariance does not match its standard errors"),
        (set_in("covariance_arcsec2", 0, [1.0]), "its covariance is not 8 by 8"),
        (set_in("covariance_arcsec2", 0, 1, 1e6), "its covariance is not one that errors can have"),
        (set_in("run", "axes", "cooked"), 'run.axes: "cooked" is not one of raw, corrected, unknown'),
        (set_in("run", "rows", "1-9"), 'run.rows: "1-9" is not a list'),
        (set_in("selected", ["gravity"]), "it names a selected term that it does not have"),
        (set_in("selected", "cone"), 'selected: "cone" is not a list'),
    ],
)
def test_a_damaged_model_is_refused(job, change, words):
    content = json.loads((job / "model.json").read_text())
    change(content)
    (job / "model.json").write_text(json.dumps(content))
    for arguments in ((*PLAN, "--model", "model.json"), SIZE, HISTORY):
        assert words in refused(job, *arguments)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is not JSON"),
        ("[1, 2]", "does not hold a JSON object"),
        ("null", "does not hold a JSON object"),
        ('{"format": ', "is not JSON"),
        ("[" * 100_000, "nested too deeply"),
        ('{"version": ' + "9" * 5000 + "}", "thousands of digits"),
        ('{"a": 1, "a": 2}', "its format is None"),
    ],
)
def test_text_that_is_no_model_is_refused(job, text, words):
    (job / "model.json").write_text(text)
    assert words in refused(job, *PLAN, "--model", "model.json")


def test_a_model_of_another_mount_is_refused(job):
    line = refused(job, "plan", "altaz.toml", "--points", 3, "--model", "model.json")
    assert "the model is for a fork mount at latitude 35, the site has a altaz at 35" in line
    assert "the model is for a fork mount" in refused(job, "size", "altaz.toml", "--model", "model.json")


def test_a_model_whose_run_had_another_model_active_has_no_history(job):
    content = json.loads((job / "later.json").read_text())
    content["run"]["axes"] = "corrected"
    (job / "later.json").write_text(json.dumps(content))
    assert "a pointing model was active in the mount" in refused(job, *HISTORY, code=1)


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        ("going.ecsv", "name: point,", "name: number,", "going.ecsv: "),
        ("going.ecsv", "\n3,", "\n,", "going.ecsv: row 3: point is not a number of the plan"),
        ("going.ecsv", "\n3,", "\n4,", "going.ecsv: "),
        ("going.ecsv", "skysample-run", "skysample-plan", "going.ecsv: its format is 'skysample-plan'"),
        ("night.ecsv", "alt_deg", "altitude", "night.ecsv: has no column alt_deg"),
        ("night.ecsv", "skysample-plan", "skysample-run", "night.ecsv: its format is 'skysample-run'"),
    ],
)
def test_progress_of_a_broken_run_or_plan_is_refused(job, file, old, new, words):
    text = (job / file).read_text()
    assert old in text
    (job / file).write_text(text.replace(old, new, 1) if old.startswith("\n") else text.replace(old, new))
    assert words in refused(job, *PROGRESS)


# --- plan files, and frames ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        ("plan.ecsv", "alt_deg", "altitude", "plan.ecsv: has no column alt_deg"),
        ("plan.ecsv", "skysample-plan", "skysample-run", "plan.ecsv: its format is 'skysample-run'"),
        (
            "plan.ecsv",
            "\n1,",
            "\n2,",
            "plan.ecsv: has no points, a point without coordinates, or a duplicate",
        ),
        ("plan.ecsv", "\n1,", "\n0,", "point is not a number of the plan"),
        ("plan.ecsv", "\n1,", "\n,", "point is not a number of the plan"),
        ("plan.ecsv", "\n1,", "\n99,", "part.csv: the run has point 1, which is not in this plan"),
        ("part.csv", "\n1,", "\n77,", "part.csv: the run has point 77, which is not in this plan"),
        ("part.csv", "\n1,", "\none,", "part.csv: row 1: point is 'one', not a number"),
        ("part.csv", "\n1,", "\n,", "part.csv: row 1: point is not a number of the plan"),
        ("part.csv", "point", "number", "part.csv: has no column point"),
        ("part.csv", "1,failed", "1,lost", "part.csv: row 1: status is 'lost'; write ok or failed"),
    ],
)
def test_a_plan_cannot_be_resumed_from_broken_files(job, file, old, new, words):
    text = (job / file).read_text()
    assert old in text
    (job / file).write_text(text.replace(old, new, 1) if old.startswith("\n") else text.replace(old, new))
    assert words in refused(job, *PLAN, "--plan", "plan.ecsv", "--resume", "part.csv")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--out", "run.ecsv"), "Missing argument"),
        (("site.toml",), "Missing option '--out'"),
        (("gone.fits", "--out", "run.ecsv"), "gone.fits: there is no such file"),
        (("site.toml", "--out", "run.ecsv"), "site.toml: cannot be read as FITS"),
        (("empty.fits", "--out", "run.ecsv"), "empty.fits: "),
        (("cut.fits", "--out", "run.ecsv"), "cut.fits: "),
        ((".", "--out", "run.ecsv"), ".: is a folder"),
        (
            ("site.toml", "--out", "site.toml"),
            "site.toml: is already used by this command; name another file",
        ),
        (
            ("site.toml", "--out", "nowhere/run.ecsv"),
            "nowhere/run.ecsv: cannot be written (there is no folder",
        ),
        (("site.toml", "--out", "run.ecsv", "--keyword", "primary"), "--keyword primary: write NAME=KEYWORD"),
        (("site.toml", "--out", "run.ecsv", "--keyword", "focus=X"), "--keyword focus=X: write NAME=KEYWORD"),
        (("site.toml", "--out", "run.ecsv", "--site", "gone.toml"), "gone.toml: there is no such file"),
    ],
)
def test_gather_refuses_what_is_no_frame(job, arguments, words):
    (job / "empty.fits").write_bytes(b"")
    (job / "cut.fits").write_bytes(b"SIMPLE  =                    T" + b" " * 51)
    assert words in refused(job, "gather", *arguments)


# --- arguments -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("explode",), "No such command"),
        (("--explode",), "No such option"),
        (("plan",), "Missing argument"),
        (("plan", "site.toml"), "--points is missing; say how many"),
        (("plan", "site.toml", "--pionts", 3), "No such option"),
        (("plan", "site.toml", "--points"), "--points"),
        (("plan", "site.toml", "--points", 0), "--points"),
        (("plan", "site.toml", "--points", -3), "--points"),
        (("plan", "site.toml", "--points", "abc"), "--points"),
        (("plan", "site.toml", "--points", "1e9"), "--points"),
        (("plan", "site.toml", "--points", 10**9), "--points"),
        (("plan", "site.toml", "--points", "9" * 5000), "--points"),
        ((*PLAN, "--when", "garbage"), "--when: 'garbage' is not a date-time"),
        ((*PLAN, "--when", ""), "--when: '' is not a date-time"),
        ((*PLAN, "--when", "2026-02-30T20:00:00"), "--when: '2026-02-30T20:00:00' is not a date-time"),
        ((*PLAN, "--chart", "x.jpg"), "x.jpg: a chart is written as .svg or .png"),
        ((*PLAN, "--chart", "nowhere/x.svg"), "nowhere/x.svg: cannot be written (there is no folder"),
        ((*PLAN, "--chart", "site.svg", "--out", "site.svg"), "site.svg: is already used by this command"),
        ((*PLAN, "--out", "nowhere/plan.ecsv"), "nowhere/plan.ecsv: cannot be written (there is no folder"),
        ((*PLAN, "--out", "."), ".: cannot be written (it is a folder)"),
        ((*PLAN, "--out", "site.toml"), "site.toml: is already used by this command; name another file"),
        ((*PLAN, "--out", "./../job/site.toml"), "is already used by this command; name another file"),
        ((*PLAN, "--out", "before.ecsv/plan.ecsv"), "cannot be written (there is no folder"),
        ((*PLAN, "--out", "x\x00y"), "null byte"),
        ((*PLAN, "--out", "x" * 300), "cannot be written"),
        ((*PLAN, "--seed", -1), "--seed"),
        ((*PLAN, "--seed", "x"), "--seed"),
        ((*PLAN, "--design", "odd"), "design"),
        (
            ("plan", "site.toml", "--points", 3, "--order", "odd"),
            "there is no ordering 'odd'; known: annealed",
        ),
        ((*PLAN, "--model", "gone.json"), "gone.json: there is no such file"),
        ((*PLAN, "--plan", "plan.ecsv"), "--plan goes with --resume"),
        ((*PLAN, "--resume", "gone.ecsv"), "gone.ecsv: there is no such file"),
        (("fit",), "Missing"),
        (("fit", "before.ecsv"), "Missing option '--site'; see `skysample fit --help`"),
        (("fit", "site.toml", "--site", "site.toml"), "site.toml: is not a run; give the run table first"),
        (
            ("tracking", "before.ecsv"),
            "before.ecsv: is a skysample-run file, not a tracking log; give the log",
        ),
        (("plan", "site.toml", "--points", "many"), "see `skysample plan --help`"),
        ((*FIT, "after.ecsv"), "unexpected extra argument"),
        (
            (*FIT, "--terms", "nonsense"),
            "unknown term 'nonsense' for a fork mount; known: standard, extended",
        ),
        ((*FIT, "--terms", ""), "no term is left to fit"),
        ((*FIT, "--terms", ",,"), "no term is left to fit"),
        ((*FIT, "--terms", "tilt_north"), "unknown term 'tilt_north' for a fork mount"),
        ((*FIT, "--assume", "garbage"), "--assume garbage: write KEY=VALUE"),
        ((*FIT, "--assume", "axes=cooked"), "axes is 'cooked'; write raw or corrected or unknown"),
        ((*FIT, "--assume", "colour=red"), "'colour' cannot be assumed; use axes"),
        ((*FIT, "--assume", "=raw"), "'' cannot be assumed"),
        ((*FIT, "--out", "before.ecsv"), "before.ecsv: is already used by this command"),
        ((*FIT, "--out", "nowhere/model.json"), "nowhere/model.json: cannot be written"),
        (("polar", "gone.ecsv", "--site", "site.toml"), "gone.ecsv: there is no such file; check the path"),
        (("polar", "before.ecsv", "--site", "gone.toml"), "gone.toml: there is no such file; check the path"),
        (("polar", ".", "--site", "site.toml"), ".: is a folder; name a file"),
        (("polar", "before.ecsv", "--site", "."), ".: is a folder; name a file"),
        (("polar", "", "--site", "site.toml"), "is a folder"),
        (("polar", "x\x00y", "--site", "site.toml"), "null byte"),
        (
            ("polar", "site.toml", "--site", "before.ecsv"),
            "before.ecsv: is a skysample-run file, not a site file",
        ),
        (("polar", "model.json", "--site", "site.toml"), "is a skysample-model file, not a table"),
        (("polar", "model.json", "--site", "site.toml"), "model.json: "),
        (("polar", "plan.ecsv", "--site", "site.toml"), "plan.ecsv: its format is 'skysample-plan'"),
        (("polar", sys.executable, "--site", "site.toml"), "is not UTF-8 text"),
        ((*SIZE, "--target-arcsec", 0), "target must be an angle above zero; got 0.0 arcsec"),
        ((*SIZE, "--target-arcsec", -1), "target must be an angle above zero"),
        ((*SIZE, "--target-arcsec", "nan"), "target must be an angle above zero"),
        ((*SIZE, "--target-arcsec", "inf"), "target must be an angle above zero"),
        ((*SIZE, "--target-arcsec", "1arcsec"), "--target-arcsec"),
        ((*SIZE, "--max-points", 0), "--max-points"),
        ((*SIZE, "--max-points", 10**9), "--max-points"),
        ((*SIZE, "--failed-share", 1), "--failed-share"),
        ((*SIZE, "--failed-share", "nan"), "--failed-share"),
        ((*SIZE, "--chart", "x.jpg"), "x.jpg: a chart is written as .svg or .png"),
        ((*SIZE, "--chart", "model.svg/x.svg"), "cannot be written (there is no folder"),
        ((*SIZE, "--run", "gone.ecsv"), "gone.ecsv: there is no such file"),
        ((*SIZE, "--run", "after.ecsv"), "this run is not the one the model was fitted to"),
        (("size", "site.toml", "--model", "site.toml"), "site.toml: is not JSON"),
        (("history",), "Missing argument"),
        (("history", "model.json"), "1 model cannot show what moved; give two or more"),
        (("history", "model.json", "model.json"), "is given twice"),
        (("history", "model.json", "gone.json"), "gone.json: there is no such file"),
        (("history", "model.json", "before.ecsv"), "before.ecsv: is not JSON"),
        ((*HISTORY[:3], "--site", "altaz.toml"), "the model is for a fork mount at latitude 35"),
        ((*HISTORY[:3], "--site", "gone.toml"), "gone.toml: there is no such file"),
        (("progress", "going.ecsv", "--site", "site.toml"), "Missing option '--plan'"),
        (("progress", "gone.ecsv", *PROGRESS[2:]), "gone.ecsv: there is no such file"),
        (("progress", "night.ecsv", *PROGRESS[2:]), "night.ecsv: its format is 'skysample-plan'"),
        (
            ("progress", "before.ecsv", *PROGRESS[2:]),
            "point 1 is more than 10 deg from its place in this plan",
        ),
        ((*PROGRESS[:2], "--plan", "going.ecsv", *PROGRESS[4:]), "going.ecsv: its format is 'skysample-run'"),
        ((*PROGRESS[:2], "--plan", "gone.ecsv", *PROGRESS[4:]), "gone.ecsv: there is no such file"),
        ((*PROGRESS, "--target-arcsec", 0), "target must be an angle above zero"),
        ((*PROGRESS, "--target-arcsec", "nan"), "target must be an angle above zero"),
        ((*PROGRESS[:-1], "nonsense"), "unknown term 'nonsense' for a fork mount"),
        ((*PROGRESS, "--assume", "colour=red"), "'colour' cannot be assumed; use axes"),
        ((*COMPARE, "--limit-arcmin", -1), "limit must be an angle above zero"),
        ((*COMPARE, "--limit-arcmin", 0), "limit must be an angle above zero"),
        ((*COMPARE, "--limit-arcmin", "nan"), "limit must be an angle above zero"),
        ((*COMPARE, "--limit-arcmin", "inf"), "limit must be an angle above zero"),
        (("compare", "before.ecsv", "gone.ecsv", "--site", "site.toml"), "gone.ecsv: there is no such file"),
        ((*REPORT, "--out", "nowhere/record.html"), "nowhere/record.html: cannot be written"),
        ((*REPORT, "--out", "before.ecsv"), "before.ecsv: is already used by this command"),
        ((*REPORT, "--before", "gone.ecsv"), "gone.ecsv: there is no such file"),
        (("demo", "--seed", -1), "--seed"),
        (("demo", "--out", "site.toml"), "site.toml: cannot be created"),
        (("plugins", "more"), "unexpected extra argument"),
    ],
)
def test_an_argument_that_makes_no_sense_is_refused(job, arguments, words):
    assert words in refused(job, *arguments)


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="needs a file that nobody can read")
def test_a_file_that_cannot_be_read_is_named(job):
    line = refused(job, "polar", "/proc/self/mem", "--site", "site.toml")
    assert line.startswith("skysample: /proc/self/mem: cannot be read (")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_protected_file_is_named(job):
    (job / "before.ecsv").chmod(0)
    assert "before.ecsv: cannot be read (Permission denied)" in called(POLAR)[2]


def test_a_device_is_not_written_over(job):
    assert "/dev/null: cannot be written (it is not an ordinary file)" in refused(
        job, *FIT, "--out", "/dev/null"
    )
    assert Path("/dev/null").is_char_device()


# --- what is there stays ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments",
    [
        ("fit", "bad.ecsv", "--site", "site.toml", "--out", "old"),
        ("plan", "bad.toml", "--points", "3", "--out", "old"),
        ("plan", "site.toml", "--points", "3", "--order", "nearest", "--chart", "old.jpg", "--out", "old"),
        ("plan", "site.toml", "--points", "3", "--chart", "nowhere/x.svg", "--out", "old"),
        ("report", "bad.ecsv", "--site", "site.toml", "--out", "old"),
        ("report", "before.ecsv", "--before", "bad.ecsv", "--site", "site.toml", "--out", "old"),
        ("gather", "bad.ecsv", "--out", "old"),
    ],
)
def test_a_command_that_fails_leaves_the_old_file_as_it_was(job, arguments):
    for name in ("bad.ecsv", "bad.toml", "old"):
        (job / name).write_text("what was here before\n")
    refused(job, *arguments)
    assert (job / "old").read_text() == "what was here before\n"


def test_a_command_that_succeeds_replaces_the_file_whole_and_leaves_no_scraps(job):
    (job / "old").write_text("what was here before\n" * 10_000)
    (job / "old").chmod(0o640)
    (job / "link").symlink_to("old")
    held = set(digests(job))
    assert called([*FIT, "--out", "link"])[0] == 0
    assert set(digests(job)) == held
    assert (job / "link").is_symlink()
    assert (job / "old").stat().st_mode & 0o777 == 0o640
    assert json.loads((job / "old").read_text())["format"] == "skysample-model"


def test_a_disk_that_fills_up_leaves_the_old_file_as_it_was(job, monkeypatch):
    (job / "old").write_text("what was here before\n")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    line = refused(job, *FIT, "--out", "old")
    assert line.startswith("skysample: old: cannot be written (No space left on device)")


def test_through_a_shell_it_is_the_same(job):
    (job / "noise.fits").write_bytes(b"SIMPLE  =                    T" + b"\xff" * 5000)
    held = digests(job)
    for arguments in (
        ("polar", "plan.ecsv", "--site", "site.toml", "--json"),
        ("gather", "noise.fits", "--out", "run.ecsv"),
        ("plan", "site.toml", "--points", "0"),
    ):
        command = [sys.executable, "-m", "skysample", *arguments]
        done = subprocess.run(command, cwd=job, capture_output=True, text=True, check=False)  # noqa: S603 - our own
        assert (done.returncode, done.stdout) == (2, "")
        assert re.fullmatch(r"skysample: .+\n", done.stderr)
    assert digests(job) == held


# --- two thousand mutations ------------------------------------------------------------------------------------

NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")
WORD = re.compile(rb"[A-Za-z_][A-Za-z_0-9]*")
TOKEN = re.compile(rb"[A-Za-z_0-9.]+")
ODD_NUMBERS = [
    b"1e999", b"-1e308", b"9" * 400, b"9" * 5000, b"nan", b"inf", b"-0.0", b"1e-320", b"0x10", b"1_0", b"true",
    b"", b'""', b"null", b"[]", b"{}", b"-1", b"0", b"1e9", b"1e6", "\u0663".encode(),
]  # fmt: skip
ODD_TEXT = [
    each.encode()
    for each in (
        "é",
        "\u2028",
        "\u202e",
        "\U0001f600",
        "\x00",
        "\x1b[31m",
        "\r",
        "\ufeff",
        "\x85",
        "\\ud800",
        "\t",
    )
]
MARKS = b"0123456789,.:-+e\"'[]{}#=\n \t\\"


def at_random(data: bytearray, rng: np.random.Generator) -> int:
    return int(rng.integers(len(data) + 1))


def flip_a_bit(data, rng):
    if data:
        data[int(rng.integers(len(data)))] ^= 1 << int(rng.integers(8))


def lose_some(data, rng):
    at = at_random(data, rng)
    del data[at : at + int(rng.choice([1, 1, 2, 10, 100]))]


def type_too_much(data, rng):
    at = at_random(data, rng)
    data[at:at] = bytes(rng.choice(list(MARKS), size=int(rng.integers(1, 4))).tolist())


def swap_two_lines(data, rng):
    lines = data.split(b"\n")
    one, other = (int(each) for each in rng.integers(len(lines), size=2))
    lines[one], lines[other] = lines[other], lines[one]
    data[:] = b"\n".join(lines)


def say_a_line_twice(data, rng):
    lines = data.split(b"\n")
    lines.insert(int(rng.integers(len(lines))), lines[int(rng.integers(len(lines)))])
    data[:] = b"\n".join(lines)


def lose_a_line(data, rng):
    lines = data.split(b"\n")
    del lines[int(rng.integers(len(lines)))]
    data[:] = b"\n".join(lines)


def cut_short(data, rng):
    del data[at_random(data, rng) :]


def put_in_odd_text(data, rng):
    at = at_random(data, rng)
    data[at:at] = ODD_TEXT[int(rng.integers(len(ODD_TEXT)))]


def put_in_an_odd_number(data, rng):
    swap(data, NUMBER, rng, ODD_NUMBERS)


def put_in_a_number(data, rng):
    swap(data, NUMBER, rng, [f"{rng.uniform(-400.0, 400.0):.6g}".encode()])


def change_a_word(data, rng):
    swap(data, WORD, rng, TOKEN.findall(bytes(data)) or [b"x"])


CHANGES = [
    flip_a_bit, lose_some, type_too_much, swap_two_lines, say_a_line_twice, lose_a_line, cut_short, put_in_odd_text,
    put_in_an_odd_number, put_in_a_number, change_a_word,
]  # fmt: skip


def mutated(content: bytes, rng: np.random.Generator) -> bytes:
    """Change a file in one to three places as a slip, a bad disk or an odd program would."""
    data = bytearray(content)
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        CHANGES[int(rng.integers(len(CHANGES)))](data, rng)
    return bytes(data)


def swap(data: bytearray, pattern: re.Pattern[bytes], rng: np.random.Generator, others: list[bytes]) -> None:
    found = list(pattern.finditer(bytes(data)))
    if found:
        match = found[int(rng.integers(len(found)))]
        data[match.start() : match.end()] = others[int(rng.integers(len(others)))]


AT = "--site", "site.toml"
RESUME = ("plan", "site.toml", "--order", "nearest", "--plan", "bad", "--resume", "part.csv")
MUTATIONS = [
    ("before.ecsv", ("polar", "bad", *AT, "--json"), 180),
    ("before.ecsv", ("fit", "bad", *AT, "--json"), 15),
    ("before.csv", ("polar", "bad", *AT, "--json"), 80),
    ("before.csv", ("fit", "bad", *AT), 8),
    ("altaz.ecsv", ("polar", "bad", "--site", "altaz.toml"), 60),
    ("site.toml", ("polar", "before.ecsv", "--site", "bad", "--json"), 1365),
    ("site.toml", ("plan", "bad", "--points", "2", "--order", "nearest", "--json"), 40),
    ("model.json", ("plan", "site.toml", "--points", "2", "--order", "nearest", "--model", "bad"), 30),
    ("later.json", ("history", "model.json", "bad", *AT, "--json"), 140),
    ("going.ecsv", ("progress", "bad", *PROGRESS[2:], "--target-arcsec", "9", "--json"), 15),
    ("night.ecsv", ("progress", "going.ecsv", "--plan", "bad", *PROGRESS[4:]), 15),
    (
        "model.json",
        ("size", "site.toml", "--model", "bad", "--target-arcsec", "1e-9", "--max-points", "20"),
        4,
    ),
    ("plan.ecsv", RESUME, 30),
    ("after.ecsv", ("compare", "before.ecsv", "bad", *AT), 13),
    ("after.ecsv", ("report", "before.ecsv", "--before", "bad", *AT, "--out", "record.html"), 5),
]


def test_the_mutations_are_two_thousand():
    assert sum(count for *_, count in MUTATIONS) == 2000


@pytest.mark.parametrize("place", range(len(MUTATIONS)), ids=[f"{m[1][0]}-{m[0]}-{m[2]}" for m in MUTATIONS])
def test_whatever_happens_to_a_file_the_command_answers_or_refuses_it_in_a_line(job, place):
    name, arguments, count = MUTATIONS[place]
    good = (job / name).read_bytes()
    held = digests(job)
    codes = []
    for number in range(count):
        (job / "bad").write_bytes(mutated(good, np.random.default_rng([place, number])))
        code, out, err = called(arguments)
        where = f"mutation {number} of {name}: {err}"
        assert code in {0, 1, 2}, where
        if code == 2:
            assert out == "", where
            assert err.count("\n") == len(err.splitlines()) == 1, where
            assert err.startswith("skysample: "), where
        elif code == 0 and "--json" in arguments:
            assert isinstance(json.loads(out), dict), where
        codes.append(code)
    now = digests(job)
    assert {key: now[key] for key in held} == held
    assert set(now) <= {*held, "bad", "record.html"}
    # Mutations that all fail at the first byte would prove nothing.
    assert codes.count(2) > 0.2 * count
    assert codes.count(2) < count

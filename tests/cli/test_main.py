"""The command as a whole: help, exit codes, what it prints where, and what it leaves alone."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

import skysample
import skysample.planning
import skysample.sizing
from tests.cli.conftest import shell
from tests.job_folder import POINTS, digests

COMMANDS = (
    "demo", "plan", "gather", "fit", "polar", "size", "progress", "compare", "history", "tracking", "report", "plugins",
)  # fmt: skip


def test_nobody_is_told_to_turn_a_bolt_without_the_cautions(run):
    for command in (("polar", "before.ecsv"), ("compare", "after.ecsv", "before.ecsv")):
        text = run(*command, "--site", "site.toml")[1]
        assert text.index("Before you touch a bolt:") < text.index("Turn the bolts in this order")


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

"""One job's files, and the command run on them."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys

import pytest
from astropy import units as u

from skysample.cli.main import run_command
from skysample.fitting import fit
from skysample.runs import read_run
from skysample.site import load_site
from tests.job_folder import make_job


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


def shell(*arguments, folder, **options):
    command = [sys.executable, "-m", "skysample", *map(str, arguments)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "timeout": 120, **options}
    return subprocess.run(command, cwd=folder, check=False, **pipes)  # noqa: S603 - our own interpreter

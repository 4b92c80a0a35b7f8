"""The short commands load nothing that they do not use."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = (
    "healpy",
    "matplotlib",
    "astropy.table",
    "astropy.coordinates",
    "astropy.utils.iers",
    "scipy.stats",
    "scipy.optimize",
)


@pytest.mark.parametrize(
    "command",
    [
        ("polar", "before.ecsv"),
        ("fit", "before.ecsv"),
        ("compare", "before.ecsv", "after.ecsv"),
    ],
    ids=lambda command: command[0],
)
def test_short_commands_load_no_heavy_module(made, command):
    code = (
        "import sys; from skysample.cli.main import run_command;"
        f" code = run_command({[*command, '--site', 'site.toml']!r});"
        f" print('heavy', [name for name in {HEAVY!r} if name in sys.modules], code)"
    )
    said = subprocess.run([sys.executable, "-c", code], cwd=made, check=True, capture_output=True, text=True)  # noqa: S603 - our own interpreter
    assert said.stdout.splitlines()[-1] == "heavy [] 0"

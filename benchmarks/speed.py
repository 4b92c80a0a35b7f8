"""Time the import, a fit with its score, a short plan, the demo and the short commands on this machine.

The commands are timed twice: in the environment as it is, and with Python's bytecode kept from a first run, as an
ordinary installation keeps it (PYTHONDONTWRITEBYTECODE makes every start compile all that it imports).

The short commands are also given as multiples of the processor time (user and system, one thread, bytecode kept) of
importing numpy, scipy.linalg, erfa and astropy.time. The two are timed in turn, so that a busy machine slows both.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from figures import Figures, chosen_run, progress
from nights import random_night

import skysample as ss
from skysample.astrometry.times import parse_utc
from skysample.cli.demo.telescope import Telescope

DEMO_SITE = Path(ss.__file__).parent / "cli" / "demo" / "saltpan_ridge.toml"
REFERENCE = ("-c", "import numpy, scipy.linalg, erfa, astropy.time")
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
SHORT_COMMANDS: tuple[tuple[str, tuple[str, ...], float | None], ...] = (
    ("import skysample", ("-c", "import skysample"), None),
    ("skysample --help", ("-m", "skysample", "--help"), None),
    ("skysample polar", ("-m", "skysample", "polar", "first.ecsv", "--site", "site.toml"), 3.0),
    ("skysample fit", ("-m", "skysample", "fit", "first.ecsv", "--site", "site.toml"), 3.0),
    (
        "skysample compare",
        ("-m", "skysample", "compare", "first.ecsv", "second.ecsv", "--site", "site.toml"),
        3.0,
    ),
    ("skysample plan, 15 points", ("-m", "skysample", "plan", "site.toml", "--points", "15"), 3.5),
    ("skysample plan, 100 points", ("-m", "skysample", "plan", "site.toml", "--points", "100"), 8.0),
)
"""Name, what Python is given, and the largest multiple of the reference: 2 for the answer itself and 1 for checking
the run."""
TIMED_IMPORT = "import time; t = time.perf_counter(); import {}; print(time.perf_counter() - t)"


def import_seconds(module: str) -> float:
    """Import in a fresh interpreter, without its own start."""
    command = [sys.executable, "-c", TIMED_IMPORT.format(module)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)  # noqa: S603


def command_seconds(environment: dict[str, str], *arguments: str) -> float:
    """Run the `skysample` command from start to end."""
    command = shutil.which("skysample", path=Path(sys.executable).parent)
    if command is None:
        raise SystemExit("the skysample command is not installed beside this Python; use uv run")
    begun = time.perf_counter()
    subprocess.run([command, *arguments], check=True, capture_output=True, env=environment)  # noqa: S603
    return time.perf_counter() - begun


def with_bytecode(folder: str) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPYCACHEPREFIX": folder}


def time_commands(figures: Figures, environment: dict[str, str], condition: str, times: int) -> None:
    plan = ("plan", str(DEMO_SITE), "--points", "15")
    with tempfile.TemporaryDirectory() as folder:
        command_seconds(environment, *plan)  # bytecode and disk cache
        spent = [command_seconds(environment, *plan) for _ in range(times)]
        figures.at_most(
            f"skysample plan SITE --points 15, {condition}, median of {times}",
            statistics.median(spent),
            4.0,
            "s",
        )
        figures.at_most(f"skysample plan SITE --points 15, {condition}, best", min(spent), 4.0, "s")
        demo = command_seconds(environment, "demo", "--out", folder)
        figures.at_most(f"skysample demo, {condition}", demo, 20.0, "s")
    progress(f"commands done, {condition}")


def processor_seconds(environment: dict[str, str], folder: str, arguments: tuple[str, ...]) -> float:
    """Run Python from start to end; user and system time of that process."""
    command = [sys.executable, *arguments]
    with subprocess.Popen(command, cwd=folder, env=environment, stdout=subprocess.DEVNULL) as process:  # noqa: S603
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode > 1:  # 1: the answer is no, as of an axis that did not move
        raise SystemExit(f"{' '.join(command)} left with {process.returncode}")
    return usage.ru_utime + usage.ru_stime


def write_runs(folder: Path) -> None:
    """Expose the same 15 points twice with the demo's telescope."""
    site = ss.load_site(DEMO_SITE)
    telescope = Telescope.just_set_down(site, np.random.default_rng(1))
    plan = ss.plan(site, 15, parse_utc("2026-06-14T18:10:00"))
    for name in ("first.ecsv", "second.ecsv"):
        telescope.expose(plan, folder / name, false=0)


def time_short_commands(figures: Figures, environment: dict[str, str], times: int) -> None:
    """Compare each short command with the reference, on a site and two runs that are made here."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copy(DEMO_SITE, Path(folder) / "site.toml")
        write_runs(Path(folder))
        environment = environment | ONE_THREAD
        for name, arguments, bound in SHORT_COMMANDS:
            for each in (REFERENCE, arguments):
                processor_seconds(environment, folder, each)  # bytecode and disk cache
            pairs = [
                [processor_seconds(environment, folder, each) for each in (REFERENCE, arguments)]
                for _ in range(times)
            ]
            of_reference, of_command = (statistics.median(column) for column in zip(*pairs, strict=True))
            what = f"{name} / reference of {of_reference:.2f} s, processor time, median of {times}"
            if bound is None:
                figures.measured(what, of_command / of_reference)
            else:
                figures.at_most(what, of_command / of_reference, bound)
    progress("short commands done")


def fit_and_score_seconds(times: int) -> list[float]:
    night = random_night("fork", "north", 100, np.random.default_rng(1))
    spent = []
    for _ in range(times + 2):
        begun = time.perf_counter()
        ss.score(ss.fit(night.run, night.site), night.run)
        spent.append(time.perf_counter() - begun)
    return spent[2:]


def time_imports(figures: Figures, times: int) -> None:
    import_seconds("skysample")  # bytecode and disk cache
    pairs = [(import_seconds("numpy"), import_seconds("skysample")) for _ in range(times)]
    of_numpy, of_skysample = (statistics.median(column) for column in zip(*pairs, strict=True))
    figures.measured(f"import numpy, median of {times}", of_numpy, "s")
    figures.measured(f"import skysample, median of {times}", of_skysample, "s")
    figures.at_most("import skysample / import numpy", of_skysample / of_numpy, 1.3)
    ready = statistics.median(import_seconds("skysample; skysample.fit") for _ in range(times))
    figures.measured("import skysample and load skysample.fit with all that it needs, median", ready, "s")
    progress("imports done")


def time_fits(figures: Figures, times: int) -> None:
    spent = fit_and_score_seconds(times)
    what = f"fit and score 100 points, warm, median of {times}"
    figures.at_most(what, 1000.0 * statistics.median(spent), 50.0, "ms")
    figures.measured("fit and score 100 points, warm, best", 1000.0 * min(spent), "ms")
    progress("fits done")


def main() -> None:
    quick, parts = chosen_run(__doc__, ("imports", "fits", "commands", "short commands"))
    figures = Figures("Speed")
    if "imports" in parts:
        time_imports(figures, 5 if quick else 21)
    if "fits" in parts:
        time_fits(figures, 5 if quick else 41)
    if "commands" in parts:
        time_commands(figures, dict(os.environ), "environment as it is", 2 if quick else 5)
    with tempfile.TemporaryDirectory() as folder:
        if "commands" in parts:
            time_commands(figures, with_bytecode(folder), "bytecode kept", 2 if quick else 5)
        if "short commands" in parts:
            time_short_commands(figures, with_bytecode(folder), 3 if quick else 7)
    figures.show()


if __name__ == "__main__":
    main()

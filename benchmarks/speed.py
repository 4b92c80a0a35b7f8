"""How long the import, a fit with its score, a short plan and the demo take on this machine.

The commands are timed twice: in the environment as it is, and with Python's bytecode kept from a first run, as an
ordinary installation keeps it (PYTHONDONTWRITEBYTECODE makes every start compile all that it imports).
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
from figures import Figures, progress, reduced_run
from nights import random_night

import skysample as ss

DEMO_SITE = Path(ss.__file__).parent / "demo" / "saltpan_ridge.toml"
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


def fit_and_score_seconds(times: int) -> list[float]:
    night = random_night("fork", "north", 100, np.random.default_rng(1))
    spent = []
    for _ in range(times + 2):
        begun = time.perf_counter()
        ss.score(ss.fit(night.run, night.site), night.run)
        spent.append(time.perf_counter() - begun)
    return spent[2:]


def main() -> None:
    quick = reduced_run(__doc__)
    figures = Figures("Speed")

    import_seconds("skysample")  # bytecode and disk cache
    pairs = [(import_seconds("numpy"), import_seconds("skysample")) for _ in range(5 if quick else 21)]
    of_numpy, of_skysample = (statistics.median(column) for column in zip(*pairs, strict=True))
    figures.measured(f"import numpy, median of {len(pairs)}", of_numpy, "s")
    figures.measured(f"import skysample, median of {len(pairs)}", of_skysample, "s")
    figures.at_most("import skysample / import numpy", of_skysample / of_numpy, 1.3)
    ready = statistics.median(import_seconds("skysample; skysample.fit") for _ in range(len(pairs)))
    figures.measured("import skysample and load skysample.fit with all that it needs, median", ready, "s")
    progress("imports done")

    spent = fit_and_score_seconds(5 if quick else 41)
    what = f"fit and score 100 points, warm, median of {len(spent)}"
    figures.at_most(what, 1000.0 * statistics.median(spent), 50.0, "ms")
    figures.measured("fit and score 100 points, warm, best", 1000.0 * min(spent), "ms")
    progress("fits done")

    times = 2 if quick else 5
    time_commands(figures, dict(os.environ), "environment as it is", times)
    with tempfile.TemporaryDirectory() as folder:
        time_commands(figures, with_bytecode(folder), "bytecode kept", times)
    figures.show()


if __name__ == "__main__":
    main()

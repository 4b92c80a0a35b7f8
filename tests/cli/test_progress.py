"""The command `progress`."""

from __future__ import annotations

import numpy as np

from skysample.geometry import alt_az
from skysample.planning.plan_file import read_plan
from skysample.site import load_site
from tests.job_folder import POINTS, take_run
from tests.simulated_nights import errors


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
    assert " ".join(out.split()).startswith("Enough: stop.")
    assert all(len(line) <= 80 for line in out.splitlines())

"""The command `tracking`."""

from __future__ import annotations

import numpy as np
import pytest


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

"""The command `size`."""

from __future__ import annotations

from pathlib import Path

import pytest

import skysample
import skysample.planning
import skysample.sizing


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


def test_size_beyond_its_limit_is_a_no(run):
    code, out, err = run(
        "size", "site.toml", "--model", "model.json", "--target-arcsec", "0.01", "--max-points", 20,
        "--terms", "standard", "--json",
    )  # fmt: skip
    assert (code, out) == (1, "")
    assert err.startswith("skysample: 0.01")
    assert "needs more than 20 points" in err
    assert err.count("\n") == 1

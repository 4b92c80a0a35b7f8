"""The command `plan`."""

from __future__ import annotations

import re

import numpy as np
import pytest

import skysample
import skysample.planning
import skysample.sizing
from skysample.geometry import direction
from skysample.testing import SimulatedMount
from tests.simulated_nights import errors

PLAN_COLUMNS = {
    "point", "alt_deg", "az_deg", "hour_angle_deg", "dec_deg", "ra_icrs_deg", "dec_icrs_deg", "pier", "start_utc",
    "slew_s", "dome_az_deg", "dome_move_deg", "dome_s",
}  # fmt: skip


def test_plan_answers_with_the_librarys_plan(job, answer, seen):
    results = seen(skysample.planning, "plan")
    found = answer("plan", "site.toml", "--points", 5, "--when", "2026-03-02T21:00:00", "--out", "plan.ecsv")
    (made,) = results
    assert made.start.isot == "2026-03-02T21:00:00.000"
    camera = made.site.camera
    assert found["points"] == len(found["rows"]) == 5
    assert found["sky_sr"] == pytest.approx(made.sky.area_sr, abs=1e-6)
    assert found["covering_radius_deg"] == pytest.approx(np.degrees(made.grid.covering_radius_rad), abs=1e-6)
    assert found["min_separation_deg"] == pytest.approx(np.degrees(made.grid.min_separation_rad), abs=1e-6)
    assert found["slew_s"] == pytest.approx(made.slew_s, abs=0.01)
    assert found["total_s"] == pytest.approx(
        found["slew_s"] + 5 * (camera.exposure_s + camera.overhead_s), abs=0.02
    )
    assert found["dome_deg"] == pytest.approx(sum(row["dome_move_deg"] for row in found["rows"]), abs=0.02)
    assert found["dome_moves"] == sum(row["dome_move_deg"] > 0.0 for row in found["rows"])
    assert 0.0 < found["bound_s"] <= found["slew_s"]
    assert found["gap"] == pytest.approx(found["slew_s"] / found["bound_s"] - 1.0, abs=1e-3)
    for row in found["rows"]:
        assert set(row) >= PLAN_COLUMNS
        assert 30.0 <= row["alt_deg"] <= 85.0
        assert row["pier"] is None
        assert re.fullmatch(r"2026-03-02T21:\d\d:\d\d\.\d{3}", row["start_utc"])
    assert sorted(row["point"] for row in found["rows"]) == [1, 2, 3, 4, 5]
    header = (job / "plan.ecsv").read_text()
    assert "skysample-plan" in header
    assert all(column in header for column in PLAN_COLUMNS)


def test_a_plan_says_what_a_dome_weight_would_save_and_cost(answer, run):
    asked = ("plan", "site.toml", "--points", 12, "--trade-off")
    found = answer(*asked)
    first, *calmer = found["front"]
    assert found["dome_weight"] == first["dome_weight"] == 0.0
    assert first["slew_s"] == found["slew_s"]
    assert first["dome_moves"] == found["dome_moves"]
    assert calmer
    assert all(each["dome_moves"] < first["dome_moves"] for each in calmer)
    assert all(each["slew_s"] > first["slew_s"] for each in calmer)
    weight = calmer[-1]["dome_weight"]
    text = " ".join(run(*asked)[1].split())
    assert f"With --dome-weight {weight:g}: " in text
    chosen = answer("plan", "site.toml", "--points", 12, "--dome-weight", weight)
    assert chosen["front"] == []
    assert chosen["dome_moves"] < first["dome_moves"]


def test_the_trade_off_is_worked_out_only_where_it_is_asked_for(answer, run, monkeypatch):
    monkeypatch.setattr("skysample.planning.plan_table.front", lambda *_, **__: pytest.fail("was worked out"))
    assert answer("plan", "site.toml", "--points", 5)["front"] == []
    assert "--dome-weight" not in run("plan", "site.toml", "--points", 5)[1]


def test_a_plan_without_a_trade_off_to_offer_says_why(answer, run):
    arguments = ("plan", "site.toml", "--points", 4, "--order", "nearest", "--trade-off")
    assert answer(*arguments)["front"] == []
    assert "No trade-off: that needs the annealed order" in run(*arguments)[1].replace("\n", " ")


def test_a_plan_without_a_time_says_that_the_sun_was_not_checked(answer, run):
    arguments = ("plan", "site.toml", "--points", 3, "--order", "nearest")
    found = answer(*arguments)
    assert found["sun_checked"] is False
    assert {row["ra_icrs_deg"] for row in found["rows"]} == {None}
    assert "The Sun was not checked" in run(*arguments)[1].replace("\n", " ")


def test_a_plan_that_clouds_stopped_goes_on_with_the_rest(job, answer):
    planned = answer("plan", "site.toml", "--points", 5, "--out", "plan.ecsv")["rows"]
    rows = [
        "point,status,solved_ra_deg,solved_dec_deg",
        *(f"{row['point']},failed,," for row in planned[:2]),
    ]
    (job / "part.csv").write_text("\n".join(rows) + "\n")
    found = answer("plan", "site.toml", "--plan", "plan.ecsv", "--resume", "part.csv", "--order", "nearest")
    left = {row["point"] for row in found["rows"]}
    assert left >= {row["point"] for row in planned[2:]}
    assert not left & {row["point"] for row in planned[:2]}


def test_a_plan_with_a_model_says_what_the_axes_have_to_read(answer):
    found = answer("plan", "site.toml", "--points", 3, "--order", "nearest", "--model", "model.json")
    # Axes that read so point where the plan wants them: by the mount itself, whose errors the model was fitted to.
    mount = SimulatedMount("fork", 35.0, terms_arcsec=errors("fork", 2760.0, -1800.0))
    for row in found["rows"]:
        alt, az = mount.point(np.radians(row["primary_deg"]), np.radians(row["secondary_deg"]))
        there, wanted = direction(alt, az), direction(*np.radians([row["alt_deg"], row["az_deg"]]))
        assert np.degrees(np.linalg.norm(there - wanted)) * 3600.0 < 10.0


def test_a_plan_by_day_says_that_the_sun_is_up(run):
    arguments = ("plan", "site.toml", "--points", 4, "--order", "nearest", "--when")
    day = run(*arguments, "2026-06-14T13:20:00")[1].replace("\n", " ")
    assert re.search(r"The Sun is up: altitude \d\d, azimuth \d+\. .*do not run this unattended", day)
    assert "The Sun is up" not in run(*arguments, "2026-06-14T23:20:00")[1]

"""The command `compare`."""

from __future__ import annotations

import pytest

from skysample.alignment import polar
from skysample.alignment.comparing import compare
from skysample.fitting import fit
from skysample.runs import read_run
from skysample.site import load_site
from tests.cli.conftest import check_polar


def test_compare_answers_whether_the_adjustment_worked(answer):
    site = load_site("site.toml")
    before, after = (polar(fit(read_run(f"{name}.ecsv", site), site), site) for name in ("before", "after"))
    found = answer("compare", "before.ecsv", "after.ecsv", "--site", "site.toml")
    assert found["within_limit"] is True
    check_polar(found["before"], before)
    check_polar(found["after"], after)
    assert found["upper_total_arcmin"] == pytest.approx(compare(before, after).upper_total.value, abs=1e-6)
    back = answer("compare", "after.ecsv", "before.ecsv", "--site", "site.toml", code=1)
    assert back["within_limit"] is False
    assert back["before"] == found["after"]
    strict = answer(
        "compare", "before.ecsv", "after.ecsv", "--site", "site.toml", "--limit-arcmin", 0.1, code=1
    )
    assert strict["within_limit"] is False


def test_compare_tells_each_bolt_each_term_and_the_next_move(answer):
    found = answer("compare", "before.ecsv", "after.ecsv", "--site", "site.toml")
    assert [each["adjuster"] for each in found["adjusters"]] == ["altitude", "azimuth"]
    # Both bolts are short by less than an eighth of a turn.
    assert [each["verdict"] for each in found["adjusters"]] == ["close", "close"]
    for each, move in zip(found["adjusters"], found["before"]["moves"], strict=True):
        assert abs(each["asked_arcmin"]) == pytest.approx(move["arcmin"], abs=1e-6)
        assert each["miss_arcmin"] == pytest.approx(each["made_arcmin"] - each["asked_arcmin"], abs=1e-5)
    verdicts = {term["name"]: term["verdict"] for term in found["terms"]}
    assert {name for name, verdict in verdicts.items() if verdict == "moved"} == {
        "polar_altitude",
        "polar_azimuth",
    }
    assert found["next_moves"] == []
    assert found["sentences"][-1].startswith("Leave the bolts alone: the axis is ")


def test_compare_says_what_to_turn_next_when_the_answer_is_no(run):
    code, out, err = run("compare", "after.ecsv", "before.ecsv", "--site", "site.toml")
    assert (code, err) == (1, "")
    assert "not shown to be within the 30' limit" in out.replace("\n", " ")
    assert "Turn the bolts in this order" not in out
    assert "bolt moves the axis the other way than the site file says" in out.replace("\n", " ")

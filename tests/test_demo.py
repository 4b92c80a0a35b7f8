"""The invented night holds together: its answers are near the truth that the invented telescope was given."""

from __future__ import annotations

import json
import re
import runpy
from pathlib import Path

import numpy as np
import pytest

from skysample.cli.main import run_command
from skysample.demo.telescope import ERRORS, NOISE_ARCSEC


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    import contextlib
    import io

    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        assert run_command(["demo", "--out", str(folder), "--json"]) == 0
    return folder, json.loads(printed.getvalue())


def test_every_file_is_there_and_the_record_needs_nothing_else(night):
    folder, answer = night
    assert sorted(answer["files"]) == sorted(str(path) for path in folder.iterdir())
    page = (folder / "record.html").read_text()
    assert "<script" not in page
    assert "Saltpan Ridge" in page


def test_the_first_run_finds_the_axis_where_it_was_set(night):
    before = night[1]["before"]
    for name, sign in (("altitude", 1), ("azimuth", 1)):
        off = before[f"{name}_error_arcmin"] - sign * ERRORS[f"polar_{name}"] / 60.0
        assert abs(off) < 4.0 * before[f"{name}_stderr_arcmin"]
    assert [move["direction"] for move in before["moves"]] == ["lower", "east"]


def test_after_the_bolts_the_axis_is_within_what_a_hand_can_set(night):
    # A sixteenth of a turn is 1.2' in altitude; half of it is the most that rounding leaves, and azimuth likewise.
    after = night[1]["after"]
    assert after["total_error_arcmin"] < 1.2
    assert night[1]["comparison"]["within_limit"] is True


def test_the_final_model_recovers_every_error_and_the_noise(night):
    final = night[1]["final"]
    assert final["used"] == final["points"] - 2
    assert len(final["rejected"]) == 2
    assert final["sigma_arcsec"] == pytest.approx(NOISE_ARCSEC, rel=0.25)
    for term in final["terms"]:
        if term["name"] in ERRORS and not term["name"].startswith("polar"):
            assert abs(term["value_arcsec"] - ERRORS[term["name"]]) < 4.0 * term["stderr_arcsec"]


def test_the_number_of_points_is_the_recommended_one(night):
    answer = night[1]
    assert answer["final"]["points"] == answer["size"]["recommended"]


def test_a_folder_with_a_site_of_ones_own_is_left_alone(tmp_path, capsys):
    mine = tmp_path / "site.toml"
    mine.write_text('name = "mine"\n')
    assert run_command(["demo", "--out", str(tmp_path)]) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["site.toml"]
    assert mine.read_text() == 'name = "mine"\n'
    assert "of your own" in capsys.readouterr().err


def words_and_numbers(text):
    number = re.compile(r"\d+(?:\.\d+)?(?:e[+-]\d+)?")
    return " ".join(number.sub("#", text).split()), np.array([float(each) for each in number.findall(text)])


def test_the_tutorial_and_the_how_to_pages_show_what_their_commands_print(night, tmp_path, monkeypatch):
    # One test, so that one worker makes one night. Rounding may differ between machines; words may not.
    monkeypatch.chdir(tmp_path)
    (tmp_path / "night").symlink_to(night[0])
    pages = runpy.run_path(str(Path(__file__).parents[1] / "docs" / "refresh_pages.py"))
    tried = 0
    for page in pages["PAGES"]:
        for command, shown in pages["commands"](page.read_text("utf-8")):
            assert not command.startswith("skysample") or max(map(len, shown.splitlines())) <= 80, command
            (said, numbers), (now, numbers_now) = map(words_and_numbers, (shown, pages["printed"](command)))
            again = f"{page.name}: {command}: run docs/refresh_pages.py"
            assert said == now, again
            np.testing.assert_allclose(numbers, numbers_now, rtol=0.02, atol=0.02, err_msg=again)
            tried += 1
    assert tried > 15

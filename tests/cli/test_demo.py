"""The invented night holds together: its answers are near the truth that the invented telescope was given."""

from __future__ import annotations

import contextlib
import io
import json
import re
import runpy
from pathlib import Path

import pytest
from PIL import Image

from skysample.cli.demo import night as the_night
from skysample.cli.demo.telescope import ERRORS, NOISE_ARCSEC
from skysample.cli.main import run_command
from skysample.cli.printing import print_lines


@pytest.fixture(scope="module")
def demo_run(tmp_path_factory):
    """The night's folder, its story, and what the command prints of it."""
    above = tmp_path_factory.mktemp("above")
    printed = io.StringIO()
    with contextlib.chdir(above), contextlib.redirect_stdout(printed):
        story = the_night(Path("night"))
        for lines in story.chapters():
            print_lines(lines)
    return above / "night", story, printed.getvalue()


@pytest.fixture
def night(demo_run):
    """The folder, and what the command answers as JSON."""
    folder, story, _ = demo_run
    return folder, json.loads(json.dumps(story.answer, allow_nan=False))


def test_every_file_is_there_and_the_record_needs_nothing_else(night):
    folder, answer = night
    assert sorted(answer["files"]) == sorted(f"night/{path.name}" for path in folder.iterdir())
    page = (folder / "record.html").read_text()
    assert "<script" not in page
    assert "Saltpan Ridge" in page


def test_the_first_run_finds_the_axis_where_it_was_set(night):
    before = night[1]["before"]
    for name, sign in (("altitude", 1), ("azimuth", 1)):
        off = before[f"{name}_error_arcmin"] - sign * ERRORS[f"polar_{name}"] / 60.0
        assert abs(off) < 4.0 * before[f"{name}_stderr_arcmin"]
    assert [move["direction"] for move in before["moves"]] == ["raise", "east"]


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


DOCS = Path(__file__).parents[2] / "docs"
NUMBER = re.compile(r"\d+(?:\.\d+)?(?:e[+-]\d+)?")


def check_alike(shown, now, what):
    """The same words, and the same numbers but for what rounding does on another machine: two in the last digit."""
    assert " ".join(NUMBER.sub("#", shown).split()) == " ".join(NUMBER.sub("#", now).split()), what
    for one, other in zip(NUMBER.findall(shown), NUMBER.findall(now), strict=True):
        mantissa, _, power = one.partition("e")
        digits = len(mantissa.partition(".")[2])
        last = 10.0 ** (int(power or 0) - digits)
        assert float(other) == pytest.approx(float(one), rel=5e-3, abs=2.01 * last), what


@pytest.fixture(scope="module")
def pages():
    return runpy.run_path(str(DOCS / "refresh_pages.py"))


def test_the_commands_that_the_demo_prints_can_be_pasted(demo_run):
    printed = re.sub(r" \\\n +", " ", demo_run[2]).splitlines()
    commands = [lines[2] for lines in demo_run[1].chapters() if lines[2:] and lines[2].startswith("  $ ")]
    assert len(commands) == 7
    assert set(commands) <= set(printed)


def test_the_demo_prints_what_the_commands_of_the_tutorial_print(demo_run, pages):
    assert max(map(len, demo_run[2].splitlines())) <= 80
    tutorial = {
        tuple(command.split()[1:5]): shown.split()
        for command, _, shown in pages["commands"]((DOCS / "tutorial.md").read_text("utf-8"))
    }
    _, *chapters, _ = demo_run[1].chapters()
    assert len(chapters) == 6
    for _, _, command, *lines in chapters:
        printed = " ".join(lines).split()
        shown = tutorial[tuple(command.split()[2:6])][: len(printed)]
        check_alike(" ".join(shown), " ".join(printed), f"{command}: run docs/refresh_pages.py")


def test_the_pages_show_what_their_commands_print_and_draw(night, pages, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("night", "skysample-demo"):
        (tmp_path / name).symlink_to(night[0])
    tried = 0
    for page in (pages["README"], *pages["PAGES"]):
        for command, parts, shown in pages["commands"](page.read_text("utf-8")):
            assert not command.startswith("skysample") or max(map(len, shown.splitlines())) <= 80, command
            now = pages["printed"](command, parts)
            check_alike(
                shown, now, f"{page.name}: {command}: run docs/refresh_pages.py and refresh_readme.py"
            )
            tried += 1
    assert tried > 18
    for name in pages["PICTURES"]:
        held = DOCS / "images" / Path(name).name
        check_alike(pages["drawn"](held), pages["drawn"](Path(name)), f"{held}: run docs/refresh_pages.py")


def test_the_picture_of_the_record_has_the_numbers_that_the_record_has(night, pages):
    with Image.open(DOCS / "images" / pages["RECORD"]) as picture:
        shown = " ".join(NUMBER.findall(picture.info["Description"]))
        assert picture.width < 1000
    now = " ".join(NUMBER.findall(pages["recorded"](night[0] / "record.html")))
    assert len(now.split()) > 20
    check_alike(shown, now, "run docs/refresh_pages.py where Chromium is installed")
    assert (DOCS / "images" / pages["RECORD"]).stat().st_size < 300_000


def test_the_readme_is_short(pages):
    assert len(pages["README"].read_text("utf-8").splitlines()) <= 130

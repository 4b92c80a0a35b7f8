"""What somebody at the wedge reads: which way the axis points, which way it must go, which bolt first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from skysample.alignment import PolarAlignment
from skysample.alignment.instructions import (
    adjustment_lines,
    aim_sentences,
    bolt_steps,
    instruction,
    left_alone,
    left_sentences,
    opposed_steps,
    turn_heading,
)
from skysample.alignment.wedge import BaseTilt, PolarAim, polar_moves, tilt_moves
from skysample.cli.polar import polar_lines
from skysample.fitting import fit
from tests.conftest import make_site
from tests.simulated_nights import errors, simulated_run
from tests.simulated_wedge import BOLTS

ARCMIN = np.radians(1.0 / 60.0)
COVARIANCE = np.diag([0.1, 0.2]) ** 2 * ARCMIN**2


def alignment(latitude, first_arcmin, second_arcmin, kind="fork", **wedge):
    site = make_site(kind, latitude, wedge=BOLTS | wedge)
    first, second = first_arcmin * ARCMIN, second_arcmin * ARCMIN
    model = fit(simulated_run(site, errors(kind), 20)[0], site)
    if kind == "altaz":
        moves = tilt_moves(first, second, COVARIANCE)
        return PolarAlignment(BaseTilt(first, second), COVARIANCE, moves, site, model)
    moves = polar_moves(first, second, COVARIANCE, np.radians(latitude), site.wedge)
    return PolarAlignment(PolarAim(first, second), COVARIANCE, moves, site, model)


def steps(found, adjuster):
    move = next(move for move in found.moves if move.adjuster == adjuster)
    return list(bolt_steps(move, found))


@pytest.mark.parametrize(
    ("latitude", "facing", "east", "hand", "goes"),
    [(52.0, "north", "right", "right (east)", "left"), (-27.0, "south", "left", "left (east)", "right")],
)
def test_right_and_left_are_those_of_somebody_who_faces_the_pole(latitude, facing, east, hand, goes):
    lines = list(aim_sentences(alignment(latitude, 46.0, 31.0)))
    assert f"facing {facing}" in lines[0]
    assert lines[0].endswith(f"east is on your {east}.")
    assert lines[1] == "The polar axis points 46.00' +- 0.10' too high"
    assert hand in lines[2]
    assert lines[3] == f"Move it down and to the {goes}."


def test_an_axis_too_low_and_to_the_west_goes_up_and_east():
    lines = list(aim_sentences(alignment(52.0, -46.0, -31.0)))
    assert "too low" in lines[1]
    assert "too far left (west)" in lines[2]
    assert lines[3] == "Move it up and to the right."


@pytest.mark.parametrize(("azimuth", "against", "push"), [(31.0, "B", "A"), (-31.0, "A", "B")])
def test_of_opposed_bolts_the_one_in_the_way_is_loosened_first_and_each_keeps_its_name(
    azimuth, against, push
):
    found = steps(alignment(-27.0, 0.0, azimuth, push_pull=True), "azimuth")
    assert found[:4] == [
        "Bolt A pushes the upper end of the axis west, bolt B pushes it east.",
        f"Back {against} out half a turn (counter-clockwise), then turn {push} in half a turn (clockwise).",
        "Do that 3 times, then 0.06 turns the same way, never with both loose.",
        f"Last, turn {against} in until it just touches.",
    ]


@pytest.mark.parametrize(
    ("turns", "said"),
    [(1.0, "Do that 2 times, never"), (0.8, "Do that once, then 0.30 turns the same way, ")],
)
def test_half_turns_add_up_to_the_move(turns, said):
    move = replace(alignment(-27.0, 0.0, -31.0, push_pull=True).moves[1], turns=turns)
    assert list(opposed_steps(move))[2].startswith(said)


def test_less_than_half_a_turn_of_opposed_bolts_is_made_at_once():
    found = steps(alignment(-27.0, 0.0, 8.0, push_pull=True), "azimuth")
    assert found[1] == "Back B out 0.40 turns (counter-clockwise), then turn A in 0.40 turns (clockwise)."


@pytest.mark.parametrize("clockwise", ["east", "west"])
def test_of_two_opposed_bolts_no_single_sense_is_named(clockwise):
    wedge = {"push_pull": True, "azimuth_clockwise": clockwise}
    (move,) = (each for each in alignment(-27.0, 0.0, 31.0, **wedge).moves if each.adjuster == "azimuth")
    assert move.bolt is None
    assert str(move).endswith(": 1.56 turns of both bolts")


def test_altitude_ends_going_up_against_the_weight():
    # 46' at 19.4' a turn.
    down = "Go down 2.62 turns, then come back up a quarter turn, against the weight."
    assert steps(alignment(52.0, 46.0, 0.0), "altitude")[0] == down
    assert "Finish going up" in steps(alignment(52.0, -46.0, 0.0), "altitude")[0]


def test_what_a_lean_costs_is_stated_and_a_level_wedge_costs_nothing():
    assert not any("than the error" in step for step in steps(alignment(35.0, 30.0, 100.0), "altitude"))
    # 100' of azimuth times the sine of a lean of 1 degree.
    lean = alignment(35.0, -30.0, 100.0, lean_east_deg=1.0)
    assert "less than the error" in " ".join(steps(lean, "altitude"))
    assert lean.moves[0].crosstalk_arcmin == pytest.approx(-1.75, abs=0.15)
    assert lean.moves[0].arcmin == pytest.approx(30.0 - 1.75, abs=0.15)


def test_a_move_that_is_not_significant_is_left_and_its_turns_are_not_given():
    found = alignment(52.0, 0.1, 31.0)
    altitude, azimuth = found.moves
    assert instruction(altitude, found) == "Leave the altitude: 0.10' +- 0.10' is not significant (95 %)"
    assert steps(found, "altitude") == []
    assert instruction(azimuth, found) == str(azimuth)
    assert steps(found, "azimuth")


def test_a_move_smaller_than_a_hand_can_set_is_left():
    # An eighth of a turn is 2.4' here.
    found = alignment(52.0, 2.2, -2.3)
    assert [left_alone(move, found) for move in found.moves] == ["finer than a hand can set"] * 2
    assert turn_heading(found) == "Turn nothing:"
    assert list(left_sentences(found)) == []
    assert not any("Move it" in line for line in aim_sentences(found))
    larger = alignment(52.0, 2.6, -2.3)
    assert [bool(left_alone(move, larger)) for move in larger.moves] == [False, True]
    assert "Move it down." in list(aim_sentences(larger))
    assert turn_heading(larger).startswith("Turn the bolts in this order (directions as")


def test_a_base_is_levelled_by_the_metre():
    found = alignment(52.0, -46.0, 31.0, "altaz")
    lines = list(aim_sentences(found))
    assert lines[1] == "The azimuth axis leans 46.00' +- 0.10' towards you (south)"
    assert "to the right (east)" in lines[2]
    # 46' of a metre is 13.38 mm.
    assert steps(found, "north side") == [
        "13.38 mm for every metre of base width.",
        "Or raise the south side by as much.",
    ]


def test_what_remains_is_stated():
    left = " ".join(left_sentences(alignment(0.5, 46.0, 31.0)))
    # sqrt(0.1^2 + 0.2^2) near the equator.
    assert "a measuring error of 0.22' remains" in left


def test_each_move_says_what_a_turn_and_a_tenth_of_a_turn_do():
    # 1.75 mm on 310 mm are 19.4'.
    said = steps(alignment(0.5, 46.0, 31.0), "altitude")[-1]
    assert said == "One turn moves it 19.4', a tenth of a turn 1.9'."


@pytest.mark.parametrize("kind", ["fork", "altaz"])
def test_cautions_stand_before_the_moves(kind):
    lines = list(polar_lines(alignment(-27.0, 46.0, 31.0, kind)))
    first_move = next(place for place, line in enumerate(lines) if line.strip().startswith("1. "))
    assert lines.index("Before you touch a bolt:") < first_move
    assert all(len(line) <= 80 for line in lines if line.startswith("     "))


def test_feet_are_given_for_the_whole_lean_and_not_for_one_move_of_two():
    found = alignment(52.0, -46.0, 31.0, "altaz", feet_az_deg=(0.0, 120.0, 240.0), feet_radius_mm=400.0)
    assert any("With feet or shims" in line for line in adjustment_lines(found))
    one = list(adjustment_lines(replace(found, moves=found.moves[:1])))
    assert not any("With feet or shims" in line for line in one)
    assert any("for every metre" in line for line in one)

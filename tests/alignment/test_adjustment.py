"""What the bolts did, by moving a simulated mount's axis in known ways between two runs."""

from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u
from scipy.optimize import minimize_scalar

from skysample.alignment.adjustment import asked_and_made
from skysample.alignment.comparing import compare
from skysample.alignment.instructions import bolt_steps
from skysample.alignment.wedge import lone_move
from skysample.site import Wedge
from tests.conftest import make_site
from tests.simulated_nights import simulated_alignment
from tests.simulated_wedge import WEDGES, SimulatedWedge, misaimed, pole_of

BOLTS = {
    "altitude_arm_mm": 310.0,
    "altitude_pitch_mm": 1.75,
    "altitude_clockwise": "raise",
    "azimuth_arm_mm": 260.0,
    "azimuth_pitch_mm": 1.5,
    "azimuth_clockwise": "east",
}
BEFORE = (46.0, -30.0)


def alignment(site, first_arcmin, second_arcmin, seed=0, noise_arcsec=1.0, **night):
    rng = np.random.default_rng(seed)
    return simulated_alignment(site, first_arcmin, second_arcmin, noise_arcsec=noise_arcsec, rng=rng, **night)


def adjusted(first_arcmin, second_arcmin, site=None, limit=5.0, **more):
    """Compare a mount set down 46' too high and 30' west with where it stands now."""
    site = site or make_site("fork", 35.0)
    return compare(
        alignment(site, *BEFORE, seed=1),
        alignment(site, first_arcmin, second_arcmin, seed=2, more=more),
        limit * u.arcmin,
    )


@pytest.mark.parametrize(
    ("left", "verdicts"),
    [
        ((0.0, 0.0), ("as asked", "as asked")),
        ((-12.0, 0.0), ("overshot", "as asked")),
        ((20.0, 0.0), ("fell short", "as asked")),
        ((104.0, 0.0), ("wrong way", "as asked")),
        ((46.0, 0.0), ("did not move", "as asked")),
        ((0.0, 2.0), ("as asked", "crept")),
        ((0.0, 12.0), ("as asked", "overshot")),
        ((0.0, -12.0), ("as asked", "fell short")),
        ((0.0, -60.0), ("as asked", "wrong way")),
    ],
)
def test_what_a_bolt_did_is_judged_by_where_the_axis_went(left, verdicts):
    found = adjusted(*left)
    assert tuple(each.verdict for each in found.adjusters) == verdicts
    altitude, azimuth = found.adjusters
    assert altitude.asked_arcmin == pytest.approx(-46.0, abs=0.2)
    assert azimuth.asked_arcmin == pytest.approx(30.0, abs=0.2)
    for each, was, now in zip(found.adjusters, BEFORE, left, strict=True):
        assert abs(each.made_arcmin - (now - was)) < 5.0 * each.stderr_arcmin
        assert abs(each.miss_arcmin - now) < 5.0 * each.stderr_arcmin + 1e-9


def test_a_bolt_that_nobody_was_asked_to_touch_crept():
    site = make_site("fork", 35.0)
    found = compare(alignment(site, 40.0, 0.0, seed=1), alignment(site, 0.0, 3.0, seed=2), 5.0 * u.arcmin)
    assert [each.verdict for each in found.adjusters] == ["as asked", "crept"]
    assert "crept while the clamps were tightened" in found.adjusters[1].sentence


def test_a_miss_below_an_eighth_of_a_turn_is_as_near_as_a_hand_sets_it():
    # An eighth of a turn of 1.75 mm on 310 mm is 2.43'.
    found = adjusted(1.5, 0.0, make_site("fork", 35.0, wedge=BOLTS))
    assert found.adjusters[0].by_hand_arcmin == pytest.approx(2.43, abs=0.01)
    assert [each.verdict for each in found.adjusters] == ["close", "as asked"]


@pytest.mark.parametrize("latitude", [48.0, -27.0])
@pytest.mark.parametrize("hinge", ["on_azimuth", "ground"])
def test_what_was_asked_is_what_the_first_run_says_to_turn(latitude, hinge):
    site = make_site("fork", latitude, wedge={"hinge": hinge, "lean_east_deg": 1.0})
    before = alignment(site, 40.0, 90.0, seed=1)
    asked = {
        move.adjuster: move.arcmin * (1 if move.direction in {"raise", "east"} else -1)
        for move in before.moves
    }
    for each in asked_and_made(before, alignment(site, 0.0, 0.0, seed=2)):
        assert each.asked_arcmin == pytest.approx(asked[each.adjuster], abs=1e-6)
        assert abs(each.miss_arcmin) < 4.0 * each.stderr_arcmin


def test_sides_of_an_altaz_base_are_compared_as_raised():
    site = make_site("altaz", 35.0)
    found = compare(alignment(site, 30.0, -20.0, seed=1), alignment(site, 0.0, -35.0, seed=2), 5.0 * u.arcmin)
    north, east = found.adjusters
    assert (north.adjuster, north.verdict) == ("north side", "as asked")
    assert north.made_arcmin == pytest.approx(30.0, abs=0.2)
    assert (east.adjuster, east.verdict) == ("east side", "wrong way")
    assert east.asked_arcmin == pytest.approx(-20.0, abs=0.2)
    assert east.made_arcmin == pytest.approx(15.0, abs=0.2)


def test_a_term_that_nobody_was_asked_to_touch_is_named_when_it_changed():
    found = adjusted(0.0, 0.0, cone=260.0)
    assert [each.term for each in found.disturbed] == ["cone"]
    assert any(
        "Also changed: tube, mirror or camera shifted: cone grew by" in each for each in found.sentences
    )
    row = found.terms[list(found.terms["term"]).index("cone")]
    assert row["change"].value == pytest.approx(60.0, abs=15.0)
    assert (row["after"] - row["before"]).value == pytest.approx(row["change"].value, abs=1e-6)


def test_sound_adjustments_are_called_wrong_in_at_most_one_of_twenty():
    site = make_site("fork", 35.0)
    nights, wrong = 40, 0
    for night in range(nights):
        before = alignment(site, *BEFORE, seed=1000 + night, points=12)
        # Made exactly as told: what is left is the error of the first run.
        left = np.array(before.aim) - np.radians(BEFORE) / 60.0
        after = alignment(site, *(-np.degrees(left) * 60.0), seed=5000 + night, points=12)
        found = compare(before, after, 5.0 * u.arcmin)
        wrong += any(each.beyond_chance for each in found.adjusters) or bool(found.disturbed)
    # 40 nights at 5 %: more than 6 has a chance below 0.5 %.
    assert wrong <= 6


def test_within_the_limit_no_move_is_worth_it():
    found = adjusted(1.0, 1.0)
    assert found.within_limit
    assert found.next_moves == ()
    off = f"{found.after.total_error.value:.2f}' off, within the 5' limit"
    assert found.next_sentence == f"Leave the bolts alone: the axis is {off}."


@pytest.mark.parametrize(("exposure_s", "enough"), [(1.0, True), (600.0, False)])
def test_within_the_limit_the_camera_may_still_need_better(exposure_s, enough):
    # Half a pixel of 1" is 1/30 of the 15" that the sky turns in 1 s: 1.9 degrees; in 600 s 11".
    camera = {"exposure_s": exposure_s, "overhead_s": 4.0, "pixel_arcsec": 1.0, "size_px": [4096, 4096]}
    found = adjusted(1.0, 1.0, make_site("fork", 35.0, camera=camera))
    assert found.next_sentence.startswith("Leave the bolts alone" if enough else "The axis is ")
    assert ("track with the model" in found.next_sentence) is not enough


def test_one_move_is_worth_it_where_it_alone_is_enough():
    found = adjusted(1.0, 30.0)
    assert [move.adjuster for move in found.next_moves] == ["azimuth"]
    assert "azimuth alone leaves" in found.next_sentence
    assert [move.adjuster for move in adjusted(30.0, 1.0).next_moves] == ["altitude"]


@pytest.mark.parametrize("adjuster", ["altitude", "azimuth"])
@pytest.mark.parametrize("built", ["leaning", "leaning, hinge on the ground"])
def test_a_move_made_alone_is_the_best_that_this_adjuster_can_do_by_itself(built, adjuster):
    latitude, errors_rad = 35.0, np.radians([40.0 / 60.0, 35.0 / 60.0])
    wedge = Wedge(**WEDGES[built])
    move, left = lone_move(adjuster, *errors_rad, np.zeros((2, 2)), np.radians(latitude), wedge)
    metal = SimulatedWedge(latitude, misaimed(latitude, *errors_rad), **WEDGES[built])
    pole = pole_of(latitude)
    sense = 1.0 if move.direction in {"raise", "east"} else -1.0

    def left_by(arcmin):
        angle = np.radians(sense * arcmin / 60.0)
        turned = metal.turned(angle, 0.0) if adjuster == "altitude" else metal.turned(0.0, angle)
        return np.arccos(turned.apply(pole) @ pole)

    by_force = minimize_scalar(left_by, bounds=(0.0, 120.0), method="bounded", options={"xatol": 1e-6})
    assert move.arcmin == pytest.approx(by_force.x, abs=0.01)
    assert left == pytest.approx(left_by(move.arcmin), rel=1e-5)
    assert move.crosstalk_arcmin == 0.0


def test_one_move_on_a_leaning_wedge_is_not_half_of_two():
    site = make_site("fork", 35.0, wedge=BOLTS | {"hinge": "on_azimuth", "lean_east_deg": 3.0})
    found = adjusted(30.0, 1.0, site)
    assert [move.adjuster for move in found.next_moves] == ["altitude"]
    assert found.next_moves[0].crosstalk_arcmin == 0.0
    assert not any("does the rest" in line for line in bolt_steps(found.next_moves[0], found.after))


def test_both_moves_are_worth_it_where_one_is_not_enough():
    assert [move.adjuster for move in adjusted(20.0, 20.0).next_moves] == ["altitude", "azimuth"]


def test_no_move_is_worth_it_where_the_rest_is_measuring_error():
    site = make_site("fork", 35.0)
    after = alignment(site, 0.0, 0.0, seed=4, noise_arcsec=30.0, points=10)
    found = compare(alignment(site, *BEFORE, seed=1), after, 0.05 * u.arcmin)
    assert found.next_moves == ()
    assert "more points" in found.next_sentence


def test_a_limit_below_what_such_runs_measure_is_said():
    found = adjusted(20.0, 20.0, limit=0.01)
    assert [move.adjuster for move in found.next_moves] == ["altitude", "azimuth"]
    assert "a run like this cannot show that 0.01' is reached" in found.next_sentence


def test_models_of_other_terms_are_not_compared_term_by_term():
    site = make_site("fork", 35.0)
    after = alignment(site, 1.0, 1.0, terms=["standard", "primary_sin"])
    found = compare(alignment(site, *BEFORE), after, 5.0 * u.arcmin)
    assert found.changes == ()
    assert "differ in primary_sin" in found.reservations[0]
    assert len(found.terms) == 0
    assert [each.adjuster for each in found.adjusters] == ["altitude", "azimuth"]

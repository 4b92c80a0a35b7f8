"""Whether a run belongs to its site: mistakes are named, sound runs are left alone."""

from __future__ import annotations

from dataclasses import replace

import erfa
import numpy as np
import pytest
from astropy.time import Time, TimeDelta

import skysample
from skysample.errors import InputError, SkysampleWarning
from skysample.plugins import Mistake, hookimpl
from skysample.runs import Run
from skysample.site import Site
from skysample.trust import CAUSES
from skysample.trust.places import away_from_plan, behind_the_dome
from tests.trust.nights import run_of, site_dict, sound_night

KINDS = ("fork", "german", "altaz")


def later(table, hours):
    table["time"] = (Time(table["time"], scale="utc") + TimeDelta(hours / 24.0, format="jd")).isot


def checked(site, table, **given):
    run = run_of(site, table)
    return skysample.check(run, run.site, **given)


@pytest.mark.parametrize("by", ["readings", "targets"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_run_is_trusted(kind, by):
    for seed in range(4):
        found = checked(*sound_night(kind, by=by, seed=seed))
        assert (found.verdict, found.causes) == ("turn", ())
        assert found.turns_allowed


@pytest.mark.parametrize("kind", KINDS)
def test_a_smooth_field_that_no_term_describes_is_no_mistake(kind):
    # 20 arcsec of encoder error twice a turn, which the standard terms do not have.
    for seed in range(4):
        odd = {"secondary_sin_twice": 20.0, "primary_cos_twice": -20.0}
        assert checked(*sound_night(kind, 30, terms=odd, seed=seed)).verdict == "turn"


@pytest.mark.parametrize("kind", KINDS)
def test_false_solutions_are_no_mistake(kind):
    site, table = sound_night(kind, 20)
    table["solved_dec_deg"][[4, 11]] += [0.4, -1.1]
    assert checked(site, table).verdict == "turn"


def in_table(change, *arguments):
    return lambda night: change(night[1], *arguments)


def hours_for_degrees(table):
    table["solved_ra_deg"] /= 15.0


def apparent(table):
    date = Time(table["time"], scale="utc").tt
    ra, dec, origins = erfa.atci13(
        np.radians(table["solved_ra_deg"]),
        np.radians(table["solved_dec_deg"]),
        0,
        0,
        0,
        0,
        date.jd1,
        date.jd2,
    )
    table["solved_ra_deg"], table["solved_dec_deg"] = np.degrees(ra - origins) % 360.0, np.degrees(dec)


def reversed_primary(table):
    table["primary_deg"] = -table["primary_deg"]


def a_row_late(table):
    for name in ("solved_ra_deg", "solved_dec_deg"):
        table[name] = np.roll(table[name], 1)


def slipped(table):
    table["primary_deg"][8:] += 20.0 / 60.0


def other_sign(key):
    def wrong(night):
        night[0]["location"][key] *= -1.0

    return wrong


@pytest.mark.parametrize(
    ("kind", "wrong", "cause"),
    [
        ("fork", in_table(later, 7.0), "clock"),
        ("german", in_table(later, -2.0), "clock"),
        ("altaz", in_table(later, 1.0), "clock"),
        ("fork", other_sign("longitude_deg"), "longitude"),
        ("altaz", other_sign("latitude_deg"), "latitude"),
        ("fork", other_sign("latitude_deg"), "latitude"),
        ("fork", in_table(hours_for_degrees), "units"),
        ("altaz", in_table(apparent), "coordinates of date"),
        ("fork", in_table(apparent), "coordinates of date"),
        ("fork", in_table(reversed_primary), "axes"),
        ("altaz", in_table(reversed_primary), "axes"),
        ("german", in_table(a_row_late), "rows"),
        ("fork", in_table(slipped), "slip"),
        ("altaz", in_table(slipped), "slip"),
    ],
)
def test_a_mistake_is_named_and_no_bolt_is_turned(kind, wrong, cause):
    night = sound_night(kind)
    wrong(night)
    found = checked(*night)
    assert not found.turns_allowed
    first = found.causes[0]
    assert first.cause == cause
    assert first.harmful
    assert first.fix
    assert str(first) in found.summary()
    assert found.table["cause"][0] == cause


def test_an_hour_of_clock_and_fifteen_degrees_of_longitude_are_both_said():
    site, table = sound_night("german")
    later(table, 3.0)
    causes = [each.cause for each in checked(site, table).causes]
    assert {"clock", "longitude"} <= set(causes)


def test_moves_are_said_to_be_wrong_by_what_the_mistake_costs():
    site, table = sound_night("fork", 40, noise_arcsec=0.7)
    right = skysample.polar(skysample.fit(run_of(site, table), Site.from_dict(site)), Site.from_dict(site))
    later(table, 2.0)
    run = run_of(site, table)
    wrong = skysample.polar(skysample.fit(run, run.site), run.site)
    apart = np.hypot(
        (wrong.altitude_error - right.altitude_error).value,
        (wrong.azimuth_error - right.azimuth_error).value * np.cos(run.site.location.latitude_rad),
    )
    found = skysample.check(run, run.site)
    assert found.causes[0].moves_wrong_by_arcmin == pytest.approx(apart, abs=0.2)


def test_another_kind_of_mount_is_named():
    site, table = sound_night("altaz")
    site["mount"]["kind"] = "fork"
    found = checked(site, table)
    assert found.verdict == "do not turn"
    assert "kind" in [each.cause for each in found.causes]


def test_stale_solutions_are_a_caution_that_moves_nothing():
    site, table = sound_night("fork", 20)
    for row in (5, 12):
        for name in ("solved_ra_deg", "solved_dec_deg"):
            table[name][row] = table[name][row - 1]
    found = checked(site, table)
    assert found.verdict == "turn"
    assert [each.cause for each in found.causes] == ["rows"]
    assert any("old image" in each for each in found.cautions)


def test_an_undeclared_run_with_every_term_near_zero_is_to_be_checked():
    near_zero = {
        "axis_skew": 2.0,
        "cone": -3.0,
        "tube_flexure": 1.0,
        "primary_zero": 5.0,
        "secondary_zero": 4.0,
    }
    site, table = sound_night("fork", axis_arcmin=(0.1, 0.1), terms=near_zero)
    assert checked(site, table).verdict == "turn"
    table.meta = {}
    found = checked(site, table)
    assert (found.verdict, found.causes[0].cause) == ("check first", "model active")


def test_a_model_left_on_is_known_by_the_run_before():
    site, before = sound_night("fork")
    near_zero = {"axis_skew": 2.0, "cone": -3.0, "tube_flexure": 1.0}
    _, after = sound_night("fork", axis_arcmin=(0.5, 0.4), terms=near_zero, seed=5, start_h=1.0)
    assert checked(site, after).verdict == "turn"
    found = checked(site, after, earlier=[run_of(site, before)])
    assert (found.verdict, found.causes[0].cause) == ("check first", "model active")


def test_a_bolt_that_went_the_other_way_is_not_turned_again():
    site, before = sound_night("fork", axis_arcmin=(28.0, 2.0))
    _, after = sound_night("fork", axis_arcmin=(56.0, 0.0), seed=4, start_h=1.0)
    found = checked(site, after, earlier=[run_of(site, before)])
    assert not found.turns_allowed
    assert "altitude bolt moves the axis the other way" in found.causes[0].sentence


def test_places_are_compared_with_the_plan():
    site = site_dict("fork")
    place = Site.from_dict(site)
    plan = skysample.plan(place, 16)
    _, table = sound_night("fork")
    # The run has the numbers of a plan whose points lie elsewhere.
    table["point"] = np.arange(1, len(table) + 1)
    assert checked(site, table).verdict == "turn"
    run = run_of(site, table)
    far = away_from_plan(run.directions, plan.grid.directions[plan.order], 0.01)
    assert far.sum() > 5
    assert not away_from_plan(run.directions, run.directions, 0.01).any()
    assert not away_from_plan(run.directions, np.full((16, 3), np.nan), 0.01).any()


def test_a_place_that_the_dome_hid_is_evidence():
    site, table = sound_night("fork")
    site["dome"] = {"radius_m": 3.0, "slit_width_m": 1.2}
    run = run_of(site, table)
    east, north = run.directions[:, 0], run.directions[:, 1]
    table["dome_az_deg"] = np.degrees(np.arctan2(east, north)) % 360.0
    run = run_of(site, table)
    assert not behind_the_dome(run.site, run.log, run.directions, 0.02).any()
    assert checked(site, table).verdict == "turn"
    later(table, 2.0)
    moved = run_of(site, table)
    assert behind_the_dome(moved.site, moved.log, moved.directions, 0.02).sum() > 8
    found = checked(site, table)
    assert (found.verdict, found.causes[0].cause) == ("do not turn", "clock")
    assert "places lie outside what the site allows" in found.causes[0].evidence


def test_worth_says_what_a_minute_of_clock_costs_an_altaz():
    found = checked(*sound_night("altaz"))
    worth = {each.wrong: each.arcmin for each in found.worth}
    # The sky turns by 15.04' a minute; the lean is that times the cosine of the latitude.
    assert worth["clock 1 min"] == pytest.approx(15.041 * np.cos(np.radians(34.0)), abs=0.2)
    assert worth["latitude 0.1 deg"] == pytest.approx(6.0, abs=0.1)
    assert "clock 1 min 13'" in found.worth_sentence


def test_few_points_are_not_said_to_be_checked():
    site, table = sound_night("fork", 16)
    found = checked(site, table[:6])
    assert (found.verdict, found.causes[0].cause) == ("check first", "noise")


def test_a_time_in_the_future_is_said():
    site, table = sound_night("fork")
    table["time"] = [f"2061{each[4:]}" for each in table["time"]]
    with pytest.warns(SkysampleWarning, match="Earth orientation"):
        found = checked(site, table)
    assert any("in the future" in each for each in found.cautions)


def test_a_run_from_arrays_cannot_be_checked():
    site = Site.from_dict(site_dict("fork"))
    run = Run.from_arrays(site, np.zeros((9, 2)), np.tile([0.0, 0.0, 1.0], (9, 1)))
    with pytest.raises(InputError, match="made from arrays"):
        skysample.check(run, site)


def in_degrees(log, site):
    return replace(log, mount_rad=log.mount_rad * 0.9), site


class LoggerInGradians:
    """A plugin with a mistake of its own."""

    @hookimpl
    def skysample_mistakes(self, site):
        return [
            Mistake(
                "gradians",
                "units",
                f"the readings of this {site.mount.kind} are in gradians",
                "Set it up.",
                in_degrees,
            )
        ]


def test_a_plugin_offers_a_mistake_of_its_own():
    registry = skysample.build_registry([("logger", LoggerInGradians())])
    site, table = sound_night("fork")
    table["primary_deg"], table["secondary_deg"] = table["primary_deg"] / 0.9, table["secondary_deg"] / 0.9
    found = checked(site, table, registry=registry)
    assert found.causes[0].sentence == "the readings of this fork are in gradians"
    assert found.verdict == "do not turn"


def test_a_mistake_names_one_of_the_causes():
    assert "clock" in CAUSES
    with pytest.raises(ValueError, match="is not one of"):
        Mistake("odd", "weather", "rain", "wait", lambda log, site: (log, site))


def test_places_below_the_horizon_are_refused_unless_they_are_to_be_explained():
    site, table = sound_night("fork")
    later(table, 8.0)
    with pytest.raises(InputError, match="below the horizon"):
        Run.from_table(table, Site.from_dict(site))
    assert checked(site, table).causes[0].cause == "clock"

"""What moved between two models of one telescope; truth comes from a simulated mount whose wedge really moves."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from astropy import units as u
from astropy.time import Time

import skysample as ss
from skysample.alignment.history import history
from skysample.cli.main import run_command
from skysample.errors import InputError, NotDetermined
from skysample.fitting import fit, load_model
from skysample.runs import Run, read_run
from skysample.site import load_site
from skysample.testing import SimulatedMount
from tests.conftest import make_site
from tests.job_folder import SITE, take_run
from tests.simulated_nights import errors, scatter, spread_places, unit_vectors

MARCH, MAY, JULY = "2026-03-02T21:00:00", "2026-05-20T21:00:00", "2026-07-08T21:00:00"


def night(
    mount, day=MARCH, *, n=25, seed=1, terms=None, zeros_deg=(0.0, 0.0), noise=1.5, plugins=None, **declared
):
    """A model of one night; `zeros_deg` is what the encoders read too much."""
    site = make_site(mount.kind, mount.latitude_deg, plugins=plugins or {})
    side = np.where((np.arange(n) % 2 == 0) | (mount.kind != "german"), 1, -1)
    axes = np.stack(mount.reading(*spread_places(n), side), axis=1)
    seen = scatter(unit_vectors(*mount.point(*axes.T)), noise, np.random.default_rng(seed))
    time = None if day is None else Time(day) + np.arange(n) * u.min
    run = Run.from_arrays(site, axes + np.radians(zeros_deg), seen, side=side, time=time, **declared)
    return fit(run, site, terms)


def mount(kind="fork", latitude=35.0, **more):
    return SimulatedMount(kind, latitude, terms_arcsec={**errors(kind, 600.0, -900.0), **more})


def change(past, term):
    (found,) = (each for each in past.changes if each.term == term)
    return found


# Movements


@pytest.mark.parametrize(
    ("kind", "latitude"), [("fork", 35.0), ("fork", -27.0), ("german", 48.0), ("german", -33.0)]
)
def test_a_polar_axis_that_sank_is_reported_with_its_error_and_nothing_else_is(kind, latitude):
    still = mount(kind, latitude)
    past = history([night(still), night(still.adjusted(altitude_arcsec=-72.0), MAY, seed=2)])
    (moved,) = past.moved
    assert moved.term == "polar_altitude"
    assert moved.sentence.startswith("the polar axis sank 1.")
    assert f"since 2026-03-02 ({moved.sigmas:.0f} sigma)" in moved.sentence
    assert abs(moved.change_rad * 648000.0 / np.pi + 72.0) < 4.0 * moved.stderr_rad * 648000.0 / np.pi
    (axis,) = past.axis
    assert axis.total.value == pytest.approx(1.2, abs=4.0 * axis.stderr.value)


@pytest.mark.parametrize("latitude", [35.0, -27.0])
def test_an_axis_that_turned_east_moves_on_the_sky_by_the_cosine_of_its_altitude(latitude):
    still = mount(latitude=latitude)
    past = history([night(still), night(still.adjusted(azimuth_arcsec=300.0), MAY, seed=2)])
    assert change(past, "polar_azimuth").sentence.startswith("the polar axis turned ")
    assert "to the east since 2026-03-02" in change(past, "polar_azimuth").sentence
    cosine = np.cos(np.radians(abs(latitude) + 600.0 / 3600.0))
    assert past.axis[0].total.value == pytest.approx(5.0 * cosine, abs=4.0 * past.axis[0].stderr.value)


def test_the_error_of_the_axis_movement_is_its_scatter_over_nights():
    still = mount()
    turned = still.adjusted(altitude_arcsec=240.0, azimuth_arcsec=-180.0)
    found = [
        history([night(still, seed=seed), night(turned, MAY, seed=100 + seed)]).axis[0] for seed in range(40)
    ]
    scatter_of = np.std([each.total.value for each in found], ddof=1)
    stated = np.sqrt(np.mean([each.stderr.value**2 for each in found]))
    # The scatter of 40 has an error of 11 %.
    assert stated == pytest.approx(scatter_of, rel=0.35)


def test_the_movement_of_the_axis_is_the_angle_between_its_directions():
    # Without noise, against the axis as the simulated mount's own rotations carry it.
    still = SimulatedMount("german", 48.0, terms_arcsec={"polar_altitude": 3000.0, "polar_azimuth": -9000.0})
    moved = still.adjusted(altitude_arcsec=1800.0, azimuth_arcsec=6600.0)
    pole = np.array([0.0, np.cos(np.radians(48.0)), np.sin(np.radians(48.0))])
    ends = [each.errors.base().apply(pole) for each in (still, moved)]
    angle = np.degrees(np.arccos(ends[0] @ ends[1])) * 60.0
    past = history([night(still, noise=0.0), night(moved, MAY, noise=0.0)])
    assert past.axis[0].total.value == pytest.approx(angle, abs=1e-6)


def test_a_base_that_leans_over_is_said_for_an_altaz():
    still = mount("altaz", -20.0)
    leaning = still.adjusted(tilt_north_arcsec=-60.0, tilt_east_arcsec=45.0)
    past = history([night(still), night(leaning, MAY, seed=2)])
    assert "to the south" in change(past, "tilt_north").sentence
    assert "to the east" in change(past, "tilt_east").sentence
    assert past.axis_moved
    assert past.axis[0].total.value == pytest.approx(np.hypot(1.0, 0.75), abs=4.0 * past.axis[0].stderr.value)


def test_other_terms_are_said_in_words_of_their_own():
    past = history([night(mount()), night(mount(cone=230.0, fork_flexure=30.0), MAY, seed=2)])
    assert change(past, "cone").sentence.startswith(
        'tube, mirror or camera shifted: cone grew by 27.8" +- 3.4"'
    )
    assert change(past, "fork_flexure").sentence.startswith("fork_flexure grew by ")
    assert not past.axis_moved
    assert "on the sky" not in str(past)


def test_nothing_moved_is_stated():
    past = history([night(mount()), night(mount(), MAY, seed=4)])
    assert not past.moved
    assert str(past).startswith("no mechanical change detected (8 changes compared")
    assert {each.verdict for each in past.changes} == {"within error"}


def test_three_models_are_compared_in_turn_and_from_end_to_end_in_the_order_of_time():
    still = mount()
    models = [
        night(still.adjusted(altitude_arcsec=-80.0), JULY, seed=3),
        night(still, seed=1),
        night(still.adjusted(altitude_arcsec=-40.0), MAY, seed=2),
    ]
    past = history(models)
    assert past.moments == ("2026-03-02", "2026-05-20", "2026-07-08")
    sank = [each for each in past.changes if each.term == "polar_altitude"]
    assert [(each.since, each.until) for each in sank] == [
        ("2026-03-02", "2026-05-20"),
        ("2026-05-20", "2026-07-08"),
        ("2026-03-02", "2026-07-08"),
    ]
    assert "between 2026-03-02 and 2026-05-20" in sank[0].sentence
    assert "since 2026-03-02" in sank[2].sentence
    assert len(past.axis) == 3


def test_two_runs_of_one_day_are_told_apart_by_the_hour_and_runs_without_times_by_their_number():
    one_day = history([night(mount(), "2026-03-02T23:30:00", seed=2), night(mount())])
    assert one_day.moments == ("2026-03-02 21:00", "2026-03-02 23:30")
    timeless = history([night(mount(), None), night(mount(), MAY, seed=2)])
    assert timeless.moments == ("model 1", "2026-05-20")


# What is no movement of metal


@pytest.mark.parametrize(("kind", "latitude"), [("fork", 35.0), ("german", -33.0)])
def test_an_encoder_that_was_re_homed_moved_nothing(kind, latitude):
    off_centre = {"primary_sin": 60.0, "primary_cos": -40.0, "secondary_sin": 50.0, "secondary_cos": 70.0}
    still = mount(kind, latitude, **off_centre)
    past = history(
        [
            night(still, n=60, terms=["extended"], session="one"),
            night(still, MAY, n=60, seed=2, terms=["extended"], zeros_deg=(25.0, -12.0), session="two"),
        ]
    )
    assert not past.moved
    for term in ("primary_zero", "secondary_zero"):
        assert change(past, term).verdict == "zero changed"
        assert "re-homed or re-synced. The mount itself did not move" in change(past, term).sentence
    assert "no mechanical change detected" in str(past)


WAVES_TWICE_A_TURN = {
    "primary_sin_twice": 50.0,
    "primary_cos_twice": -60.0,
    "secondary_sin_twice": 40.0,
    "secondary_cos_twice": 70.0,
}
ROCKING = {
    "azimuth_nod_sin": 60.0,
    "azimuth_nod_cos": -50.0,
    "azimuth_roll_sin": 40.0,
    "azimuth_roll_cos": 80.0,
}
BY_SIDE = {"cone_by_side": 60.0, "tube_flexure_by_side": -50.0}


@pytest.mark.parametrize(
    ("kind", "latitude", "waves"),
    [
        ("fork", 35.0, WAVES_TWICE_A_TURN),
        ("german", -33.0, WAVES_TWICE_A_TURN | BY_SIDE),
        ("altaz", 20.0, ROCKING),
    ],
)
def test_what_swings_twice_a_turn_is_compared_in_the_readings_of_the_earlier_night(kind, latitude, waves):
    still, terms = mount(kind, latitude, **waves), ["standard", *waves]
    past = history(
        [
            night(still, n=80, terms=terms, noise=0.0, session="one"),
            night(still, MAY, n=80, terms=terms, noise=0.0, zeros_deg=(25.0, -12.0), session="two"),
        ]
    )
    # What differs by side is a rotation in the metal and its first order in the model.
    rounding = 0.1 if kind == "german" else 1e-3
    for term in waves:
        assert abs(change(past, term).change_rad) * 648000.0 / np.pi < rounding, term


def test_half_a_wave_twice_a_turn_is_not_compared_once_the_zero_is_elsewhere():
    still, terms = mount("altaz", 20.0, azimuth_nod_cos=60.0), ["standard", "azimuth_nod_cos"]
    past = history(
        [night(still, n=60, terms=terms), night(still, MAY, n=60, terms=terms, seed=2, zeros_deg=(5.0, 0.0))]
    )
    assert not past.moved
    assert "azimuth_nod_cos" not in {each.term for each in past.changes}
    assert any(each.startswith("azimuth_nod_cos is not compared") for each in past.reservations)


def test_within_one_session_a_shifted_zero_may_be_a_slipped_coupling():
    past = history(
        [night(mount(), session="one"), night(mount(), MAY, seed=2, zeros_deg=(0.1, 0.0), session="one")]
    )
    assert "re-homed, re-synced or a slipped coupling" in change(past, "primary_zero").sentence
    assert not past.moved


def test_half_an_eccentricity_is_not_compared_once_the_zero_is_elsewhere():
    still = mount("altaz", 20.0, secondary_sin=90.0)
    models = [
        night(still, n=60, terms=["extended"]),
        night(still, MAY, n=60, seed=2, terms=["extended"], zeros_deg=(0.0, 5.0)),
    ]
    past = history(models)
    assert "secondary_sin" in models[0].names
    assert "secondary_sin" not in {each.term for each in past.changes}
    assert any(each.startswith("secondary_sin is not compared") for each in past.reservations)
    # Whose cosine is the flexure of the tube.
    assert "tube_flexure" not in {each.term for each in past.changes}
    assert not past.moved


# How often it is wrong


@pytest.mark.parametrize("count", [2, 3])
def test_where_nothing_moved_anything_is_called_moved_in_at_most_one_history_of_twenty(count):
    # Estimates drawn from the theory of the linear fit at 15 points, each with a noise of its own size and estimate.
    base = night(mount("german", 48.0), n=15)
    rng = np.random.default_rng(5)
    root = np.linalg.cholesky(base.covariance_rad2 / base.sigma_rad**2)
    wrong, trials = 0, 400
    for _ in range(trials):
        models = []
        for number in range(count):
            size = base.sigma_rad * rng.uniform(0.5, 2.0)
            guess = size * np.sqrt(rng.chisquare(base.dof) / base.dof)
            models.append(
                replace(
                    base,
                    values_rad=base.values_rad + size * root @ rng.standard_normal(len(base.names)),
                    covariance_rad2=base.covariance_rad2 * (guess / base.sigma_rad) ** 2,
                    sigma_rad=guess,
                    run=replace(
                        base.run, start_utc=f"2026-0{number + 1}-01T20:00:00.000", fingerprint=str(number)
                    ),
                )
            )
        wrong += any(each.beyond_chance for each in history(models).changes)
    # 400 chances of 5 %: more than 34 happen in one of 1,000.
    assert wrong <= 34
    assert wrong > 0


# What cannot be compared is refused


def test_one_model_or_one_run_twice_is_refused():
    model = night(mount())
    with pytest.raises(InputError, match="two or more"):
        history([model])
    with pytest.raises(InputError, match="two models are of the same run"):
        history([model, model])


def test_models_of_different_terms_mounts_places_or_sites_are_refused():
    model = night(mount())
    with pytest.raises(InputError, match=r"different terms \(primary_cos, primary_sin, .*same --terms"):
        history([model, night(mount(), MAY, n=40, terms=["extended"])])
    with pytest.raises(InputError, match=r"is of a german mount .* of a fork .*one telescope"):
        history([model, night(mount("german"), MAY)])
    with pytest.raises(InputError, match=r"at latitude 35\.1"):
        history([model, night(mount(latitude=35.1), MAY)])
    with pytest.raises(InputError, match="the site has a fork at 36"):
        history([model, night(mount(), MAY, seed=2)], make_site("fork", 36.0))


def test_a_plugins_term_is_compared_only_under_the_same_settings():
    terms = ["standard", "primary_interpolation_sin"]

    def with_periods(day, periods):
        encoder = {"interpolation": {"primary_periods": periods}}
        return night(mount(), day, seed=1 + (day == MAY), n=40, terms=terms, plugins=encoder)

    assert history([with_periods(MARCH, 12), with_periods(MAY, 12)]).changes
    with pytest.raises(
        InputError, match=r"have primary_interpolation_sin of a plugin, and differ in the tables"
    ):
        history([with_periods(MARCH, 12), with_periods(MAY, 24)])
    settings = {"interpolation": {"primary_periods": 12}}
    assert history([night(mount()), replace(night(mount(), MAY, seed=2), plugins=settings)]).changes


def test_a_model_of_corrected_readings_is_not_of_the_metal():
    with pytest.raises(NotDetermined, match="a pointing model was active"):
        history([night(mount()), night(mount(), MAY, seed=2, axes_kind="corrected")])


def test_an_axis_that_a_run_does_not_determine_is_left_out_and_the_rest_compared():
    good = night(mount())
    weak = replace(
        night(mount(), MAY, seed=2), covariance_rad2=good.covariance_rad2 * 1e6, weak_pairs=good.weak_pairs
    )
    past = history([good, weak])
    assert past.axis == ()
    assert "polar_altitude" not in {each.term for each in past.changes}
    assert past.reservations[0].startswith("the primary axis is not compared; 2026-05-20: not determined")


# The command


@pytest.fixture(scope="module")
def two_nights(tmp_path_factory):
    """Site and models of a fork whose axis sank by 72 arcsec between the runs."""
    folder = tmp_path_factory.mktemp("history")
    (folder / "site.toml").write_text(SITE)
    site = load_site(folder / "site.toml")
    for name, altitude, seed, start in (("march", 90.0, 4, MARCH), ("may", 18.0, 5, MAY)):
        take_run(folder / "site.toml", folder / f"{name}.ecsv", errors("fork", altitude, -40.0), seed, start)
        fit(read_run(folder / f"{name}.ecsv", site), site).save(folder / f"{name}.json")
    return folder


@pytest.fixture
def command(two_nights, tmp_path, monkeypatch, capsys):
    folder = tmp_path / "job"
    shutil.copytree(two_nights, folder)
    monkeypatch.chdir(folder)

    def run_it(*arguments):
        code = run_command(["history", *arguments])
        return code, *capsys.readouterr()

    return run_it


def test_the_command_says_what_moved_and_shows_the_cautions(command):
    code, out, err = command("may.json", "march.json", "--site", "site.toml")
    assert (code, err) == (0, "")
    text = " ".join(out.split())
    assert "The polar axis sank 1." in text
    assert "since 2026-03-02" in text
    assert "Before you touch a bolt:" in text
    assert "stay out from under" in text
    assert out.isascii()


def test_the_commands_json_has_the_librarys_numbers(command):
    code, out, _ = command("march.json", "may.json", "--json")
    assert code == 0
    found = json.loads(out)
    past = ss.history([load_model("march.json"), load_model("may.json")])
    assert [each["start_utc"][:10] for each in found["models"]] == ["2026-03-02", "2026-05-20"]
    assert [each["term"] for each in found["changes"] if each["moved"]] == ["polar_altitude"]
    for shown, known in zip(found["changes"], past.changes, strict=True):
        assert shown["change_arcsec"] == pytest.approx(known.change_rad * 648000.0 / np.pi, abs=1e-5)
        assert shown["p"] == pytest.approx(known.p, rel=1e-5)
    assert found["axis"][0]["total_arcmin"] == pytest.approx(past.axis[0].total.value, abs=1e-5)
    assert found["sentences"] == list(past.sentences)


def test_the_command_refuses_in_one_line(command):
    code, out, err = command("march.json", "march.json")
    assert (code, out) == (2, "")
    assert err.startswith("skysample: the model of march.ecsv") or "march.ecsv" in err
    assert err.count("\n") == 1
    assert command("march.json")[0] == 2
    assert "no such file" in command("march.json", "june.json")[2]


def test_a_notebook_shows_words_and_table():
    past = history([night(mount()), night(mount(), MAY, seed=4)])
    assert past._repr_html_().startswith("<p>no mechanical change detected")
    assert past.table.colnames == ["term", "since", "until", "change", "stderr", "sigmas", "p", "verdict"]

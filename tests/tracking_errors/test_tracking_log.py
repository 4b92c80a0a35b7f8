"""Tracking logs of a simulated mount: what was put in comes out, and nothing that was not."""

from __future__ import annotations

import re

import erfa
import numpy as np
import pytest
from astropy import units as u
from astropy.table import Table
from astropy.time import Time
from scipy.spatial.transform import Rotation

from skysample.astrometry.earth_orientation import earth_orientation
from skysample.astrometry.times import iso
from skysample.cli.main import run_command
from skysample.errors import InputError
from skysample.fitting import fit
from skysample.testing import SimulatedMount
from skysample.tracking_errors.log import TrackingLog, read_tracking_log
from skysample.tracking_errors.periodic_errors import decompose
from skysample.tracking_errors.quality import tracking
from tests.cli.test_bad_input import mutated
from tests.conftest import make_site
from tests.simulated_nights import errors, simulated_run, unit_vectors

SIDEREAL = 7.292115e-5
TARGET = (150.0, -10.0)
START = Time("2026-03-02T22:30:00", scale="utc")


def series(n=400, span=3000.0, seed=0, noise=0.1, drift=0.02, sines=((240.0, 0.3, 1.0), (37.3, 0.2, 0.3))):
    """Uneven seconds, and a drift (arcsec a minute) with sines (period, amplitude, phase) and noise."""
    rng = np.random.default_rng(seed)
    seconds = np.sort(rng.uniform(0.0, span, n))
    values = drift * seconds / 60.0 + rng.normal(0.0, noise, n)
    for period, amplitude, phase in sines:
        values = values + amplitude * np.sin(2.0 * np.pi * seconds / period + phase)
    return seconds, values


def log_of(seconds, values, **more):
    names = ("east_error_arcsec", "north_error_arcsec")[: np.atleast_2d(values.T).shape[0]]
    columns = {"elapsed_s": seconds, **dict(zip(names, np.atleast_2d(values.T), strict=True))}
    return TrackingLog.from_table(Table(columns, meta=more))


# Periods and drift


def test_period_amplitude_and_drift_come_out_within_their_errors():
    errors_in_sigma = []
    for seed in range(40):
        found = decompose(*series(seed=seed), 0.025)
        slow, fast = (
            min(found.periods, key=lambda each: abs(each.period_s - true)) for true in (240.0, 37.3)
        )
        errors_in_sigma.append(
            [
                (slow.period_s - 240.0) / slow.period_stderr_s,
                (slow.amplitude_arcsec - 0.3) / slow.amplitude_stderr_arcsec,
                (fast.period_s - 37.3) / fast.period_stderr_s,
                (fast.amplitude_arcsec - 0.2) / fast.amplitude_stderr_arcsec,
                (found.drift_arcsec_per_min - 0.02) / found.drift_stderr_arcsec_per_min,
            ]
        )
        assert np.std(found.left) == pytest.approx(0.1, rel=0.15)
    spread = np.sqrt(np.mean(np.square(errors_in_sigma), axis=0))
    # A scatter of 40 has an error of 11 %.
    assert np.all((spread > 0.6) & (spread < 1.4)), spread
    assert np.abs(errors_in_sigma).max() < 4.5


def test_errors_of_period_and_amplitude_are_the_published_ones():
    # Montgomery, O'Donoghue 1999, Delta Scuti Star Newsletter 13, 28 (from memory): for a sine in N even values over T,
    # sigma(a) = sqrt(2 / N) sigma, sigma(f) = sqrt(6 / N) sigma / (pi T a).
    rng = np.random.default_rng(3)
    n, sigma, amplitude = 1000, 0.1, 0.3
    seconds = np.arange(n) * 2.0
    values = amplitude * np.sin(2.0 * np.pi * seconds / 97.0) + rng.normal(0.0, sigma, n)
    (found,) = decompose(seconds, values, 0.05).periods
    assert found.amplitude_stderr_arcsec == pytest.approx(np.sqrt(2.0 / n) * sigma, rel=0.1)
    frequency_error = np.sqrt(6.0 / n) * sigma / (np.pi * 2.0 * n * amplitude)
    assert found.period_stderr_s == pytest.approx(frequency_error * found.period_s**2, rel=0.1)


@pytest.mark.parametrize("even", [True, False])
def test_white_noise_has_a_period_in_at_most_one_log_of_twenty(even):
    false = 0
    for seed in range(250):
        rng = np.random.default_rng([seed, even])
        seconds = np.arange(30.0) if even else np.sort(rng.uniform(0.0, 30.0, 30))
        found = tracking(log_of(seconds, rng.normal(size=(30, 2))))
        false += any(each.periods for each in found.components)
    # 250 logs at 5 % scatter by 1.4 %.
    assert false / 250 <= 0.05 + 2.0 * 0.014


def test_a_drift_alone_is_no_period():
    for seed in range(50):
        rng = np.random.default_rng(seed)
        seconds = np.arange(200.0)
        found = decompose(seconds, 0.5 * seconds + rng.normal(size=200), 0.01)
        assert found.periods == ()
        assert found.drift_arcsec_per_min == pytest.approx(30.0, abs=5.0 * found.drift_stderr_arcsec_per_min)


def test_a_log_without_noise_is_all_drift():
    found = decompose(np.arange(30.0), 2.0 * np.arange(30.0), 0.05)
    assert (found.periods, found.strongest) == ((), None)
    assert found.drift_arcsec_per_min == pytest.approx(120.0)


# What the model predicts


def sky_of(site, target, seconds):
    """Observed place of a star by ERFA itself, unit vectors."""
    where = site.location
    earth = earth_orientation(START.mjd + seconds / 86400.0)
    ra, dec = np.radians(target)
    azimuth, zenith, *_ = erfa.atco13(
        ra, dec, 0.0, 0.0, 0.0, 0.0, START.jd1, START.jd2 + seconds / 86400.0, earth.dut1_s,
        np.radians(where.longitude_deg), where.latitude_rad, where.elevation_m, earth.xp_rad, earth.yp_rad,
        where.station_pressure_hpa, where.temperature_c, 0.3, 0.6,
    )  # fmt: skip
    return unit_vectors(np.pi / 2.0 - zenith, azimuth)


def guided(site, truth, seconds, side=1):
    """East and north error, arcsec, of a simulated mount that only turns at the sidereal rate."""
    mount = SimulatedMount(site.mount.kind, site.location.latitude_deg, terms_arcsec=truth)
    stars = sky_of(site, TARGET, seconds)
    alt, az = np.arcsin(stars[:, 2]), np.arctan2(stars[:, 0], stars[:, 1])
    # Centre the star first: the reading at which the tube, errors and all, points at it.
    reading = np.array(mount.reading(alt[0], az[0], side))
    for _ in range(30):
        there = np.array(mount.reading(*mount.point(*reading), side))
        reading = reading + np.array(mount.reading(alt[0], az[0], side)) - there
    if site.mount.kind == "altaz":
        level = np.stack(mount.reading(alt, az))
        readings = reading[:, None] + level - level[:, :1]
    else:
        readings = np.stack([reading[0] + SIDEREAL * seconds, np.full(len(seconds), reading[1])])
    tube = unit_vectors(*mount.point(*readings))
    pole = np.array([0.0, np.cos(site.location.latitude_rad), np.sin(site.location.latitude_rad)])
    east = np.cross(pole, stars)
    east /= np.linalg.norm(east, axis=1)[:, None]
    north = np.cross(stars, east)
    to_arcsec = 180.0 / np.pi * 3600.0
    return np.stack([np.sum((tube - stars) * axis, axis=1) for axis in (east, north)], axis=1) * to_arcsec


def dated(seconds, values, names=("east_error_arcsec", "north_error_arcsec"), **meta):
    times = START.jd1, START.jd2 + seconds / 86400.0
    columns = {"time": iso(Time(*times, format="jd", scale="utc"), 6)}
    meta = {"target_ra_deg": TARGET[0], "target_dec_deg": TARGET[1], "corrections": "none"} | meta
    return TrackingLog.from_table(
        Table(
            {**columns, **dict(zip(names, values.T, strict=True))}, meta={k: v for k, v in meta.items() if v}
        )
    )


def fitted(site, truth):
    run, _ = simulated_run(site, truth, 40, noise_arcsec=0.001)
    return fit(run, site, ["extended"])


CASES = [("fork", -27.0, 1), ("fork", 35.0, 1), ("german", 35.0, -1), ("altaz", 35.0, 1)]


@pytest.mark.parametrize(("kind", "latitude", "side"), CASES)
def test_the_model_predicts_the_drift_of_the_integrated_motion(kind, latitude, side):
    site = make_site(kind, latitude)
    truth = errors(kind, 600.0, -400.0)
    seconds = np.linspace(0.0, 1800.0, 60)
    logged = guided(site, truth, seconds, side)
    found = tracking(dated(seconds, logged, pier="west" if side < 0 else ""), site, fitted(site, truth))
    assert max(each.logged_rms_arcsec for each in found.components) > 5.0
    for each in found.components:
        left = {part.cause: part.rms_arcsec for part in each.removed}
        assert left["the rest of the model"] < 0.02, each
        assert abs(each.drift_arcsec_per_min) < 0.01
    assert found.condition == ""
    assert found.reservations == ()


def test_the_share_of_the_polar_error_is_the_turn_about_the_misaligned_axis():
    # Without air and other errors: a tube turned about its axis against a star turned about the pole, step by step.
    site = make_site("fork", 35.0, location={"pressure_hpa": 0})
    truth = {"polar_altitude": 600.0, "polar_azimuth": -400.0}
    seconds = np.linspace(0.0, 1800.0, 60)
    stars = sky_of(site, TARGET, seconds)
    lat = np.radians(35.0)
    axis = unit_vectors(lat + np.radians(600.0 / 3600.0), np.radians(-400.0 / 3600.0))
    step = Rotation.from_rotvec(-SIDEREAL * seconds[1] * axis).as_matrix()
    tube = [stars[0]]
    for _ in seconds[1:]:
        tube.append(step @ tube[-1])
    pole = np.array([0.0, np.cos(lat), np.sin(lat)])
    east = np.cross(pole, stars)
    east /= np.linalg.norm(east, axis=1)[:, None]
    axes = (east, np.cross(stars, east))
    logged = np.stack([np.sum((np.array(tube) - stars) * each, axis=1) for each in axes], axis=1) * 206264.806
    found = tracking(dated(seconds, logged), site, fitted(site, truth))
    for each in found.components:
        polar = each.removed[0]
        assert polar.cause == "polar error"
        # What the air's absence leaves: aberration and the sky's own slow motion.
        assert polar.rms_arcsec < 0.05
        assert polar.share == pytest.approx(1.0, abs=0.01)


def test_refraction_alone_is_taken_out_with_the_site_alone():
    site = make_site("fork", -27.0)
    seconds = np.linspace(0.0, 3600.0, 80)
    logged = guided(site, {}, seconds)
    found = tracking(dated(seconds, logged), site)
    assert max(each.logged_rms_arcsec for each in found.components) > 3.0
    for each in found.components:
        assert [part.cause for part in each.removed] == ["refraction", "fitted drift", "periods"]
        assert each.removed[0].rms_arcsec < 0.02


def test_shares_add_up_to_what_was_explained():
    site = make_site("fork", -27.0)
    truth = errors("fork", 60.0, -40.0)
    seconds = np.linspace(0.0, 1800.0, 200)
    rng = np.random.default_rng(5)
    noisy = guided(site, truth, seconds) + rng.normal(0.0, 0.3, (200, 2))
    noisy[:, 0] += 0.8 * np.sin(2.0 * np.pi * seconds / 150.0)
    found = tracking(dated(seconds, noisy), site, fitted(site, truth))
    for each in found.components:
        explained = sum(part.share for part in each.removed)
        assert explained == pytest.approx(1.0 - (each.noise_arcsec / each.logged_rms_arcsec) ** 2, abs=1e-9)
        assert each.noise_arcsec == pytest.approx(0.3, rel=0.2)
    east, north = found.components
    assert [round(each.period_s) for each in east.periods] == [150]
    assert north.periods == ()
    assert found.table["component"].tolist() == ["east"]


def test_axis_angles_are_sky_angles_by_the_cosine_of_the_declination():
    site = make_site("fork", -27.0)
    truth = errors("fork", 600.0, -400.0)
    seconds = np.linspace(0.0, 1800.0, 60)
    logged = guided(site, truth, seconds)
    of_axes = np.stack([-logged[:, 0] / np.cos(np.radians(TARGET[1])), logged[:, 1]], axis=1)
    names = ("primary_error_arcsec", "secondary_error_arcsec")
    found = tracking(dated(seconds, of_axes, names, source="guide"), site, fitted(site, truth))
    primary, secondary = found.components
    assert primary.sky_factor == pytest.approx(np.cos(np.radians(TARGET[1])))
    assert secondary.sky_factor == 1.0
    for each in found.components:
        # The star's own declination of date differs a little from the one of its catalogue.
        assert each.removed[2].rms_arcsec < 0.005 * each.logged_rms_arcsec


def test_an_encoder_sees_no_drift_of_the_sky():
    site = make_site("fork", -27.0)
    seconds, values = series()
    log = TrackingLog.from_table(Table({"elapsed_s": seconds, "primary_error_arcsec": values}))
    assert log.source == "encoder"
    found = tracking(log, site, fitted(site, errors("fork")))
    assert [part.cause for part in found.components[0].removed] == ["fitted drift", "periods"]
    assert "An encoder does not see" in found.reservations[0]


@pytest.mark.parametrize("steered", ["model", "guider"])
def test_what_was_corrected_is_not_taken_out_again(steered):
    site = make_site("fork", -27.0)
    seconds, values = series(n=60)
    found = tracking(dated(seconds, np.stack([values, values], axis=1), corrections=steered), site)
    assert found.components[0].predicted_arcsec_per_min is None
    assert steered in found.reservations[0]


def test_a_log_of_the_star_less_the_tube_is_noticed_and_turned_round_when_said():
    site = make_site("fork", -27.0)
    truth = errors("fork", 600.0, -400.0)
    seconds = np.linspace(0.0, 1800.0, 60)
    turned, model = -guided(site, truth, seconds), fitted(site, truth)
    assert any("error_of=star" in each for each in tracking(dated(seconds, turned), site, model).reservations)
    said = tracking(dated(seconds, turned, error_of="star"), site, model)
    assert said.reservations == ()
    assert said.components[0].removed[2].rms_arcsec < 0.02


def test_an_undeclared_log_states_its_condition():
    site = make_site("fork", -27.0)
    seconds, values = series(n=60)
    found = tracking(dated(seconds, values[:, None], ("east_error_arcsec",), corrections=None), site)
    assert found.condition.startswith("This holds only if neither a model nor a guider steered the mount")


@pytest.mark.parametrize(("noise", "verdict"), [(0.02, "better"), (0.1, "within"), (0.5, "worse")])
def test_tracking_is_held_against_common_practice(noise, verdict):
    seconds, values = series(noise=noise, sines=(), drift=3.0)
    found = tracking(log_of(seconds, values))
    assert found.components[0].verdict == verdict
    assert "of a good direct drive." in str(found)


# Logs that cannot be read


GOOD = {"elapsed_s": np.arange(30.0), "east_error_arcsec": np.zeros(30)}


@pytest.mark.parametrize(
    ("columns", "meta", "words"),
    [
        ({"elapsed_s": np.arange(30.0)}, {}, "has no column of errors; write east_error_arcsec and"),
        (GOOD | {"primary_error_arcsec": np.zeros(30)}, {}, "both on the sky and of the axes"),
        ({"east_error_arcsec": np.zeros(30)}, {}, "needs one of the columns time"),
        (GOOD | {"time": ["2026-03-02T22:30:00"] * 30}, {}, "needs one of the columns time"),
        ({key: value[:19] for key, value in GOOD.items()}, {}, "has 19 rows with an error"),
        ({key: value[:0] for key, value in GOOD.items()}, {}, "has 0 rows with an error"),
        (GOOD | {"elapsed_s": np.r_[np.arange(29.0), 3.0]}, {}, "row 30: elapsed_s is not after the row before it"),
        (GOOD | {"elapsed_s": np.r_[np.arange(29.0), np.inf]}, {}, "row 30: elapsed_s is inf"),
        (GOOD | {"east_error_arcsec": np.r_[np.zeros(29), 1e6]}, {}, "row 30: east_error_arcsec is 1e+06"),
        (GOOD, {"source": "camera"}, "source is 'camera'; write guide or encoder"),
        (GOOD, {"target_ra_deg": 10.0}, "give both target_ra_deg and target_dec_deg"),
        (GOOD, {"target_ra_deg": 10.0, "target_dec_deg": 95}, "target_dec_deg is '95'; write degrees, -90 to 90"),
    ],
)  # fmt: skip
def test_a_log_that_makes_no_sense_is_refused_in_a_sentence(columns, meta, words):
    with pytest.raises(InputError) as caught:
        TrackingLog.from_table(Table(columns, meta=meta), file="log.csv")
    assert words in str(caught.value)


def test_rows_without_an_error_are_counted_as_lost():
    values = np.zeros(30)
    values[[3, 7]] = np.nan
    log = TrackingLog.from_table(Table(GOOD | {"east_error_arcsec": values}))
    assert (len(log), log.lost) == (28, 2)


def test_a_log_has_a_summary_in_words_and_a_table_in_numbers():
    seconds = np.arange(40.0) * 15.0
    east, north = 0.3 * np.cos(np.pi * np.arange(40)), np.full(40, 2.0)
    columns = {"elapsed_s": seconds, "east_error_arcsec": east, "north_error_arcsec": north}
    log = TrackingLog.from_table(Table(columns))
    assert log.summary() == '40 rows over 9.8 min; RMS as logged: east 0.300", north 0.000".'
    assert log.table.colnames == ["elapsed", "east", "north"]
    np.testing.assert_allclose(log.table["elapsed"].to_value(u.min), seconds / 60.0)
    np.testing.assert_allclose(log.table["east"].to_value(u.arcsec), east)
    judged = tracking(log)  # a component that never moves has no shares to divide by
    assert [removed.share for removed in judged.components[1].removed] == [0.0] * len(
        judged.components[1].removed
    )
    assert judged.summary() == "\n".join(judged.sentences) == str(judged)


@pytest.mark.parametrize(
    ("meta", "words"),
    [
        ({"target_ra_deg": None, "target_dec_deg": None}, "does not say which star"),
        ({"target_ra_deg": 330.0}, "was below the horizon"),
        ({"target_dec_deg": 80.0}, "was below the horizon"),
    ],
)
def test_a_prediction_that_lacks_its_star_is_refused(meta, words):
    site = make_site("fork", -27.0)
    seconds, values = series(n=60)
    with pytest.raises(InputError, match=words):
        tracking(dated(seconds, np.stack([values, values], axis=1), **meta), site)


def test_a_german_mount_needs_the_side_of_the_pier():
    site = make_site("german", 35.0)
    seconds, values = series(n=60)
    with pytest.raises(InputError, match="side of the pier"):
        tracking(
            dated(seconds, values[:, None], ("east_error_arcsec",)), site, fitted(site, errors("german"))
        )


def test_a_model_needs_its_site():
    site = make_site("fork", -27.0)
    with pytest.raises(InputError, match="without its site"):
        tracking(log_of(*series()), model=fitted(site, errors("fork")))


def test_the_command_reads_a_csv_and_refuses_a_bad_one_in_a_line(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    seconds, values = series()
    rows = [f"{s:.3f},{v:.4f}" for s, v in zip(seconds, values, strict=True)]
    (tmp_path / "log.csv").write_text("\n".join(["elapsed_s,east_error_arcsec", *rows]) + "\n")
    assert len(read_tracking_log("log.csv")) == 400
    assert run_command(["tracking", "log.csv"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert re.search(r"East: periodic error of (239|240)\.?\d* \+-", out.replace("\n", " "))
    (tmp_path / "bad.csv").write_text(
        "\n".join(["elapsed_s,east_error_arcsec", *rows[:30], "31x,0.1"]) + "\n"
    )
    assert run_command(["tracking", "bad.csv"]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert err.startswith("skysample: bad.csv: row 31: elapsed_s is '31x', not a number")


def test_whatever_happens_to_a_log_the_command_answers_or_refuses_it_in_a_line(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    seconds, values = series(n=40)
    rows = [f"{s:.3f},{v:.4f},{-v:.4f}" for s, v in zip(seconds, values, strict=True)]
    good = "\n".join(["elapsed_s,east_error_arcsec,north_error_arcsec", *rows]).encode()
    codes = []
    for number in range(150):
        (tmp_path / "log.csv").write_bytes(mutated(good, np.random.default_rng(number)))
        codes.append(run_command(["tracking", "log.csv", "--json"]))
        out, err = capsys.readouterr()
        assert codes[-1] in {0, 2}, err
        assert (err.count("\n"), bool(out)) == ((1, False) if codes[-1] == 2 else (0, True)), number
    assert 20 < codes.count(2) < 150

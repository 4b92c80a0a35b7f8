from __future__ import annotations

import io
import pickle
from typing import TYPE_CHECKING

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import Angle
from astropy.table import QTable, Table
from astropy.time import Time
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from skysample.errors import InputError, SkysampleWarning
from skysample.files.tables import read_table, table_of, write_table
from skysample.geometry import ARCSEC, alt_az, direction, separation
from skysample.runs import Run, read_run, run_table, write_run
from skysample.site.mount_axes import ideal_axes, ideal_direction, mount_frame
from tests.conftest import make_site

if TYPE_CHECKING:
    from pathlib import Path

    from skysample.site import Site


FORK, GERMAN, ALTAZ = make_site("fork"), make_site("german"), make_site("altaz")

GOOD = """time,solved_ra_deg,solved_dec_deg,primary_deg,secondary_deg,pier,frame
2025-03-01T20:00:00.5,100.0,-30.0,-10.0,-30.5,east,001
2025-03-01T20:01:00.5,120.0,-45.0,-30.0,-45.5,east,002
2025-03-01T20:02:00.5,80.0,-60.0,12.0,-60.5,west,003
"""


def read(tmp_path: Path, text: str | bytes, site: Site = FORK, **options: object) -> Run:
    path = tmp_path / "run.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_run(path, site, **options)


def with_cell(text: str, row: int, column: str, cell: str) -> str:
    lines = [line.split(",") for line in text.splitlines()]
    lines[row][lines[0].index(column)] = cell
    return "\n".join(",".join(line) for line in lines) + "\n"


def with_column(text: str, column: str, *cells: str) -> str:
    lines = text.splitlines()
    return "\n".join(f"{line},{cell}" for line, cell in zip(lines, (column, *cells), strict=True)) + "\n"


def without_column(text: str, column: str) -> str:
    lines = [line.split(",") for line in text.splitlines()]
    place = lines[0].index(column)
    return "\n".join(",".join(line[:place] + line[place + 1 :]) for line in lines) + "\n"


# --- what a run holds -----------------------------------------------------------------------------


def test_readings_of_a_fork_are_kept_as_they_are(tmp_path: Path):
    run = read(tmp_path, GOOD)
    np.testing.assert_allclose(np.degrees(run.axes), [[-10, -30.5], [-30, -45.5], [12, -60.5]], atol=1e-12)
    assert run.side.tolist() == [1, 1, 1]
    assert (run.points, len(run), run.failed) == (3, 3, 0)
    assert run.frames == ("001", "002", "003")
    assert (run.axes_kind, run.old_model, run.session, run.sigma_arcsec) == ("unknown", "unknown", None, None)
    assert run.rows.tolist() == [1, 2, 3]
    assert run.point.tolist() == [-1, -1, -1]
    assert run.source == str(tmp_path / "run.csv")


@pytest.mark.usefixtures("packaged_earth_orientation")
def test_directions_are_where_astropy_sees_the_solved_places(tmp_path: Path):
    # Second path: astropy's AltAz, at a date inside the packaged Earth-orientation table.
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord

    run = read(tmp_path, GOOD)
    place = EarthLocation.from_geodetic(5.0 * u.deg, -27.0 * u.deg, 1250.0 * u.m)
    frame = AltAz(
        obstime=Time(["2025-03-01T20:00:00.5", "2025-03-01T20:01:00.5", "2025-03-01T20:02:00.5"]),
        location=place,
        pressure=FORK.location.station_pressure_hpa * u.hPa,
        temperature=10.0 * u.deg_C,
        relative_humidity=0.3,
        obswl=0.6 * u.um,
    )
    seen = SkyCoord([100, 120, 80] * u.deg, [-30, -45, -60] * u.deg).transform_to(frame)
    assert np.max(separation(run.directions, direction(seen.alt.rad, seen.az.rad))) < 0.01 * ARCSEC


def test_ecsv_and_csv_say_the_same(tmp_path: Path):
    table = Table.read(GOOD, format="ascii.csv", converters={"frame": str})
    table.write(tmp_path / "run.ecsv", format="ascii.ecsv")
    from_ecsv, from_csv = read_run(tmp_path / "run.ecsv", GERMAN), read(tmp_path, GOOD, GERMAN)
    np.testing.assert_array_equal(from_ecsv.axes, from_csv.axes)
    np.testing.assert_array_equal(from_ecsv.directions, from_csv.directions)
    assert from_ecsv.frames == from_csv.frames


def test_quantities_and_times_are_taken_in_a_table(tmp_path: Path):
    plain = read(tmp_path, GOOD)
    table = QTable(
        {
            "time": Time(plain.time.jd1, plain.time.jd2, format="jd", scale="utc").tai,
            "solved_ra_deg": Angle([100, 120, 80], "deg").to(u.hourangle),
            "solved_dec_deg": np.radians([-30, -45, -60]) * u.rad,
            "primary_deg": [-600, -1800, 720] * u.arcmin,
            "secondary_deg": [-30.5, -45.5, -60.5],
            "temperature_c": [283.15, 283.15, 283.15] * u.K,
        }
    )
    run = Run.from_table(table, FORK)
    np.testing.assert_allclose(run.axes, plain.axes, atol=1e-14)
    assert np.max(separation(run.directions, plain.directions)) < 1e-4 * ARCSEC
    np.testing.assert_allclose(run.temperature_c, 10.0)


@pytest.mark.parametrize("form", ["isot", "jd", "mjd"])
def test_times_that_astropy_wrote_as_such_are_read_back(tmp_path: Path, form: str):
    plain = read(tmp_path, GOOD)
    times = plain.time.tai
    times.format = form
    solved = {
        name: np.degrees(plain.solved_rad[:, i]) for i, name in enumerate(("solved_ra_deg", "solved_dec_deg"))
    }
    table = QTable({"time": times, **solved})
    table["primary_deg"] = table["secondary_deg"] = [1.0, 2.0, 3.0] * u.deg
    table.write(tmp_path / "run.ecsv", format="ascii.ecsv")
    run = read_run(tmp_path / "run.ecsv", FORK)
    np.testing.assert_allclose((run.time - plain.time).sec, 0.0, atol=1e-3)


def test_solved_places_below_the_horizon_name_the_row_and_what_may_be_wrong(tmp_path: Path):
    # Twelve hours of clock away another half of the sky is up.
    late = GOOD.replace("T20:", "T08:")
    with pytest.raises(InputError, match=r"row 1: .*below the horizon, as in \d rows of 3; check the signs"):
        read(tmp_path, late)


def test_one_solved_place_below_the_horizon_is_left_to_the_fit(tmp_path: Path):
    # A false solution can be anywhere.
    run = read(tmp_path, with_cell(GOOD, 1, "solved_dec_deg", "89"))
    assert run.directions[0, 2] < 0.0


AXES = np.radians([[10.0, -30.0], [20.0, -40.0], [30.0, -50.0]])
PLACES = direction(np.radians([50.0, 60.0, 70.0]), np.radians([10.0, 20.0, 30.0]))


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"old_model": True}, "old_model is True; give off or on or unknown"),
        ({"old_model": "ON"}, "old_model is 'ON'"),
        ({"axes_kind": "raww"}, "axes_kind is 'raww'"),
        ({"side": [7, 1, 1]}, "side of a fork mount is 1"),
        ({"side": 1.6}, "side holds float64; give int64"),
        ({"use": ["false"] * 3}, "use holds"),
        ({"point": 0.7}, "point holds float64"),
        ({"sigma_arcsec": [1.0, 0.0, 1.0]}, "sigma_arcsec must be finite and above zero at every point"),
        ({"sigma_arcsec": [1.0, np.nan, 1.0]}, "sigma_arcsec must be finite and above zero at every point"),
        ({"sigma_arcsec": 1.0 * u.m}, "sigma_arcsec must be numbers in arcsec"),
        ({"time": "2026-06-14"}, "time must be an astropy Time"),
        ({"time": Time("2026-06-14T20:00:00")}, "time must be an astropy Time"),
        (
            {"temperature_c": np.ma.masked_array([1.0, 2.0, 3.0], [0, 1, 0])},
            "temperature_c has masked values",
        ),
    ],
)
def test_arrays_that_a_run_cannot_be_made_of_are_refused(more, says):
    with pytest.raises(InputError, match=says):
        Run.from_arrays(FORK, AXES, PLACES, **more)


def test_quantities_are_taken_in_their_own_units():
    run = Run.from_arrays(
        FORK,
        np.degrees(AXES) * u.deg,
        PLACES,
        sigma_arcsec=[1000.0] * 3 * u.mas,
        temperature_c=[283.15] * 3 * u.K,
    )
    np.testing.assert_allclose(run.axes, AXES)
    np.testing.assert_allclose(run.sigma_arcsec, 1.0)
    np.testing.assert_allclose(run.temperature_c, 10.0)
    with pytest.raises(InputError, match="axes must be numbers in rad"):
        Run.from_arrays(FORK, AXES * u.m, PLACES)


def test_a_run_keeps_its_times_whatever_becomes_of_the_callers():
    times = Time("2026-06-14T20:00:00") + np.arange(3) * u.min
    run = Run.from_arrays(FORK, AXES, PLACES, time=times)
    times[0] = Time("2020-01-01T00:00:00")
    assert run.time[0].isot.startswith("2026-06-14")


def test_a_right_ascension_may_be_negative(tmp_path: Path):
    run = read(tmp_path, with_cell(GOOD, 1, "solved_ra_deg", "-100"))
    same = read(tmp_path, with_cell(GOOD, 1, "solved_ra_deg", "260"))
    assert np.max(separation(run.directions, same.directions)) < 1e-9


def test_pressure_and_temperature_of_a_row_bend_the_light_of_that_row(tmp_path: Path):
    bare = read(tmp_path, GOOD)
    airless = read(tmp_path, with_column(GOOD, "pressure_hpa", "0", "", ""))
    gap = alt_az(bare.directions)[0] - alt_az(airless.directions)[0]
    assert gap[0] > 3.0 * ARCSEC
    assert np.all(np.abs(gap[1:]) < 1e-12)
    warm = read(tmp_path, with_column(GOOD, "temperature_c", "30", "", ""))
    assert (alt_az(bare.directions)[0] - alt_az(warm.directions)[0])[0] > 0.1 * ARCSEC
    np.testing.assert_array_equal(np.isnan(warm.temperature_c), [False, True, True])


def test_optional_columns(tmp_path: Path):
    text = with_column(GOOD, "point", "4", "2", "")
    text = with_column(text, "sigma_arcsec", "0.5", "0.6", "0.7")
    text = with_column(text, "solved_roll_deg", "", "10", "-170")
    text = with_column(text, "use", "true", "FALSE", "")
    text = with_column(text, "seeing", "good", "1.5", "x")
    run = read(tmp_path, text)
    assert run.point.tolist() == [4, 2, -1]
    assert run.sigma_arcsec is not None
    assert run.sigma_arcsec.tolist() == [0.5, 0.6, 0.7]
    np.testing.assert_allclose(run.roll_deg, [np.nan, 10, -170])
    assert run.use.tolist() == [True, False, True]
    assert "3 points with a solution (1 left out, 0 failed)" in run.summary()


def test_years_ahead_only_our_own_reservation_comes_out(tmp_path: Path):
    text = GOOD.replace("2025-", "2034-")
    with pytest.warns(SkysampleWarning, match="extrapolated") as caught:
        run = read(tmp_path, text)
    assert {type(warning.message) for warning in caught} == {SkysampleWarning}
    assert "2034-03-01T20:00:01 to 2034-03-01T20:02:01 UTC" in str(run)
    assert run.table["time"].isscalar is False


# --- rows without a solution ----------------------------------------------------------------------


def test_failed_rows_are_counted_and_left_out(tmp_path: Path):
    text = with_column(GOOD, "status", "ok", "failed", "OK")
    text = with_cell(with_cell(text, 2, "solved_ra_deg", ""), 2, "solved_dec_deg", "")
    run = read(tmp_path, text)
    assert (run.points, run.failed) == (2, 1)
    assert run.rows.tolist() == [1, 3]
    assert run.frames == ("001", "003")


def test_what_else_a_failed_row_lacks_does_not_matter(tmp_path: Path):
    text = with_column(GOOD, "status", "ok", "failed", "ok")
    for column in ("time", "solved_ra_deg", "solved_dec_deg", "primary_deg", "pier"):
        text = with_cell(text, 2, column, "")
    assert read(tmp_path, text, GERMAN).rows.tolist() == [1, 3]


def test_a_row_without_a_solution_and_without_a_status_failed(tmp_path: Path):
    text = with_cell(with_cell(GOOD, 2, "solved_ra_deg", ""), 2, "solved_dec_deg", "")
    assert read(tmp_path, text).failed == 1


# --- sides of the pier ----------------------------------------------------------------------------


def test_a_sky_like_reading_on_the_west_side_becomes_mechanical(tmp_path: Path):
    run = read(tmp_path, GOOD, GERMAN)
    assert run.side.tolist() == [1, 1, -1]
    np.testing.assert_allclose(np.degrees(run.axes[2]), [12 - 180, 180 + 60.5], atol=1e-12)
    np.testing.assert_allclose(np.degrees(run.axes[:2]), [[-10, -30.5], [-30, -45.5]], atol=1e-12)


def test_mechanical_readings_say_the_side_by_themselves(tmp_path: Path):
    sky_like = read(tmp_path, GOOD, GERMAN)
    mechanical = with_cell(with_cell(GOOD, 3, "primary_deg", "-168"), 3, "secondary_deg", "240.5")
    for text in (mechanical, without_column(mechanical, "pier")):
        run = read(tmp_path, text, GERMAN)
        assert run.side.tolist() == [1, 1, -1]
        np.testing.assert_allclose(run.axes, sky_like.axes, atol=1e-12)


def test_the_flipped_side_may_be_counted_downwards(tmp_path: Path):
    downwards = with_cell(with_cell(GOOD, 3, "primary_deg", "192"), 3, "secondary_deg", "-119.5")
    run = read(tmp_path, downwards, GERMAN)
    frame = mount_frame("german", GERMAN.location.latitude_rad)
    assert run.side.tolist() == [1, 1, -1]
    sky_like = read(tmp_path, GOOD, GERMAN)
    assert np.max(separation(ideal_direction(frame, run.axes), ideal_direction(frame, sky_like.axes))) < 1e-12


@pytest.mark.parametrize(
    ("text", "row"),
    [
        (with_cell(GOOD, 2, "secondary_deg", "225.5"), 2),  # pier east, but beyond 90
        (
            with_cell(GOOD, 1, "secondary_deg", "91").replace(",east,001", ",west,001"),
            3,
        ),  # row 3: west, not beyond
    ],
)
def test_a_side_that_contradicts_the_reading_is_refused(tmp_path: Path, text: str, row: int):
    with pytest.raises(InputError, match=f"row {row}: pier is .* mechanical reading"):
        read(tmp_path, text, GERMAN)


def test_a_german_mount_without_a_side_is_refused(tmp_path: Path):
    with pytest.raises(InputError, match="row 1: pier is missing"):
        read(tmp_path, without_column(GOOD, "pier"), GERMAN)
    with pytest.raises(InputError, match="row 2: pier is missing"):
        read(tmp_path, with_cell(GOOD, 2, "pier", ""), GERMAN)
    with pytest.raises(InputError, match="row 3: pier is 'north'; write east or west"):
        read(tmp_path, with_cell(GOOD, 3, "pier", "North"), GERMAN)


@pytest.mark.parametrize("site", [FORK, ALTAZ])
def test_a_mount_that_does_not_flip_ignores_the_side(tmp_path: Path, site: Site):
    run = read(tmp_path, with_cell(GOOD, 2, "secondary_deg", "100"), site)
    assert run.side.tolist() == [1, 1, 1]
    assert np.degrees(run.axes[1, 1]) == pytest.approx(100.0)


# --- targets --------------------------------------------------------------------------------------

TARGETS = """time,solved_ra_deg,solved_dec_deg,target_ra_deg,target_dec_deg,pier
2025-03-01T20:00:00.5,100.0,-30.0,100.0,-30.0,east
2025-03-01T20:01:00.5,120.0,-45.0,120.0,-45.0,EAST
2025-03-01T20:02:00.5,80.0,-60.0,80.0,-60.0,West
"""


@pytest.mark.parametrize("site", [FORK, GERMAN, ALTAZ])
def test_a_target_is_what_a_perfect_mount_would_have_read(tmp_path: Path, site: Site):
    run = read(tmp_path, TARGETS, site)
    frame = mount_frame(site.mount.kind, site.location.latitude_rad)
    assert np.max(separation(ideal_direction(frame, run.axes), run.directions)) < 1e-12
    assert run.side.tolist() == ([1, 1, -1] if site is GERMAN else [1, 1, 1])


@pytest.mark.parametrize("site", [FORK, GERMAN, ALTAZ])
def test_targets_and_the_readings_they_stand_for_give_the_same_axes(tmp_path: Path, site: Site):
    targets = read(tmp_path, TARGETS, site)
    frame = mount_frame(site.mount.kind, site.location.latitude_rad)
    sky_like = np.degrees(ideal_axes(frame, targets.directions))
    text = GOOD
    for row, (primary, secondary) in enumerate(sky_like, start=1):
        text = with_cell(text, row, "primary_deg", repr(float(primary)))
        text = with_cell(text, row, "secondary_deg", repr(float(secondary)))
    readings = read(tmp_path, text, site)
    np.testing.assert_allclose(readings.axes, targets.axes, atol=1e-12)


def test_without_refraction_the_target_is_lower_by_the_refraction(tmp_path: Path):
    refracted = read(tmp_path, TARGETS, ALTAZ)
    airless = read(tmp_path, TARGETS, ALTAZ, assume={"target_refraction": "false"})
    np.testing.assert_array_equal(airless.directions, refracted.directions)
    lift = (refracted.axes - airless.axes)[:, 1] / ARCSEC
    # 58.3" tan z at 1013 hPa and 10 C (common practice, no source), less by the pressure at 1250 m.
    zenith = np.pi / 2.0 - refracted.axes[:, 1]
    expected = 58.3 * np.tan(zenith) * (ALTAZ.location.station_pressure_hpa / 1013.25)
    np.testing.assert_allclose(lift, expected, rtol=0.03)


def test_readings_win_over_targets(tmp_path: Path):
    text = with_column(GOOD, "target_ra_deg", "", "", "")
    assert read(tmp_path, with_column(text, "target_dec_deg", "1", "2", "3")).axes[0, 0] == np.radians(-10.0)


def test_a_german_mount_needs_the_side_for_targets(tmp_path: Path):
    with pytest.raises(InputError, match="row 1: pier is missing"):
        read(tmp_path, without_column(TARGETS, "pier"), GERMAN)


# --- metadata -------------------------------------------------------------------------------------

HEADER = """# %ECSV 1.0
# ---
# datatype:
# - {name: time, datatype: string}
# - {name: solved_ra_deg, unit: deg, datatype: float64}
# - {name: solved_dec_deg, unit: deg, datatype: float64}
# - {name: primary_deg, unit: deg, datatype: float64}
# - {name: secondary_deg, unit: deg, datatype: float64}
# - {name: pier, datatype: string}
# - {name: frame, datatype: string}
# delimiter: ','
META# schema: astropy-2.0
"""


def ecsv(*meta: str, body: str = GOOD) -> str:
    lines = "".join(f"# {line}\n" for line in meta)
    return HEADER.replace("META", lines) + body


def test_metadata_is_read_even_where_yaml_takes_off_for_false(tmp_path: Path):
    run = read(
        tmp_path,
        ecsv("meta: !!omap", "- {axes: Raw}", "- {old_model: off}", "- {session: 7}", "- {observer: me}"),
    )
    assert (run.axes_kind, run.old_model, run.session) == ("raw", "off", "7")
    assert run.meta["observer"] == "me"
    assert read(tmp_path, ecsv("meta: {old_model: on}")).old_model == "on"
    assert "model in the mount off" in run.summary()


def test_what_is_assumed_stands_in_place_of_the_metadata(tmp_path: Path):
    run = read(tmp_path, ecsv("meta: {old_model: off}"), assume={"old_model": "on", "axes": "corrected"})
    assert (run.axes_kind, run.old_model) == ("corrected", "on")


@pytest.mark.parametrize(
    "assume", [{"axis": "raw"}, {"axes": "rawish"}, {"old_model": "yes"}, {"target_refraction": "1"}]
)
def test_what_cannot_be_assumed_is_refused(tmp_path: Path, assume: dict[str, str]):
    with pytest.raises(InputError, match=next(iter(assume))):
        read(tmp_path, GOOD, assume=assume)


@pytest.mark.parametrize(
    ("meta", "says"),
    [
        (["meta: {axes: cooked}"], "axes is 'cooked'; write raw or corrected or unknown"),
        (["meta: {old_model: [1]}"], "old_model is"),
        (["meta: {format: skysample-plan, version: 1}"], "'skysample-plan', not 'skysample-run'"),
        (["meta: {format: skysample-run, version: 2}"], "newer skysample"),
        (["meta: {format: skysample-run}"], "version is None"),
        (["meta: [1, 2]"], "metadata"),
        (["meta: {axes: raw"], "header cannot be read"),
        (["meta: !!python/object:os.system {}"], "header cannot be read"),
    ],
)
def test_metadata_that_is_wrong_is_refused(tmp_path: Path, meta: list[str], says: str):
    with pytest.raises(InputError, match=says) as caught:
        read(tmp_path, ecsv(*meta))
    assert caught.value.file == str(tmp_path / "run.csv")


def test_the_header_and_the_column_names_must_agree(tmp_path: Path):
    with pytest.raises(InputError, match="disagree"):
        read(tmp_path, ecsv(body=GOOD.replace("frame", "picture", 1)))
    with pytest.raises(InputError, match="name and datatype"):
        read(tmp_path, "# %ECSV 1.0\n# ---\n# {a: 1}\n" + GOOD)
    with pytest.raises(InputError, match="delimiter"):
        read(tmp_path, ecsv().replace("delimiter: ','", "delimiter: '|'"))


# --- malformed files ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "column", "cell", "says"),
    [
        (1, "solved_ra_deg", "361", "361, not in -180..360"),
        (2, "solved_ra_deg", "-180.5", "-180.5, not in"),
        (2, "solved_dec_deg", "90.001", "not in -90..90"),
        (3, "solved_dec_deg", "inf", "inf, not in"),
        (3, "solved_dec_deg", "twelve", "'twelve', not a number"),
        (3, "solved_dec_deg", "1_0", "'1_0', not a number"),
        (3, "solved_dec_deg", "\u0661", "not a number"),
        (3, "solved_dec_deg", "12 30 00", "not a number"),
        (1, "solved_dec_deg", "1e999", "inf, not in"),
        (1, "primary_deg", "9" * 400, "not in -720..720"),
        (1, "primary_deg", "721", "not in -720..720"),
        (2, "secondary_deg", "-361", "not in -360..360"),
        (2, "primary_deg", "", "is empty"),
        (2, "secondary_deg", "nan", "is empty"),
        (1, "solved_ra_deg", "", "is empty"),
        (1, "solved_dec_deg", "", "is empty"),
        (1, "time", "", "is empty"),
        (1, "time", "yesterday", "is not a date-time"),
        (3, "time", "2025-03-01", "is not a date-time"),
        (3, "time", "62500.5", "is not a date-time"),
    ],
)
def test_a_bad_cell_is_named_with_row_and_column(tmp_path: Path, row: int, column: str, cell: str, says: str):
    text = with_cell(GOOD, row, column, cell)
    for content in (text, ecsv(body=text)):
        with pytest.raises(InputError) as caught:
            read(tmp_path, content)
        error = caught.value
        assert (error.file, error.row, error.key) == (str(tmp_path / "run.csv"), row, column)
        assert column in str(error)
        assert "\n" not in str(error)
        assert says in str(error)


@pytest.mark.parametrize(
    ("column", "cells", "row"),
    [
        ("point", ("1", "2.5", "3"), 2),
        ("point", ("1", "-2", "3"), 2),
        ("point", ("1", "one", "3"), 2),
        ("point", ("99999999999999999999", "1", "3"), 1),
        ("status", ("ok", "ok", "fine"), 3),
        ("use", ("true", "perhaps", "true"), 2),
        ("sigma_arcsec", ("1", "0", "1"), 2),
        ("sigma_arcsec", ("1", "-1", "1"), 2),
        ("sigma_arcsec", ("1", "", "1"), 2),
        ("temperature_c", ("1", "283", "1"), 2),
        ("pressure_hpa", ("900", "900", "90000"), 3),
        ("solved_roll_deg", ("1", "2", "400"), 3),
    ],
)
def test_a_bad_optional_cell_is_named_too(tmp_path: Path, column: str, cells: tuple[str, ...], row: int):
    with pytest.raises(InputError) as caught:
        read(tmp_path, with_column(GOOD, column, *cells))
    assert (caught.value.row, caught.value.key) == (row, column)


def test_a_row_said_to_be_ok_needs_its_solution(tmp_path: Path):
    text = with_column(GOOD, "status", "ok", "ok", "ok")
    text = with_cell(with_cell(text, 2, "solved_ra_deg", ""), 2, "solved_dec_deg", "")
    with pytest.raises(InputError, match="row 2: solved_ra_deg is empty"):
        read(tmp_path, text)


def test_the_same_exposure_twice_is_refused(tmp_path: Path):
    text = with_cell(GOOD, 1, "solved_ra_deg", "260")
    twice = text + text.splitlines()[1].replace("260", "-100") + "\n"
    with pytest.raises(InputError, match="row 4: time and solved place repeat those of row 1"):
        read(tmp_path, twice)


@pytest.mark.parametrize(
    "column", ["time", "solved_ra_deg", "solved_dec_deg", "primary_deg", "secondary_deg"]
)
def test_a_missing_column_is_named(tmp_path: Path, column: str):
    with pytest.raises(InputError, match=f"no column {column}"):
        read(tmp_path, without_column(GOOD, column))


def test_a_misspelt_column_is_suggested(tmp_path: Path):
    with pytest.raises(InputError, match="is solved_ra meant"):
        read(tmp_path, GOOD.replace("solved_ra_deg", "solved_ra"))


def test_neither_readings_nor_targets(tmp_path: Path):
    text = without_column(without_column(GOOD, "primary_deg"), "secondary_deg")
    with pytest.raises(InputError, match="neither readings"):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"\n\n  \n", "empty"),
        (b"# only a comment\n", "no line of column names"),
        (GOOD.splitlines()[0].encode(), "no row can be used"),
        (bytes(range(256)), "UTF-8"),
        (b"\x00\x01\x02\x03", "a column has no name"),
        (b"SIMPLE  =                    T", "no column time"),
        (GOOD.encode() + b"2025-03-01T20:03:00,1,2\n", "row 4: has 3 cells"),
        (GOOD.encode() + b"2025-03-01T20:03:00,1,2,3,4,east,f,x\n", "row 4: has 8 cells"),
        (GOOD.replace("pier", "time").encode(), "'time' is there twice"),
        (GOOD.replace("pier", "").encode(), "no name"),
        (GOOD.encode() + b'"2025-03-01T20:03:00,1,2,3\n', "not a table"),
        (GOOD.replace(",", ";").encode(), "no column time"),
        (b"# %ECSV 1.0\n", "header"),
        (b"# %ECSV 1.0\n# ---\n# datatype: 5\n", "datatype"),
        (b"# %ECSV 1.0\n# ---\n# - [[[\n", "header"),
        (b"a" * 200000, "row 1: is not a table"),
    ],
)
def test_what_is_no_run_table_is_refused_in_one_sentence(tmp_path: Path, content: bytes, says: str):
    with pytest.raises(InputError, match=says) as caught:
        read(tmp_path, content)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 600


def test_files_that_are_not_there(tmp_path: Path):
    with pytest.raises(InputError, match="no such file"):
        read_run(tmp_path / "none.ecsv", FORK)
    with pytest.raises(InputError, match="folder"):
        read_run(tmp_path, FORK)


def test_no_row_to_use(tmp_path: Path):
    with pytest.raises(InputError, match="no row can be used"):
        read(tmp_path, with_column(GOOD, "use", "false", "false", "false"))
    with pytest.raises(InputError, match=r"no row can be used \(3 rows, 3 failed\)"):
        read(tmp_path, with_column(GOOD, "status", "failed", "failed", "failed"))


def test_tables_with_what_no_file_can_hold_are_refused():
    good = {
        "time": ["2025-03-01T20:00:00"],
        "solved_ra_deg": [1.0],
        "solved_dec_deg": [1.0],
        "primary_deg": [1.0],
    }
    for bad in ([None], [object()], [1j], [[1.0, 2.0]], [1.0] * u.m, ["x"], [np.inf]):
        with pytest.raises(InputError, match="secondary_deg"):
            Run.from_table(QTable({**good, "secondary_deg": bad}), FORK)
    with pytest.raises(InputError, match="ISO 8601"):
        Run.from_table(Table({**good, "secondary_deg": [1.0], "time": [62500.5]}), FORK)
    missing = Time(np.array([2460000.5]), format="jd")
    missing[0] = np.ma.masked
    with pytest.raises(InputError, match="row 1: time is empty"):
        Run.from_table(QTable({**good, "secondary_deg": [1.0], "time": missing}), FORK)


@settings(max_examples=400, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), declared=st.booleans(), german=st.booleans())
def test_no_mangled_file_brings_anything_but_an_input_error(
    tmp_path: Path, data: st.DataObject, declared: bool, german: bool
):
    content = bytearray((ecsv("meta: {axes: raw}") if declared else GOOD).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(content) - 1))
        kind = data.draw(st.sampled_from(["change", "cut", "insert", "repeat"]))
        if kind == "change":
            content[place] = data.draw(st.integers(0, 255))
        elif kind == "cut":
            del content[place : place + data.draw(st.integers(1, 30))]
            content = content or bytearray(b"x")
        elif kind == "insert":
            content[place:place] = data.draw(
                st.sampled_from([b",", b'"', b"\n", b"-", b"9", b"e", b" ", b"\x00", b"#", b"\r"])
            )
        else:
            content[place:place] = content[place : place + 40]
    refused = None
    try:
        run = read(tmp_path, bytes(content), GERMAN if german else FORK)
    except (InputError, UserWarning) as error:
        refused = error
    # Either outcome is right, and so is our own reservation about a mangled year.
    if isinstance(refused, InputError):
        assert "\n" not in str(refused)
        return
    if refused is not None:
        assert "Earth orientation" in str(refused)
        return
    assert 1 <= run.points <= 8
    assert np.all(np.isfinite(run.axes))
    np.testing.assert_allclose(np.linalg.norm(run.directions, axis=1), 1.0, atol=1e-12)


# --- writing --------------------------------------------------------------------------------------


def test_a_written_run_says_its_format_and_reads_back(tmp_path: Path):
    table = run_table(
        {
            "time": ["2025-03-01T20:00:00.5", "2025-03-01T20:01:00.5", "2025-03-01T20:02:00.5"],
            "solved_ra_deg": [100.0, None, 80.0],
            "solved_dec_deg": [-30.0, None, -60.0],
            "primary_deg": [1, 2, 3],
            "secondary_deg": [-30.5, -45.5, -60.5],
            "status": ["ok", "failed", "ok"],
            "frame": ['a "b", c', None, "#3"],
            "use": [True, False, True],
        },
        {"axes": "raw", "old_model": "off"},
    )
    write_run(tmp_path / "run.ecsv", table, {"session": "night 1"})
    text = (tmp_path / "run.ecsv").read_text(encoding="utf-8")
    assert text.startswith("# %ECSV")
    run = read_run(tmp_path / "run.ecsv", FORK)
    assert (run.meta["format"], run.meta["version"]) == ("skysample-run", 1)
    assert (run.axes_kind, run.old_model, run.session, run.failed) == ("raw", "off", "night 1", 1)
    assert run.frames == ('a "b", c', "#3")
    # Second path: astropy reads the same file to the same cells.
    theirs, ours = Table.read(text, format="ascii.ecsv"), read_table(tmp_path / "run.ecsv").table()
    assert theirs.colnames == ours.colnames
    for name in theirs.colnames:
        assert theirs[name].dtype.kind == ours[name].dtype.kind
        assert theirs[name].unit == ours[name].unit
        assert [str(cell) for cell in theirs[name]] == [str(cell) for cell in ours[name]]


def test_a_run_s_own_table_reads_back_to_the_same_run(tmp_path: Path):
    text = with_column(GOOD, "temperature_c", "1", "2", "")
    text = with_column(with_column(text, "pressure_hpa", "850", "", ""), "use", "true", "false", "true")
    for site in (FORK, GERMAN, ALTAZ):
        run = read(tmp_path, text, site, assume={"axes": "raw", "old_model": "off"})
        write_run(tmp_path / "again.ecsv", run.table)
        for again in (Run.from_table(run.table, site), read_run(tmp_path / "again.ecsv", site)):
            np.testing.assert_allclose(again.axes, run.axes, atol=1e-14)
            assert np.max(separation(again.directions, run.directions)) < 1e-4 * ARCSEC
            assert again.use.tolist() == run.use.tolist()
            assert (again.axes_kind, again.old_model) == ("raw", "off")
            np.testing.assert_array_equal(again.side, run.side)


def test_the_table_has_units(tmp_path: Path):
    table = read(tmp_path, GOOD).table
    assert table["alt_deg"].unit == u.deg
    assert table["primary_deg"].to_value(u.arcmin)[0] == pytest.approx(-600.0)
    assert isinstance(table["time"], Time)


def test_a_table_that_cannot_be_written_leaves_the_old_one(tmp_path: Path):
    table = table_of({"a_deg": [1.0]})
    write_table(tmp_path / "t.ecsv", table, expected="skysample-plan")
    with pytest.raises(InputError, match="cannot be written"):
        write_table(tmp_path / "no" / "t.ecsv", table, expected="skysample-plan")
    assert read_table(tmp_path / "t.ecsv", expected="skysample-plan").table()["a_deg"].unit == u.deg
    with pytest.raises(InputError, match="not 'skysample-run'"):
        read_table(tmp_path / "t.ecsv", expected="skysample-run")


def test_reading_agrees_with_astropy_on_its_own_blank_separated_file(tmp_path: Path):
    table = Table({"a": [1.5, 2.5], "b": ["x y", ""], "c": [True, False], "d": [1, -2]})
    table["a"].unit = "hPa"
    stream = io.StringIO()
    table.write(stream, format="ascii.ecsv")
    (tmp_path / "t.ecsv").write_text(stream.getvalue().replace("1.5 ", "1.5   "), encoding="utf-8")
    ours = read_table(tmp_path / "t.ecsv").table()
    assert ours["a"].tolist() == [1.5, 2.5]
    assert ours["b"].tolist() == ["x y", None]
    assert ours["c"].tolist() == [True, False]
    assert ours["d"].tolist() == [1, -2]
    assert ours["a"].unit == u.hPa


# --- runs of simulations --------------------------------------------------------------------------


def simulated(kind: str = "german", n: int = 5) -> Run:
    rng = np.random.default_rng(1)
    axes = np.stack([rng.uniform(-1, 1, n), rng.uniform(-1, 4, n)], axis=-1)
    site = make_site(kind)
    return Run.from_arrays(site, axes, ideal_direction(mount_frame(kind, site.location.latitude_rad), axes))


def test_arrays_make_a_run_without_astrometry():
    run = simulated()
    np.testing.assert_array_equal(run.side, np.where(np.cos(run.axes[:, 1]) < 0, -1, 1))
    assert simulated("fork").side.tolist() == [1] * 5
    assert run.time is None
    assert (run.axes_kind, run.old_model) == ("raw", "off")
    assert len(run.table) == 5


def test_a_run_cannot_be_changed():
    run = simulated()
    with pytest.raises(ValueError, match="read-only"):
        run.axes[0, 0] = 1.0
    with pytest.raises(AttributeError):
        run.failed = 3


def test_the_caller_s_arrays_stay_the_caller_s():
    axes, directions = np.zeros((2, 2)), np.tile([0.0, 0.0, 1.0], (2, 1))
    run = Run.from_arrays(FORK, axes, directions, sigma_arcsec=axes[:, 0] + 1.0, use=np.array([True, False]))
    axes[0, 0] = 5.0
    assert run.axes[0, 0] == 0.0


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"axes": np.zeros((3, 2))}, "shape"),
        ({"axes": np.zeros((0, 2)), "directions": np.zeros((0, 3))}, "shape"),
        ({"axes": np.full((2, 2), np.nan)}, "finite"),
        ({"directions": np.ones((2, 3))}, "unit vectors"),
        ({"side": [1, 1, 1]}, "side"),
        ({"frames": ["a"]}, "frames"),
        ({"sigma_arcsec": [1.0, 2.0, 3.0]}, "sigma_arcsec"),
    ],
)
def test_arrays_that_do_not_fit_are_refused(change: dict[str, object], says: str):
    arguments = {"axes": np.zeros((2, 2)), "directions": np.tile([0.0, 0.0, 1.0], (2, 1)), **change}
    with pytest.raises(InputError, match=says):
        Run.from_arrays(FORK, **arguments)


def test_a_subset_keeps_what_belongs_together(tmp_path: Path):
    run = read(tmp_path, with_column(GOOD, "sigma_arcsec", "1", "2", "3"))
    part = run.subset(np.array([True, False, True]))
    assert part.frames == ("001", "003")
    assert part.rows.tolist() == [1, 3]
    assert part.sigma_arcsec is not None
    assert part.sigma_arcsec.tolist() == [1.0, 3.0]
    np.testing.assert_array_equal(part.time.jd, run.time.jd[[0, 2]])
    with pytest.raises(InputError, match="mask"):
        run.subset([0, 2])


def test_a_run_goes_to_another_process(tmp_path: Path):
    run = read(tmp_path, GOOD)
    again = pickle.loads(pickle.dumps(run))  # noqa: S301 - our own bytes
    np.testing.assert_array_equal(again.axes, run.axes)
    assert again.site == run.site

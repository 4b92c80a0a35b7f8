from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st

from skysample.astrometry.times import iso, parse_utc, to_utc, utc_from_jd, utc_from_text
from skysample.errors import InputError

MOMENTS = st.datetimes(min_value=datetime(1972, 1, 2), max_value=datetime(2199, 12, 30))  # noqa: DTZ001 - UTC by meaning
J2000 = datetime(2000, 1, 1, 12)  # noqa: DTZ001 - JD 2451545.0 by definition


@given(MOMENTS)
def test_julian_date_counts_days_as_the_calendar_does(moment: datetime):
    time = parse_utc(moment.isoformat())
    elapsed = moment - J2000
    days = elapsed // timedelta(days=1)
    seconds = (elapsed - timedelta(days=days)).total_seconds()
    # A day that ends in a leap second is longer: there ERFA's day fraction differs by up to a second's worth.
    tolerance_s = 1.001 if (moment.month, moment.day) in {(12, 31), (6, 30)} else 1e-6
    assert abs(((time.jd1 - 2451545 - days) + time.jd2) * 86400.0 - seconds) < tolerance_s


@given(st.lists(MOMENTS, min_size=1, max_size=5), st.sampled_from([3, 6, 9]))
def test_text_survives_the_round_trip_to_the_precision_asked_for(moments: list[datetime], precision: int):
    texts = [moment.isoformat(timespec="milliseconds") for moment in moments]
    assert iso(utc_from_text(texts), precision).tolist() == [text + "0" * (precision - 3) for text in texts]


@given(MOMENTS, st.integers(-14 * 60, 14 * 60))
def test_an_offset_is_turned_into_utc(moment: datetime, minutes: int):
    local = (moment + timedelta(minutes=minutes)).isoformat(timespec="milliseconds")
    sign, size = ("-", -minutes) if minutes < 0 else ("+", minutes)
    if not datetime(1972, 1, 1) <= moment + timedelta(minutes=minutes):  # noqa: DTZ001 - UTC by meaning
        return
    time = parse_utc(f"{local}{sign}{size // 60:02d}:{size % 60:02d}")
    assert iso(time) == moment.isoformat(timespec="milliseconds")


@pytest.mark.parametrize(
    "text",
    [
        "2030-01-31T21:04:05.678",
        "2030-01-31 21:04:05.678",
        "2030-01-31T21:04:05.678Z",
        "2030-01-31t21:04:05.678 z",
        " 2030-01-31T22:34:05.678+01:30 ",
        "2030-01-31T19:04:05.678-0200",
        "2030-01-31T21:04:05.678000000",
    ],
)
def test_ways_to_write_one_moment(text: str):
    assert iso(parse_utc(text)) == "2030-01-31T21:04:05.678"


def test_nanoseconds_are_kept():
    later = parse_utc("2041-07-01T03:04:05.123456789")
    earlier = parse_utc("2041-07-01T03:04:05.123456788")
    assert ((later.jd1 - earlier.jd1) + (later.jd2 - earlier.jd2)) * 86400e9 == pytest.approx(1.0, abs=0.05)


def test_agrees_with_astropy_where_astropy_knows_the_leap_seconds():
    texts = ["1999-12-31T23:59:59.5", "2016-12-31T12:00:00", "2016-12-31T23:59:60.25", "2017-01-01T00:00:00"]
    ours, theirs = utc_from_text(texts), Time(texts, format="isot", scale="utc")
    np.testing.assert_allclose((ours.jd1 - theirs.jd1) + (ours.jd2 - theirs.jd2), 0.0, atol=1e-15)
    assert iso(ours).tolist() == theirs.isot.tolist()


def test_the_leap_second_may_be_written_in_local_time():
    assert iso(parse_utc("2017-01-01T00:59:60.5+01:00")) == "2016-12-31T23:59:60.500"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("2035-12-31T23:59:60", "leap second"),
        ("2030-01-31T21:04:60", "leap second"),
        ("2016-12-31T12:00:60", "leap second"),
        ("2030-01-31T21:04:61", "60 seconds"),
        ("2030-02-30T21:04:05", "2030-02-30"),
        ("2030-01-31", "not of the form"),
        ("2030-01-31T24:00:00", "not a date-time"),
        ("1930-01-31T21:04:05", "1972"),
        ("9999-12-31T23:59:59-01:00", "not a date-time"),
        ("0001-01-01T00:00:00+01:00", "not a date-time"),
        ("2030-01-31T21:04:05+99:00", "offset"),
        ("31/01/2030 21:04:05", "not of the form"),
        ("62500.5", "not of the form"),
        ("٢٠٣٠-01-31T21:04:05", "not of the form"),
        ("", "not of the form"),
        ("nan", "not of the form"),
    ],
)
def test_what_is_no_moment_is_refused_with_its_place(text: str, says: str):
    with pytest.raises(InputError, match=says) as caught:
        parse_utc(text, file="run.csv", row=3, key="time")
    assert (caught.value.file, caught.value.row, caught.value.key) == ("run.csv", 3, "time")
    assert str(caught.value).startswith("run.csv: row 3: time: ")


def test_a_column_names_the_row_at_fault():
    with pytest.raises(InputError, match="row 7") as caught:
        utc_from_text(["2030-01-31T21:04:05", "soon"], rows=[4, 7], key="time")
    assert caught.value.row == 7


@given(st.text(max_size=40))
def test_any_text_is_a_moment_or_an_input_error(text: str):
    try:
        time = parse_utc(text)
    except InputError:
        return
    assert np.isfinite(time.jd)


@pytest.mark.parametrize("scale", ["tai", "tt", "tdb", "tcg", "tcb"])
def test_other_clocks_agree_with_astropy(scale: str):
    texts = ["1999-03-04T05:06:07.8", "2016-12-31T23:59:59", "2024-02-29T12:00:00"]
    ours, theirs = utc_from_text(texts, scale), Time(texts, format="isot", scale=scale).utc
    # astropy takes TDB at the geocentre too; what is left is the time of day that goes into it.
    np.testing.assert_allclose(((ours.jd1 - theirs.jd1) + (ours.jd2 - theirs.jd2)) * 86400.0, 0.0, atol=1e-5)


@pytest.mark.usefixtures("packaged_earth_orientation")
def test_ut1_follows_the_difference_that_iers_publishes():
    # The second path is astropy's own reading of the IERS table.
    theirs = Time("2015-01-01T00:00:00", scale="utc").delta_ut1_utc
    ours = utc_from_text(["2015-01-01T00:00:00"], "ut1")[0]
    ahead_s = -((ours.jd1 - 2457023.5) + ours.jd2) * 86400.0
    assert ahead_s == pytest.approx(theirs, abs=1e-3)


def test_years_ahead_no_warning_comes_out():
    time = utc_from_jd(2464328.5, np.array([0.25, 0.5]), "tai")
    assert iso(to_utc(time)).tolist() == ["2035-01-01T05:59:23.000", "2035-01-01T11:59:23.000"]
    held_in_tai = Time(np.array([2464328.5]), np.array([0.25]), format="jd", scale="tai")
    assert iso(held_in_tai).tolist() == ["2035-01-01T05:59:23.000"]


def test_whole_seconds_and_rounding_into_the_next_day():
    assert iso(parse_utc("2030-12-31T23:59:59.9996")) == "2031-01-01T00:00:00.000"
    assert iso(parse_utc("2030-01-31T21:04:05.4"), 0) == "2030-01-31T21:04:05"


def test_a_missing_time_has_no_text():
    time = Time(np.array([2464328.5, 2464329.5]), format="jd", scale="utc")
    time[1] = np.ma.masked
    with pytest.raises(InputError, match="missing"):
        iso(time)


def test_an_unknown_clock_is_refused():
    with pytest.raises(InputError, match="local"):
        utc_from_jd(2464328.5, 0.0, "local")


def test_now_is_a_moment():
    now = datetime(2030, 5, 6, 7, 8, 9, tzinfo=UTC)
    assert iso(parse_utc(now.isoformat())) == "2030-05-06T07:08:09.000"

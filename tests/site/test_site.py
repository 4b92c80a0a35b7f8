from __future__ import annotations

import copy
import datetime as dt
import json
import math
import string
import tomllib
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from skysample.errors import InputError
from skysample.site import Site, load_site

EXAMPLE = """
name = "Saltpan Ridge"
[location]
latitude_deg = -27.0
longitude_deg = 5.0         # east positive
elevation_m = 1250
temperature_c = 8
[sky]
altitude_min_deg = 30
altitude_max_deg = 88
sun_avoid_deg = 30
horizon = [[0, 12], [90, 25], [210, 41], [300, 15]]
[mount]
kind = "fork"
settle_s = 2.0
park = [0.0, -27.0]
[mount.primary]
rate_deg_s = 4.0
accel_deg_s2 = 4.0
min_deg = -100
max_deg = 100
[mount.secondary]
rate_deg_s = 4.0
accel_deg_s2 = 4.0
[dome]
radius_m = 2.6
slit_width_m = 1.1
slit_low_deg = 15
slit_past_zenith_deg = 10
pivot_m = [0.0, 0.1, -0.2]
tube_offset_m = 0.0
beam_m = 0.6
rate_deg_s = 3.0
accel_deg_s2 = 2.0
start_delay_s = 1.0
park_deg = 90
[camera]
exposure_s = 10
overhead_s = 4
pixel_arcsec = 0.6
size_px = [4096, 4096]
mirrored = false
roll_deg = 0.0
[wedge]
altitude_arm_mm = 310
altitude_pitch_mm = 1.75
altitude_clockwise = "raise"
azimuth_arm_mm = 260
azimuth_pitch_mm = 1.5
azimuth_clockwise = "east"
push_pull = true
hinge = "on_azimuth"
lean_east_deg = 0.0
lean_north_deg = 0.0
feet_az_deg = [0, 120, 240]
feet_radius_mm = 400
feet_pitch_mm = 1.5
feet_clockwise = "raise"
[plugins.moon]
avoid_deg = 10
"""
LEAST = {"location": {"latitude_deg": 35.0, "longitude_deg": -110.0}, "mount": {"kind": "fork"}}


def struct_of(kind: Any) -> Any:
    return next(
        (
            each
            for each in (kind, *get_args(kind))
            if isinstance(each, type) and issubclass(each, msgspec.Struct)
        ),
        None,
    )


def walk(table: Any = Site, place: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], Any]]:
    """Every key of the site file that holds a value, with its annotation."""
    found = []
    for key, kind in get_type_hints(table, include_extras=True).items():
        inner = struct_of(kind)
        found += walk(inner, (*place, key)) if inner else [((*place, key), kind)]
    return found


KEYS = [(place, kind) for place, kind in walk() if place != ("plugins",)]
TABLES = ["", "location", "sky", "mount", "mount.primary", "mount.secondary", "dome", "camera", "wedge"]


def with_value(place: tuple[str, ...], value: Any) -> dict[str, Any]:
    content = tomllib.loads(EXAMPLE)
    table = content
    for key in place[:-1]:
        table = table.setdefault(key, {})
    table[place[-1]] = value
    return content


def without(place: str) -> dict[str, Any]:
    *tables, last = place.split(".")
    content = copy.deepcopy(LEAST)
    table = content
    for key in tables:
        table = table[key]
    del table[last]
    return content


def parts(kind: Any) -> tuple[Any, ...]:
    """The plain types behind an annotation, None left out."""
    if get_origin(kind) in {Union, UnionType}:
        return tuple(part for each in get_args(kind) if each is not type(None) for part in parts(each))
    return (get_args(kind)[0],) if get_origin(kind) is Annotated else (kind,)


NAN, INF = math.nan, math.inf
A_DAY = dt.date(2030, 1, 31)
NO_NUMBER = [NAN, INF, -INF, 1e300, -1e300, 10**400, "35", "", True, {}, {"a": 1}, [], [1.0], A_DAY]
WRONG = {
    float: NO_NUMBER,
    int: [*NO_NUMBER, 1.5],
    bool: [1, 0.0, "true", [], {}, A_DAY, NAN],
    str: [1, 2.5, True, [], {}, A_DAY, NAN],
}


def wrong_values(place: tuple[str, ...], kind: Any) -> list[Any]:
    if place == ("sky", "horizon"):
        pairs = [[[0, bad]] for bad in NO_NUMBER] + [[[bad, 0]] for bad in NO_NUMBER]
        return [7, True, {}, NAN, A_DAY, [1, 2], [[1]], [[1, 2, 3]], [[]], [{}], [["0", "12"]], *pairs]
    (part,) = parts(kind)
    if get_origin(part) is Literal:
        return ["nonsense", "", 3, True, [], {}, [get_args(part)[0]], NAN]
    if get_origin(part) is tuple:
        length = len(get_args(part))
        good = [1] * length
        in_list = [[bad, *good[1:]] for bad in NO_NUMBER] + [[*good[1:], bad] for bad in NO_NUMBER]
        return [3, "text", True, {}, [], NAN, good[1:], [*good, 1], *in_list]
    return WRONG[part]


CASES = [
    pytest.param(place, value, id=f"{'.'.join(place)}={value!r:.30}")
    for place, kind in KEYS
    for value in wrong_values(place, kind)
]
FOREIGN_WORDS = ("`", "$", "expected", "Expected", "enum", "Traceback", "object", "array")


@pytest.mark.parametrize(("place", "value"), CASES)
def test_a_value_that_does_not_fit_is_refused_with_its_key_in_plain_words(place, value):
    with pytest.raises(InputError) as caught:
        Site.from_dict(with_value(place, value), file="site.toml")
    error, key = caught.value, ".".join(place)
    assert error.key is not None
    assert error.key.partition("[")[0] == key
    text = str(error)
    assert text.startswith("site.toml: ")
    assert error.key in text
    assert text.isprintable()
    assert len(text) < 400
    assert "; " in text, "says what to do"
    assert not [word for word in FOREIGN_WORDS if word in text]


def edges() -> list[Any]:
    """Just outside each range that an annotation gives, and on its edge."""
    found = []
    for place, kind in KEYS:
        for each in get_args(kind) if get_origin(kind) in {Union, UnionType} else (kind,):
            if get_origin(each) is not Annotated:
                continue
            meta = get_args(each)[1]
            low, high = meta.ge if meta.gt is None else meta.gt, meta.le
            below = low if meta.gt is not None else (low - 1 if get_args(each)[0] is int else low - 1e-9)
            found += [(place, below), (place, high + 1 if get_args(each)[0] is int else high * (1 + 1e-9))]
    return found


def test_every_number_has_a_range_and_beyond_its_edges_nothing_is_taken():
    numbers = [place for place, kind in KEYS if {float, int} & set(parts(kind))]
    assert {place for place, _ in edges()} == set(numbers)
    for place, value in edges():
        with pytest.raises(InputError, match=place[-1]):
            Site.from_dict(with_value(place, value))


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("location.latitude_deg", 90.001),
        ("location.latitude_deg", -90.001),
        ("location.longitude_deg", 361.0),
        ("location.pressure_hpa", -1.0),
        ("sky.altitude_min_deg", -91.0),
        ("sky.sun_avoid_deg", 181.0),
        ("mount.primary.rate_deg_s", 0.0),
        ("mount.secondary.accel_deg_s2", 0.0),
        ("mount.settle_s", -0.1),
        ("dome.rate_deg_s", 0.0),
        ("camera.exposure_s", -1.0),
        ("camera.size_px", [0, 4096]),
        ("wedge.azimuth_pitch_mm", 0.0),
        ("wedge.feet_az_deg", [0.0, 180.0]),
        ("wedge.feet_az_deg", [0.0, 120.0, 360.0]),
    ],
)
def test_what_cannot_be_is_out_of_range(place, value):
    with pytest.raises(InputError, match=place.replace(".", r"\.")):
        Site.from_dict(with_value(tuple(place.split(".")), value))


@pytest.mark.parametrize("table", TABLES)
def test_an_unknown_key_is_refused_with_the_nearest_key_or_all_of_them(table):
    tables = tuple(table.split(".")) if table else ()
    where = f"{table}." if table else ""
    known = [place[-1] for place, _ in KEYS if place[:-1] == tables]
    for key in known:
        for slip in (key[:-1] + "z", key[1:], key.upper(), key + "_"):
            with pytest.raises(InputError) as caught:
                Site.from_dict(with_value((*tables, slip), 1))
            assert caught.value.key == f"{where}{slip}"
            assert f"unknown key {where}{slip}; did you mean {where}" in str(caught.value)
        with pytest.raises(InputError, match=f"did you mean {where}{key}\\?"):
            Site.from_dict(with_value((*tables, key + "_"), 1))
    with pytest.raises(InputError) as caught:
        Site.from_dict(with_value((*tables, "qqqq"), 1))
    assert all(key in str(caught.value) for key in known)


@pytest.mark.parametrize("table", [place for place in TABLES if place])
@pytest.mark.parametrize("value", [3, "text", True, [], [{}], NAN])
def test_a_table_that_is_none_is_refused(table, value):
    with pytest.raises(InputError, match="is not a table; write") as caught:
        Site.from_dict(with_value(tuple(table.split(".")), value))
    assert caught.value.key == table


@pytest.mark.parametrize(
    "content", [[], 3, "text", None, {1: 2}, {"location": {2.5: 1}, "mount": {"kind": "fork"}}]
)
def test_what_is_no_site_at_all_is_refused(content):
    with pytest.raises(InputError):
        Site.from_dict(content)


@pytest.mark.parametrize(
    ("place", "advice"),
    [
        ("location", "write [location] and its keys below it"),
        ("mount", "write [mount] and its keys below it"),
        ("location.latitude_deg", "write a number from -90 to 90"),
        ("location.longitude_deg", "write a number from -360 to 360"),
        ("mount.kind", "write one of fork, german, altaz"),
    ],
)
def test_a_key_that_is_needed_is_named_with_what_it_takes(place, advice):
    with pytest.raises(InputError) as caught:
        Site.from_dict(without(place))
    assert str(caught.value) == f"{place} is missing; {advice}"
    assert caught.value.key == place


def test_the_message_names_the_value_given_and_the_values_allowed():
    for place, value, message in (
        ("mount.kind", "form", '"form" is not one of fork, german, altaz; did you mean fork?'),
        ("mount.kind", "equatorial", '"equatorial" is not one of fork, german, altaz; write one of them'),
        ("location.latitude_deg", 95, "95 is not a number from -90 to 90; correct it"),
        (
            "dome.radius_m",
            "2.6 m",
            '"2.6 m" is not a number above 0 and up to 1000000; correct it',
        ),
        ("wedge.push_pull", "yes", '"yes" is not true or false; correct it'),
        (
            "sky.horizon",
            [[0, 12], [90, 95]],
            None,
        ),
    ):
        with pytest.raises(InputError) as caught:
            Site.from_dict(with_value(tuple(place.split(".")), value))
        expected = (
            f"{place}: {message}"
            if message
            else "sky.horizon[1][1]: 95 is not a number from -90 to 90; correct it"
        )
        assert str(caught.value) == expected


def test_what_is_given_to_a_plugin_is_handed_on_untouched():
    given_to_it = {"avoid_deg": 10, "anything": [1, {"x": NAN}], "when": A_DAY}
    site = Site.from_dict({**LEAST, "plugins": {"moon": given_to_it}})
    assert site.plugins["moon"] is not None
    assert json.dumps(site.plugins["moon"], default=str) == json.dumps(given_to_it, default=str)
    with pytest.raises(InputError, match=r"plugins\.moon: 3 is not a table"):
        Site.from_dict({**LEAST, "plugins": {"moon": 3}})


@pytest.mark.parametrize(
    ("changes", "key", "words"),
    [
        ({"sky.altitude_min_deg": 88}, "sky.altitude_min_deg", "88 is not below altitude_max_deg 88"),
        ({"sky.altitude_min_deg": 89}, "sky.altitude_min_deg", "89 is not below altitude_max_deg 88"),
        ({"mount.primary.max_deg": -100}, "mount.primary.min_deg", "-100 is not below max_deg -100"),
        ({"mount.primary.max_deg": -120}, "mount.primary.min_deg", "-100 is not below max_deg -120"),
        ({"mount.secondary.max_deg": 60}, "mount.secondary", "both min_deg and max_deg, or neither"),
        ({"mount.secondary.min_deg": -60}, "mount.secondary", "both min_deg and max_deg, or neither"),
        ({"mount.park": [120.0, 0.0]}, "mount.park", "outside the axes' limits"),
        ({"dome.beam_m": 1.1}, "dome.beam_m", "1.1 does not fit through the slit"),
        ({"dome.beam_m": 1.2}, "dome.beam_m", "1.2 does not fit through the slit"),
        ({"dome.slit_width_m": 5.3}, "dome.slit_width_m", "5.3 is wider than the dome itself"),
        ({"dome.pivot_m": [0.0, 2.4, 0.0]}, "dome.pivot_m", "outside the dome"),
        ({"dome.tube_offset_m": -2.4}, "dome.pivot_m", "outside the dome"),
        ({"dome.slit_low_deg": 70, "dome.slit_past_zenith_deg": -25}, "dome.slit_low_deg", "70 is not below"),
        ({"dome.head_start_s": 60.0}, "dome.head_start_s", "60 is longer than camera.overhead_s"),
        ({"wedge.altitude_arm_mm": None}, "wedge.altitude_arm_mm", "altitude bolt need"),
        ({"wedge.azimuth_pitch_mm": None}, "wedge.azimuth_pitch_mm", "azimuth bolt need"),
        ({"wedge.azimuth_clockwise": None}, "wedge.azimuth_clockwise", "azimuth bolt need"),
        ({"wedge.feet_radius_mm": None}, "wedge.feet_radius_mm", "feet_az_deg and feet_radius_mm together"),
        ({"wedge.feet_clockwise": None}, "wedge.feet_clockwise", "feet_pitch_mm and feet_clockwise together"),
        ({"sky.horizon": [[0, 12], [90, 25], [360, 13]]}, "sky.horizon", "azimuth 360 is given twice"),
        ({"sky.horizon": [[-90, 12], [270, 12]]}, "sky.horizon", "azimuth 270 is given twice"),
    ],
)
def test_keys_that_contradict_each_other_are_named(changes, key, words):
    content = tomllib.loads(EXAMPLE)
    for place, value in changes.items():
        *tables, last = place.split(".")
        table = content
        for each in tables:
            table = table[each]
        if value is None:
            del table[last]
        else:
            table[last] = value
    with pytest.raises(InputError, match=words) as caught:
        Site.from_dict(content, file="site.toml")
    assert caught.value.key == key
    assert str(caught.value).startswith(f"site.toml: {key}: ")


@pytest.fixture
def site_with_horizon(tmp_path):
    def write(text: str | bytes, name: str = "horizon.csv"):
        if isinstance(text, bytes):
            (tmp_path / name).write_bytes(text)
        else:
            (tmp_path / name).write_text(text)
        file = tmp_path / "site.toml"
        file.write_text(
            f'sky.horizon = "{name}"\nlocation.latitude_deg = 35\nlocation.longitude_deg = 5\nmount.kind = "fork"\n'
        )
        return file

    return write


HORIZON = ((0.0, 12.0), (90.0, 25.5), (210.0, 41.0))


@pytest.mark.parametrize(
    "text",
    [
        "azimuth_deg,altitude_deg\n0,12\n90,25.5\n210,41\n",
        "az,alt\r\n0, 12\r\n90, 25.5\r\n210, 41\r\n",
        "# surveyed\naltitude_deg,azimuth_deg\n12,0\n25.5,90\n41,210\n",
        (
            "# %ECSV 1.0\n# ---\n# datatype:\n# - {name: az, datatype: float64}\n# - {name: alt, datatype: float64}\n"
            "az alt\n0 12\n90 25.5\n210 41\n"
        ),
        (
            "# %ECSV 1.0\n# ---\n# delimiter: ','\n# datatype:\n"
            "# - {name: az, unit: deg, datatype: float64}\n# - {name: alt, unit: arcmin, datatype: float64}\n"
            "az,alt\n0,720\n90,1530\n210,2460\n"
        ),
    ],
    ids=["csv", "crlf", "altitude-first", "ecsv", "ecsv-in-arcmin"],
)
def test_a_horizon_may_stand_in_a_table_beside_the_site_file(site_with_horizon, text):
    horizon = load_site(site_with_horizon(text)).sky.horizon
    assert sum(horizon, ()) == pytest.approx(sum(HORIZON, ()))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("az,alt\n", "has no rows"),
        ("0,12\n90,25\n", "first line holds numbers"),
        ("az,alt,note\n0,12,tree\n", "has 3 columns"),
        ("az\n0\n", "has 1 columns"),
        ("az,alt\n0,12\n90\n", "row 2: has 1 cells"),
        ("az,alt\n0,12\n90,25,3\n", "row 2: has 3 cells"),
        ("az,alt\n0,12\n90,high\n", "row 2: alt is 'high', not a number"),
        ("az,alt\n0,12\n90,\n", "row 2: alt is empty"),
        ("az,alt\n0,12\n,25\n", "row 2: az is empty"),
        ("az,alt\n0,12\n90,nan\n", "row 2: alt is empty"),
        ("az,alt\n0,12\n90,inf\n", "row 2: alt is inf"),
        ("az,alt\n0,12\n90,91\n", "row 2: alt is 91, not in -90..90"),
        ("az,alt\n0,12\n400,9\n", "row 2: az is 400, not in -360..360"),
        ("az,alt\n0,12\n360,9\n", "azimuth 360 is given twice"),
        ("az,az\n0,12\n", "is there twice"),
        (b"\xff\xfe\x00", "not UTF-8"),
        (
            (
                "# %ECSV 1.0\n# ---\n# datatype:\n# - {name: az, datatype: float64}\n# - {name: alt, datatype: bool}\n"
                "az alt\n0 true\n"
            ),
            "alt is True, not a number",
        ),
        (
            (
                "# %ECSV 1.0\n# ---\n# datatype:\n# - {name: az, unit: m, datatype: float64}\n"
                "# - {name: alt, datatype: float64}\naz alt\n0 1\n"
            ),
            "az is in m, which does not convert to deg",
        ),
    ],
)
def test_a_horizon_file_that_is_none_is_named_itself(site_with_horizon, text, words):
    file = site_with_horizon(text)
    with pytest.raises(InputError, match=words) as caught:
        load_site(file)
    assert str(caught.value).startswith(str(file.parent / "horizon.csv"))
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("name", ["nowhere.csv", "", ".", "   "])
def test_a_horizon_file_that_is_not_there_is_named(site_with_horizon, name):
    file = site_with_horizon("az,alt\n0,12\n")
    file.write_text(file.read_text().replace("horizon.csv", name))
    with pytest.raises(InputError, match=r"no such file|is a folder|name a file"):
        load_site(file)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = ", "is not valid TOML"),
        ("name = 'a'\nname = 'b'", "is not valid TOML"),
        ("[mount\nkind = 'fork'", "is not valid TOML"),
        ("a = " + "[" * 20000, "nested too deeply"),
        ("a = " + "9" * 5000, "thousands of digits"),
        ("", "location is missing"),
        ("name = 'x\x00'", "is not valid TOML"),
    ],
)
def test_text_that_is_no_toml_is_refused(tmp_path, text, words):
    file = tmp_path / "site.toml"
    file.write_text(text)
    with pytest.raises(InputError, match=words) as caught:
        load_site(file)
    assert str(caught.value).startswith(f"{file}: ")
    assert len(str(caught.value).splitlines()) == 1


def test_a_site_nested_beyond_reason_is_refused():
    deep: Any = []
    for _ in range(100_000):
        deep = [deep]
    with pytest.raises(InputError):
        Site.from_dict({**LEAST, "name": deep})
    while deep:
        deep = deep.pop()  # python would free it by recursion


def test_the_least_that_a_site_needs_is_latitude_longitude_and_kind():
    site = Site.from_dict(LEAST)
    assert (site.sky.altitude_min_deg, site.sky.altitude_max_deg, site.sky.sun_avoid_deg) == (
        30.0,
        88.0,
        30.0,
    )
    assert site.sky.horizon == ()
    assert site.mount.settle_s == 2.0
    assert (site.mount.primary.rate_deg_s, site.mount.primary.min_deg) == (4.0, None)
    assert (site.camera.exposure_s, site.camera.overhead_s) == (10.0, 4.0)
    assert site.dome is None
    assert site.wedge is None
    assert site.plugins == {}


def test_without_a_pressure_the_standard_atmosphere_holds():
    # ISO 2533:1975 / U.S. Standard Atmosphere 1976, by geopotential altitude (values from memory).
    for elevation, pressure in ((0.0, 1013.25), (1000.0, 898.75), (5000.0, 540.20)):
        location = {**LEAST["location"], "elevation_m": elevation}
        found = Site.from_dict({**LEAST, "location": location}).location.station_pressure_hpa
        assert found == pytest.approx(pressure, abs=0.02)
    vacuum = Site.from_dict({**LEAST, "location": {**LEAST["location"], "pressure_hpa": 0}})
    assert vacuum.location.station_pressure_hpa == 0.0


def test_the_example_loads_with_every_value_as_written(tmp_path):
    file = tmp_path / "site.toml"
    file.write_text(EXAMPLE)
    site = load_site(file)
    written = tomllib.loads(EXAMPLE)
    for place, _ in KEYS:
        value, table = site, written
        for key in place:
            value, table = getattr(value, key), table.get(key) if isinstance(table, dict) else None
        if table is not None:
            assert value == (tuple(map(tuple, table)) if place[-1] == "horizon" else value.__class__(table))
    assert site.plugins == {"moon": {"avoid_deg": 10}}


@pytest.mark.parametrize("latitude", [0, 0.0, -0.0, 90, -90, 1e-12])
@pytest.mark.parametrize("longitude", [0, 180, -180, 180.5, 360, -360, 270])
@pytest.mark.parametrize("kind", ["fork", "german", "altaz"])
def test_the_ends_of_the_earth_are_places_too(latitude, longitude, kind):
    site = Site.from_dict(
        {"location": {"latitude_deg": latitude, "longitude_deg": longitude}, "mount": {"kind": kind}}
    )
    assert site.location.hemisphere == (-1 if latitude < 0 else 1)
    assert site.elevated_pole == pytest.approx(
        [
            0.0,
            math.cos(math.radians(latitude)) * site.location.hemisphere,
            abs(math.sin(math.radians(latitude))),
        ],
        abs=1e-15,
    )


def numbers(low: float, high: float) -> st.SearchStrategy[Any]:
    whole = (
        st.integers(math.ceil(low), math.floor(high)) if math.ceil(low) <= math.floor(high) else st.nothing()
    )
    return st.floats(low, high, allow_subnormal=False) | whole


def spans(low: float, high: float) -> st.SearchStrategy[tuple[float, float]]:
    return (
        st.lists(numbers(low, high), min_size=2, max_size=2)
        .map(sorted)
        .filter(lambda pair: pair[0] < pair[1])
    )


TEXT = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=20)


@st.composite
def axes(draw):
    axis = draw(
        st.fixed_dictionaries(
            {},
            optional={
                "rate_deg_s": numbers(0.01, 20.0),
                "accel_deg_s2": numbers(0.01, 20.0),
                "start_delay_s": numbers(0.0, 5.0),
            },
        )
    )
    if draw(st.booleans()):
        axis["min_deg"], axis["max_deg"] = draw(spans(-720.0, 720.0))
    return axis


@st.composite
def domes(draw):
    radius = draw(numbers(0.5, 50.0))
    slit = radius * draw(st.floats(0.05, 1.9))
    beam = slit * draw(st.floats(0.01, 0.99))
    room = max(radius - beam / 2.0, 0.0) * 0.4
    dome = {"radius_m": radius, "slit_width_m": slit, "beam_m": min(beam, radius)}
    if dome["beam_m"] / 2.0 + 2.0 * room < radius:
        dome |= {
            "pivot_m": [room * draw(st.floats(-0.5, 0.5)) for _ in range(3)],
            "tube_offset_m": room * draw(st.floats(-0.9, 0.9)),
        }
    return dome | draw(
        st.fixed_dictionaries(
            {},
            optional={
                "slit_low_deg": numbers(-30.0, 20.0),
                "slit_past_zenith_deg": numbers(-60.0, 80.0),
                "rate_deg_s": numbers(0.1, 10.0),
                "start_delay_s": numbers(0.0, 10.0),
                "park_deg": numbers(-360.0, 360.0),
            },
        )
    )


@st.composite
def sites(draw):
    content: dict[str, Any] = {
        "location": draw(
            st.fixed_dictionaries(
                {"latitude_deg": numbers(-90.0, 90.0), "longitude_deg": numbers(-360.0, 360.0)},
                optional={
                    "elevation_m": numbers(-500.0, 10000.0),
                    "temperature_c": numbers(-90.0, 60.0),
                    "pressure_hpa": numbers(0.0, 1200.0),
                },
            )
        ),
        "mount": {
            "kind": draw(st.sampled_from(["fork", "german", "altaz"])),
            "primary": draw(axes()),
            "secondary": draw(axes()),
        },
    }
    if draw(st.booleans()):
        low, high = draw(spans(-90.0, 90.0))
        content["sky"] = {"altitude_min_deg": low, "altitude_max_deg": high}
        around = draw(
            st.lists(numbers(0.0, 359.0), max_size=6, unique_by=lambda azimuth: float(azimuth) % 360.0)
        )
        content["sky"]["horizon"] = [[azimuth, draw(numbers(-90.0, 90.0))] for azimuth in around]
    if draw(st.booleans()):
        content["dome"] = draw(domes())
    if draw(st.booleans()):
        content["camera"] = {"size_px": [draw(st.integers(1, 10**6)), 1], "mirrored": draw(st.booleans())}
    if draw(st.booleans()):
        content["wedge"] = {"hinge": draw(st.sampled_from(["on_azimuth", "ground"]))}
    if draw(st.booleans()):
        content["name"] = draw(TEXT)
    if draw(st.booleans()):
        content["plugins"] = {
            draw(st.text(string.ascii_lowercase, min_size=1, max_size=5)): {"note": draw(TEXT)}
        }
    return content


def toml(content: dict[str, Any], place: str = "") -> str:
    """Write tables as TOML, which python's own library only reads."""
    plain = {key: value for key, value in content.items() if not isinstance(value, dict)}
    lines = [f"[{place}]"] if place else []
    # JSON's text, numbers, truth values and lists are TOML's too.
    lines += [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in plain.items()]
    inner = [
        toml(value, f"{place}.{key}" if place else key)
        for key, value in content.items()
        if isinstance(value, dict)
    ]
    return "\n".join([*lines, *inner])


def given_keys(value: Any) -> Any:
    """A site as plain tables, without what is not given."""
    if isinstance(value, dict):
        return {key: given_keys(inner) for key, inner in value.items() if inner is not None}
    return [given_keys(inner) for inner in value] if isinstance(value, list | tuple) else value


@settings(max_examples=60, deadline=None)
@given(content=sites())
def test_a_site_survives_being_written_as_toml_and_read_back(content):
    site = Site.from_dict(content)
    assert Site.from_dict(tomllib.loads(toml(content))) == site
    whole = given_keys(msgspec.to_builtins(site))
    assert Site.from_dict(tomllib.loads(toml(whole))) == site

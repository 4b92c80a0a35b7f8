"""What the charts show, and that they survive greyscale, a page and a second drawing."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest
from astropy import units as u
from astropy.table import QTable
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.quiver import Quiver, QuiverKey
from matplotlib.text import Text
from matplotlib.transforms import Bbox

import skysample as ss
from skysample.errors import InputError
from skysample.geometry import direction
from skysample.report.charts import as_svg, coverage_map, residual_map, size_chart, sky_chart, write_chart
from skysample.report.charts.plan_chart import dome_stops
from skysample.report.charts.sky_disc import disc_xy, rim_below, rim_radius
from skysample.scoring import SkyError, sky_error
from skysample.site import Site
from skysample.sizing import PointsNeeded
from tests.conftest import make_site
from tests.simulated_nights import errors, simulated_run

SVG = "{http://www.w3.org/2000/svg}"
SKY = {
    "altitude_min_deg": 30.0,
    "altitude_max_deg": 88.0,
    "horizon": [[0, 12], [90, 25], [210, 41], [300, 15]],
}
ROOT = Path(__file__).resolve().parents[2]
DOME = {"radius_m": 2.6, "slit_width_m": 1.1, "slit_low_deg": 15, "slit_past_zenith_deg": 10, "beam_m": 0.6}


def parsed(text):
    return ET.fromstring(text)  # noqa: S314 - what skysample itself has written


def texts(figure):
    return [each.get_text() for each in figure.findobj(Text) if each.get_text()]


def place_of(figure, text):
    (found,) = (each for each in figure.findobj(Text) if each.get_text() == text)
    return np.array(found.get_position())


def marked(figure, shape):
    """Lines of marks on the chart itself, not in its legend."""
    return [each for each in figure.axes[0].get_lines() if each.get_marker() == shape]


def places_marked(figure, shape):
    return [place for each in marked(figure, shape) for place in each.get_xydata()]


@pytest.fixture(scope="module")
def plan():
    site = make_site(sky=SKY, dome=DOME)
    return ss.plan(site, 15, effort="quick")


@pytest.fixture(scope="module")
def fitted():
    site = make_site(sky=SKY)
    run, false = simulated_run(site, errors("fork", 20.0, -30.0), 40, noise_arcsec=1.5, false=3)
    model = ss.fit(run, site)
    assert sorted(each.row for each in model.rejected) == (np.flatnonzero(false) + 1).tolist()
    return model, run, ss.score(model, run), ss.usable_sky(site)


@pytest.fixture(scope="module")
def need():
    table = QTable(
        {
            "points": [20, 40, 60],
            "sky_rms": [2.0, 1.3, 1.0] * u.arcsec,
            "sky_p95": [2.8, 1.9, 1.4] * u.arcsec,
            "detectable": [9.0, 6.0, 5.0] * u.arcsec,
            "minutes": [6.0, 12.0, 18.0] * u.min,
        }
    )
    arcsec = u.arcsec
    return PointsNeeded(40, 38, 1.35 * arcsec, 2.7 * arcsec, 3.0 * arcsec, ("polar_altitude",), 0.05, table)


def test_on_the_disc_the_zenith_is_in_the_middle_north_up_and_east_left():
    places = disc_xy(direction(np.radians([90.0, 0.0, 0.0, 0.0]), np.radians([0.0, 0.0, 90.0, 225.0])))
    half = np.sqrt(0.5)
    np.testing.assert_allclose(places, [[0.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [half, -half]], atol=1e-12)


@given(st.floats(0.0, 90.0), st.floats(0.0, 360.0))
def test_equal_areas_of_sky_are_equal_areas_of_paper(altitude_deg, azimuth_deg):
    place = disc_xy(direction(np.radians(altitude_deg), np.radians(azimuth_deg)))
    above = 1.0 - np.sin(np.radians(altitude_deg))  # share of the hemisphere higher than this
    assert np.sum(place**2) == pytest.approx(above, abs=1e-12)


def test_a_plan_has_each_point_once_numbered_in_the_order_to_take_them(plan):
    numbers = [each for each in sky_chart(plan).findobj(Text) if each.get_text().isdigit() and on_disc(each)]
    found = {int(each.get_text()): each.get_position() for each in numbers}
    assert len(numbers) == plan.points
    expected = disc_xy(plan.grid.directions[plan.order])
    np.testing.assert_allclose([found[number] for number in range(1, plan.points + 1)], expected, atol=1e-12)


def on_disc(text):
    return np.hypot(*text.get_position()) < 1.0


def test_the_route_joins_the_points_in_that_order(plan):
    (route,) = (each for each in sky_chart(plan).axes[0].get_lines() if each.get_label() == "route")
    np.testing.assert_allclose(route.get_xydata(), disc_xy(plan.grid.directions[plan.order]), atol=1e-12)


def test_a_plan_names_east_on_the_left_and_says_why(plan):
    figure = sky_chart(plan)
    rim = rim_radius(25.0)  # nothing below 30 degrees is usable
    assert place_of(figure, "East")[0] < -rim
    assert place_of(figure, "West")[0] > rim
    assert place_of(figure, "North")[1] > rim
    assert place_of(figure, "South")[1] < -rim
    assert any("The rim is at altitude 25°" in text for text in texts(figure))
    assert any("Looking up: east is on the left." in text for text in texts(figure))


def rim_marks(figure):
    """Marks on the rim, as places of their inner ends."""
    lines = [each.get_xydata() for each in figure.axes[0].get_lines()]
    radii = [np.linalg.norm(line, axis=1) for line in lines]
    return np.array(
        [
            line[0]
            for line, radius in zip(lines, radii, strict=True)
            if len(line) == 2 and abs(radius[1] / radius[0] - 1.06) < 1e-9
        ]
    )


def counts(figure):
    """Numbers written outside the rim, by place."""
    found = [each for each in figure.findobj(Text) if each.get_text().isdigit()]
    rim = np.linalg.norm(rim_marks(figure)[0])
    return [each for each in found if np.hypot(*each.get_position()) > rim]


def test_every_dome_stop_has_a_mark_on_the_rim(plan):
    stops = dome_stops(plan)
    assert sum(count for _, count in stops) == plan.points
    assert len(stops) in (plan.schedule.dome_moves, plan.schedule.dome_moves + 1)
    figure = sky_chart(plan)
    expected = rim_radius(25.0) * disc_xy(direction(0.0, np.array([azimuth for azimuth, _ in stops])))
    np.testing.assert_allclose(
        sorted(map(tuple, rim_marks(figure))), sorted(map(tuple, expected)), atol=1e-12
    )
    assert any("dome stands here" in text for text in texts(figure))


def test_a_dome_stop_says_how_many_points_it_serves_when_several(plan):
    azimuth = np.radians([10.0] * 5 + [100.0] * 3 + [104.0] * 2 + [180.0] + [270.0] * 4)
    figure = sky_chart(replace(plan, schedule=replace(plan.schedule, dome_az=azimuth)))
    assert len(rim_marks(figure)) == 5
    # The stop for one point has no number; of the two side by side, the larger has.
    assert sorted(each.get_text() for each in counts(figure)) == ["3", "4", "5"]
    (five,) = (each for each in counts(figure) if each.get_text() == "5")
    towards = np.array(five.get_position()) / np.hypot(*five.get_position())
    np.testing.assert_allclose(towards, disc_xy(direction(0.0, np.radians(10.0))), atol=1e-12)


@pytest.mark.parametrize("kind", ["fork", "german", "altaz"])
@pytest.mark.parametrize("points", [15, 75, 150])
def test_on_a_phone_no_writing_is_too_small_and_none_hides_another(kind, points):
    reference = tomllib.loads((ROOT / "benchmarks" / "reference_site.toml").read_text("utf-8"))
    reference["mount"] = {"kind": kind}
    crowded = ss.plan(Site.from_dict(reference), points, order="nearest", effort="quick")
    figure = sky_chart(crowded)
    FigureCanvasAgg(figure).draw()
    legend = figure.axes[0].get_legend()
    written = [each for each in figure.axes[0].texts if each.get_text()]
    phone_px_per_pt = 400.0 / (72.0 * figure.get_figwidth())
    for each in (*written, *legend.get_texts()):
        assert each.get_fontsize() * phone_px_per_pt > 7.9, each.get_text()
        box = each.get_window_extent()
        assert box.x0 >= 0.0
        assert box.x1 <= figure.bbox.x1
    # Boxes leave room below the line for letters that hang lower; digits do not.
    boxes = [each.get_window_extent() for each in written]
    boxes = [Bbox.from_extents(box.x0, box.y0 + 0.2 * box.height, box.x1, box.y1) for box in boxes]
    overlaps = [
        (written[i].get_text(), written[j].get_text())
        for i, j in combinations(range(len(boxes)), 2)
        if boxes[i].overlaps(boxes[j])
    ]
    assert overlaps == []


def test_where_there_is_no_room_in_the_points_every_fifth_number_stands_beside_one():
    site = make_site(sky=SKY)
    crowded = ss.plan(site, 150, order="nearest", effort="quick")
    figure = sky_chart(crowded)
    assert len(places_marked(figure, "o")) == 150
    numbers = {each.get_text(): each.get_position() for each in figure.axes[0].texts}
    assert {text for text in numbers if text.isdigit()} == {"1", *(f"{n}" for n in range(5, 151, 5))}
    places = disc_xy(crowded.grid.directions[crowded.order])
    gaps = [np.hypot(*(places[n - 1] - numbers[f"{n}"])) for n in range(5, 151, 5)]
    assert max(gaps) < 0.1
    assert any("every 5th" in text for text in texts(figure))


def test_without_a_dome_there_are_no_stops():
    bare = ss.plan(make_site(sky=SKY), 6, effort="quick")
    assert dome_stops(bare) == []
    assert not any("dome" in text for text in texts(sky_chart(bare)))


def test_the_tube_on_the_west_side_of_the_pier_is_a_square():
    flipping = ss.plan(make_site("german", sky=SKY), 8, effort="quick")
    assert len(places_marked(sky_chart(flipping), "s")) == np.count_nonzero(flipping.grid.sides == -1) > 0


def test_a_plan_says_in_words_what_it_shows(plan):
    label = sky_chart(plan).get_label()
    assert "15 points" in label
    for azimuth, count in dome_stops(plan):
        assert f"{np.degrees(azimuth) % 360.0:.0f} ({count})" in label


def test_a_residual_to_the_west_points_right_in_the_south(fitted):
    model, run, score, sky = fitted
    west = replace(score, residuals=np.tile([2.0, 0.0], (len(score.rows), 1)) * u.arcsec)
    arrows = residual_map(model, run, west, sky=sky).findobj(Quiver)[0]
    at = run.directions[np.isin(run.rows, score.rows)]
    near_meridian = (np.abs(at[:, 0]) < 0.3) & (
        at[:, 1] > 0.0
    )  # of a southern site: the equator side is north
    assert near_meridian.any()
    assert (arrows.U[near_meridian] > 0.75 * np.hypot(arrows.U, arrows.V)[near_meridian]).all()
    radius = rim_radius(rim_below(sky, at))
    np.testing.assert_allclose(np.hypot(arrows.U, arrows.V), 0.2 * radius, rtol=1e-6)


def test_residuals_are_drawn_in_proportion_with_a_key(fitted):
    model, run, score, sky = fitted
    figure = residual_map(model, run, score, sky=sky)
    (arrows,), (key,) = figure.findobj(Quiver), figure.findobj(QuiverKey)
    sizes = np.linalg.norm(score.residuals.to_value("arcsec"), axis=1)
    drawn = np.hypot(arrows.U, arrows.V)
    np.testing.assert_allclose(drawn / sizes, drawn[0] / sizes[0], rtol=1e-6)
    label = key.text.get_text()
    assert re.fullmatch(r'[\d.]+"', label)
    length = float(label[:-1]) * drawn[0] / sizes[0]
    assert float(key.U) == pytest.approx(length)


@pytest.mark.parametrize("chart", ["residuals", "coverage"])
def test_points_left_out_are_crosses_where_the_axes_stood(fitted, chart):
    model, run, score, sky = fitted
    figure = (
        residual_map(model, run, score, sky=sky)
        if chart == "residuals"
        else coverage_map(model, run, sky=sky)
    )
    left_out = [each.row for each in model.rejected]
    (crosses,) = marked(figure, "x")
    stood = model.predict(run.axes[np.isin(run.rows, left_out)])
    np.testing.assert_allclose(crosses.get_xydata(), disc_xy(stood), atol=1e-12)
    assert [text for text in texts(figure) if text.startswith("row ")] == [f"row {row}" for row in left_out]
    assert "cross: rejected by the fit" in texts(figure)


def test_coverage_carries_lines_of_the_models_error(fitted):
    model, run, _, sky = fitted
    figure = coverage_map(model, run, sky=sky)
    error = sky_error(model, sky)
    labels = [float(text[:-1]) for text in texts(figure) if re.fullmatch(r'[\d.]+"', text)]
    arcsec = np.degrees(error.error_rad) * 3600.0
    assert labels
    assert arcsec.min() < min(labels) <= max(labels) < arcsec.max()
    assert any(f'{error.rms.value:.2f}"' in text for text in texts(figure))


def test_an_error_that_is_everywhere_the_same_has_no_lines(fitted):
    model, run, _, sky = fitted
    flat = SkyError(sky.directions, np.full(len(sky.directions), 1e-6))
    assert "standard error of the model" not in texts(coverage_map(model, run, sky=sky, error=flat))


def test_the_size_chart_marks_target_and_recommendation(need):
    figure = size_chart(need)
    (diamond,) = marked(figure, "D")
    np.testing.assert_allclose(diamond.get_xydata(), [[40.0, 1.3]])
    assert 'target 1.35"' in texts(figure)
    assert '40 points: model error 1.30" RMS' in texts(figure)


@pytest.mark.parametrize(("name", "start"), [("a.svg", b"<?xml"), ("a.SVG", b"<?xml"), ("a.png", b"\x89PNG")])
def test_the_suffix_says_how_a_chart_is_written(need, tmp_path, name, start):
    write_chart(size_chart(need), tmp_path / name)
    first = (tmp_path / name).read_bytes()
    assert first.startswith(start)
    write_chart(size_chart(need), tmp_path / name)
    assert (tmp_path / name).read_bytes() == first


@pytest.mark.parametrize("name", ["a.jpg", "chart"])
def test_another_suffix_is_refused(need, tmp_path, name):
    with pytest.raises(InputError, match=r"\.svg or \.png"):
        write_chart(size_chart(need), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_chart_that_cannot_be_written_leaves_the_old_one(need, tmp_path, monkeypatch):
    old = tmp_path / "a.svg"
    old.write_text("old")

    def broken(_descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", broken)
    with pytest.raises(InputError, match="No space left"):
        write_chart(size_chart(need), old)
    assert old.read_text() == "old"
    assert list(tmp_path.iterdir()) == [old]


def test_charts_stand_together_in_one_page(fitted, need):
    model, run, score, sky = fitted
    svgs = [
        as_svg(each) for each in (coverage_map(model, run, sky=sky), residual_map(model, run, score, sky=sky))
    ]
    root = parsed(f"<body>{''.join([*svgs, as_svg(size_chart(need))])}</body>")
    identifiers = [each.get("id") for each in root.iter() if each.get("id")]
    assert len(identifiers) == len(set(identifiers)) > 0
    referred = re.findall(r'(?:href="#|url\(#)([^")]+)', "".join(svgs))
    assert set(referred) <= set(identifiers)
    assert all(not each.startswith(("<?xml", "<!")) for each in svgs)


def test_an_embedded_chart_says_in_words_what_it_shows(need):
    root = parsed(as_svg(size_chart(need)))
    assert root.get("role") == "img"
    assert "recommended 40 points" in root.get("aria-label")
    assert root.find(f"{SVG}title").text == "How many points"
    assert "Target 1.35 arcsec" in root.find(f"{SVG}desc").text


def test_an_embedded_chart_takes_ink_and_paper_from_the_page(plan, tmp_path):
    figure = sky_chart(plan)
    embedded = as_svg(figure)
    assert "currentColor" in embedded
    assert set(re.findall(r"[ ,](#[0-9a-f]{6})\b", embedded)) == {"#ffffff"}  # behind var(--paper, ...)
    assert "var(--paper, #ffffff)" in embedded
    write_chart(figure, tmp_path / "plan.svg")
    assert "currentColor" not in (tmp_path / "plan.svg").read_text()


def test_a_file_has_one_ink_on_paper(plan, fitted, need, tmp_path):
    model, run, score, sky = fitted
    charts = [sky_chart(plan), residual_map(model, run, score, sky=sky), coverage_map(model, run, sky=sky)]
    for figure in (*charts, size_chart(need)):
        write_chart(figure, tmp_path / "a.svg")
        assert set(re.findall(r"[ :](#[0-9a-f]{6})\b", (tmp_path / "a.svg").read_text())) == {
            "#000000",
            "#ffffff",
        }


def test_a_name_with_markup_or_control_characters_stays_text(need):
    figure = size_chart(need)
    figure.set_label('<b>"Ridge" & \x07\ud800\nits <i>points</i>')
    root = parsed(as_svg(figure))
    assert root.find(f"{SVG}title").text == '<b>"Ridge" & \ufffd\ufffd'
    assert root.find(f"{SVG}desc").text == "its <i>points</i>"


def test_a_figure_of_someone_elses_is_written_too():
    assert parsed(as_svg(Figure())).find(f"{SVG}title").text == "Chart"


def test_the_users_own_style_of_matplotlib_changes_nothing(need, plan):
    plain = as_svg(size_chart(need)), as_svg(sky_chart(plan))
    loud = {
        "axes.facecolor": "red",
        "text.color": "red",
        "font.size": 30,
        "axes.grid": True,
        "lines.linewidth": 9,
    }
    with mpl.rc_context(loud | {"font.family": "serif", "axes.edgecolor": "blue", "xtick.color": "green"}):
        before = dict(mpl.rcParams)
        assert (as_svg(size_chart(need)), as_svg(sky_chart(plan))) == plain
        assert dict(mpl.rcParams) == before


def test_matplotlib_is_loaded_only_to_draw():
    code = "import sys, skysample.report.charts; print('matplotlib' in sys.modules, 'matplotlib.pyplot' in sys.modules)"
    command = [sys.executable, "-c", code]
    found = subprocess.run(command, capture_output=True, text=True, check=True)  # noqa: S603 - our own interpreter
    assert found.stdout.split() == ["False", "False"]

"""The client's record: what it must say, and that nothing from a file can break or leave the page."""

from __future__ import annotations

import hashlib
import math
import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from astropy import units as u
from astropy.table import QTable
from astropy.time import Time

import skysample as ss
from skysample.errors import InputError, NoSolution, NotDetermined
from skysample.report import AxisFinding, build_record, render_report, write_report
from skysample.report.charts import residual_panels
from skysample.report.rows import measured, probability, signed, typeset
from skysample.runs import run_table, write_run
from skysample.sizing import PointsNeeded
from skysample.testing import SimulatedMount
from tests.simulated_nights import errors, spread_places

HTML = "{http://www.w3.org/1999/xhtml}"
PLAIN = str.maketrans(
    {
        "\N{NO-BREAK SPACE}": " ",
        "\N{PRIME}": "'",
        "\N{DOUBLE PRIME}": '"',
        "\N{MINUS SIGN}": "-",
        "\N{RIGHT SINGLE QUOTATION MARK}": "'",
    }
)
"""Signs of the page as a terminal has them."""

PANELS = 4
"""Residuals of a fork against altitude, azimuth, hour angle and time; the simulated runs have no temperature."""

MADE = Time("2026-05-05T01:02:03")
RAW = {"axes": "raw", "old_model": "off", "session": "first"}
SITE = """
name = "{name}"
[location]
latitude_deg = {latitude}
longitude_deg = 5.0
elevation_m = 1250
[sky]
altitude_min_deg = 30
horizon = "horizon.csv"
[mount]
kind = "{kind}"
[wedge]
altitude_arm_mm = 310
altitude_pitch_mm = 1.75
altitude_clockwise = "raise"
azimuth_arm_mm = 260
azimuth_pitch_mm = 1.5
azimuth_clockwise = "east"
push_pull = true
"""


class Job:
    """A folder with a site file and runs of a mount whose errors are set."""

    def __init__(
        self, folder, kind="fork", latitude=-27.0, name="Saltpan Ridge", first=2760.0, second=-5400.0
    ):
        self.folder = folder
        self.false = {}
        self.site_path = folder / "site.toml"
        self.site_path.write_text(SITE.format(name=name, latitude=latitude, kind=kind))
        (folder / "horizon.csv").write_text("azimuth,altitude\n0,12\n90,25\n210,41\n")
        self.site = ss.load_site(self.site_path)
        self.sky = ss.usable_sky(self.site, nside=32)
        place = self.site.location
        self.mount = SimulatedMount(
            kind,
            latitude,
            longitude_deg=place.longitude_deg,
            elevation_m=place.elevation_m,
            pressure_hpa=place.station_pressure_hpa,
            temperature_c=place.temperature_c,
            terms_arcsec=errors(kind, first, second),
        )

    def run(self, name, points=15, mount=None, meta=RAW, frames=None, false_share=0.0, start=0.0):
        altitude, azimuth = spread_places(points)
        minute = start + np.arange(points) / 1440.0
        sides = np.where(np.arange(points) % 2 == 0, 1, -1) if self.site.mount.kind == "german" else 1
        night = (mount or self.mount).night(
            2461165.0,
            0.3 + minute,
            rng=1,
            targets_rad=np.stack([altitude, azimuth], axis=1),
            sides=sides,
            noise_arcsec=1.5,
            false_share=false_share,
        )
        columns = {
            "time": Time(2461165.0, 0.3 + minute, format="jd", scale="utc").isot.tolist(),
            "frame": frames or [f"frame-{i:03d}" for i in range(points)],
            **{key: night[key].tolist() for key in night if key not in ("pier", "false")},
        }
        self.false[name] = set((np.flatnonzero(night["false"]) + 1).tolist())
        write_run(self.folder / name, run_table(columns, meta), meta)
        return self.folder / name

    def record(self, run, before=None, **options):
        return build_record(self.site, self.site_path, run, before, made=MADE, sky=self.sky, **options)


def parsed(page):
    return ET.fromstring(page)  # noqa: S314 - what skysample itself has written


def text_of(page, section=None):
    root = parsed(page)
    if section is not None:
        (root,) = (each for each in root.iter(f"{HTML}section") if each.get("id") == section)
    return re.sub(r"\s+", " ", "".join(root.itertext()).translate(PLAIN))


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    made = Job(tmp_path_factory.mktemp("job"))
    made.run("before.ecsv")
    made.run("after.ecsv", 40, made.mount.adjusted(-2756.0, 5395.0), false_share=0.05)
    return made


@pytest.fixture(scope="module")
def record(job):
    return job.record(job.folder / "after.ecsv", job.folder / "before.ecsv")


@pytest.fixture(scope="module")
def page(record):
    return render_report(record)


def test_the_page_is_one_file_that_loads_nothing(page):
    assert page.startswith("<!DOCTYPE html>")
    root = parsed(page)
    assert {each.tag.rpartition("}")[2] for each in root.iter()}.isdisjoint(
        {"script", "link", "img", "image", "iframe", "object", "embed", "a", "form", "base", "foreignObject"}
    )
    assert not any(name.startswith("on") or name == "src" for each in root.iter() for name in each.attrib)
    links = [value for each in root.iter() for name, value in each.attrib.items() if name.endswith("href")]
    assert all(each.startswith("#") for each in links)
    assert set(re.findall(r'https?://[^"\'\s<]*', page)) <= {
        "http://www.w3.org/1999/xhtml",
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert "@import" not in page
    assert all(each.startswith("#") for each in re.findall(r"url\(([^)]*)\)", page))


def test_the_page_suits_phones_paper_and_the_dark(page):
    root = parsed(page)
    (viewport,) = (each for each in root.iter(f"{HTML}meta") if each.get("name") == "viewport")
    assert "width=device-width" in viewport.get("content")
    assert "@media screen and (prefers-color-scheme: dark)" in page
    assert "@page { size: A4" in page
    scrolling = [each for each in root.iter(f"{HTML}div") if each.get("class") == "wide"]
    assert len(scrolling) == len(list(root.iter(f"{HTML}table"))) == 3  # axis, trails, terms
    assert all(each.find(f"{HTML}table") is not None and each.get("tabindex") == "0" for each in scrolling)


def test_colours_keep_their_contrast_behind_a_red_filter(page):
    schemes = re.findall(r"--paper: #(..)\w+; --ink: #(..)\w+; --soft: #(..)", page)
    assert len(schemes) == 6  # light, dark; light, dark and red by choice; paper
    for scheme in schemes:
        paper, ink, soft = (luminance(int(red, 16)) for red in scheme)
        # WCAG 2.2, 1.4.3: contrast of at least 4.5; here with the red channel alone.
        assert all((max(paper, each) + 0.05) / (min(paper, each) + 0.05) >= 4.5 for each in (ink, soft))


def test_the_red_scheme_shows_nothing_but_red(page):
    (red,) = re.findall(r"#scheme-red:checked\) {([^}]*)}", page)
    colours = re.findall(r"#(\w{6})", red)
    assert len(colours) == 4
    assert {each[2:] for each in colours} == {"0000"}


def luminance(channel):
    share = channel / 255.0
    return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4


def test_the_sections_follow_the_job(page):
    sections = [each.get("id") for each in parsed(page).iter(f"{HTML}section")]
    job = ["site", "instrument", "cautions", "before", "moves", "after", "enough", "points"]
    assert sections == [*job, "model", "score", "rejected", "sky", "residuals", "method", "files"]


def test_the_axis_is_said_in_words_with_the_sign_of_the_simulated_mount(record, page):
    # The simulated mount aims 46' too high and 90' west of the pole.
    said = text_of(page, "before")
    high, west = re.search(
        r"points ([\d.]+)' ± [\d.]+' above the true pole and ([\d.]+)' ± [\d.]+' west of it", said
    ).groups()
    assert float(high) == pytest.approx(46.0, abs=0.1)
    assert float(west) == pytest.approx(90.0, abs=0.1)
    moves = text_of(page, "moves")
    assert re.search(r"Lower the polar axis (45\.9|46\.0)", moves)
    assert re.search(r"Turn the polar axis to the east (89\.9|90\.0)", moves)
    for move in record.before.axis.alignment.moves:
        assert move.turned(move.turns) in moves
    assert re.search(r"the axis moved 45\.9\d' ± [\d.]+' down and 89\.9\d?' ± [\d.]+' to the east", moves)


@pytest.mark.parametrize(
    ("latitude", "first", "second", "height", "turn"),
    [
        (40.0, -600.0, 900.0, "below", "east"),
        (-40.0, -600.0, -900.0, "below", "west"),
        (40.0, 600.0, 900.0, "above", "east"),
    ],
)
def test_signs_are_words_in_both_hemispheres(tmp_path, latitude, first, second, height, turn):
    job = Job(tmp_path, "german", latitude, first=first, second=second)
    said = text_of(render_report(job.record(job.run("only.ecsv", 20))), "after")
    assert re.search(
        rf"points (9\.9|10\.0)\d*' ± [\d.]+' {height} the true pole and (14\.9|15\.0)\d*' ± [\d.]+' {turn} of it",
        said,
    )


def test_an_altaz_leans(tmp_path):
    job = Job(tmp_path, "altaz", first=-300.0, second=240.0)
    page = render_report(job.record(job.run("only.ecsv", 20)))
    said = text_of(page, "after")
    assert re.search(r"leans [45]\.\d+' ± [\d.]+' to the south and [34]\.\d+' ± [\d.]+' to the east", said)
    # Invariant: 15.041" a second times the cosine of the latitude.
    assert f'{15.041 * math.cos(math.radians(27.0)):.1f}" to the east or west' in said
    assert "pole" not in text_of(page, "after")
    assert "before" not in [each.get("id") for each in parsed(page).iter(f"{HTML}section")]


def test_what_cannot_be_told_from_none_is_said_to_be(record):
    alignment = replace(record.axis.alignment, aim=record.axis.alignment.aim._replace(altitude_rad=1e-9))
    said = text_of(render_report(replace(record, axis=AxisFinding(alignment), comparison=None)), "after")
    assert "above the true pole (not significant)" in said


def test_every_number_of_the_model_is_on_the_page(record, page):
    rows = [
        ["".join(cell.itertext()).translate(PLAIN) for cell in row]
        for row in next(
            each for each in parsed(page).iter(f"{HTML}section") if each.get("id") == "model"
        ).iter(f"{HTML}tr")
    ][1:]
    assert len(rows) == len(record.final.model.terms)
    for cells, term in zip(rows, record.final.model.terms, strict=True):
        assert cells[0].startswith(str(term["name"]))
        assert float(cells[1]) == pytest.approx(term["value"].value, abs=0.006)
        assert float(cells[2]) == pytest.approx(term["stderr"].value, abs=0.006)
        assert float(cells[3]) == pytest.approx(term["ci95"].value, abs=0.006)
        assert float(cells[4]) == pytest.approx(term["t"], abs=0.06)
        assert cells[5] == probability(term["p"])
        assert cells[6] == term["verdict"]


def test_the_score_is_on_the_page(record, page):
    said = text_of(page, "score")
    score, error = record.final.score, record.final.error
    for number in (score.rms, score.loo_rms, record.final.model.sigma, error.rms, error.p95):
        assert f'{number.value:.2f}"' in said
    worst = int(np.argmax(score.studentised))
    assert f"Largest residual: row {score.rows[worst]} (frame-{score.rows[worst] - 1:03d})," in said
    assert f"studentised {score.studentised[worst]:.2f}, within the limit of {score.limit:.2f}" in said


def test_points_left_out_are_listed_with_their_reason(job, record, page):
    assert job.false["after.ecsv"] <= {each.row for each in record.final.model.rejected}
    said = text_of(page, "rejected")
    for each in record.final.model.rejected:
        assert f"Row {each.row}, {each.frame}: {each.reason}." in said


def test_the_job_can_be_reproduced(job, record, page):
    said = text_of(page, "files")
    for name in ("site.toml", "horizon.csv", "before.ecsv", "after.ecsv"):
        assert hashlib.sha256((job.folder / name).read_bytes()).hexdigest() in said
        assert name in said
    assert f"skysample {ss.__version__}" in said
    for package in (np, __import__("astropy"), __import__("hpgeom")):
        assert f"{package.__name__} {package.__version__}" in said
    assert "Made 2026-05-05 01:02:03 UTC" in text_of(page)
    again = job.record(job.folder / "after.ecsv", job.folder / "before.ecsv")
    assert render_report(again) == page
    assert [each.part for each in record.files] == ["site", "horizon", "first run", "final run"]


def test_the_cautions_stand_beside_the_moves(page):
    said = text_of(page, "cautions")
    for caution in (
        "drop or tip it",
        "balance it first",
        "Never point towards the Sun",
        "without warning",
        "local codes",
    ):
        assert caution in said


def test_an_axis_within_its_limit_needs_no_turning(job, record, page):
    assert record.comparison.within_limit
    said = text_of(page, "after")
    assert (
        f"The axis is within 30': its total error is below {record.comparison.upper_total.value:.2f}'" in said
    )
    assert "What is left to turn" not in said
    strict = job.record(job.folder / "after.ecsv", job.folder / "before.ecsv", limit=0.01 * u.arcmin)
    said = text_of(render_report(strict), "after")
    assert "The axis is not shown to be within 0.01'" in said
    assert "not shown to be within" in text_of(render_report(strict), "after")
    assert ("What is left to turn" in said) == bool(strict.comparison.next_moves)


def test_with_a_model_active_in_the_mount_the_record_says_so_and_goes_on(job):
    active = job.run("active.ecsv", meta=RAW | {"old_model": "on"})
    page = render_report(job.record(job.folder / "after.ecsv", active))
    assert "Not determined: a pointing model was active in the mount" in text_of(page, "before")
    assert "the first run does not determine where the axis points" in text_of(page, "moves")
    assert "The polar axis points" in text_of(page, "after")
    final = text_of(render_report(job.record(active)))
    assert "The final run does not determine where the axis points" in final
    assert "tube_flexure" in final


def test_an_undeclared_run_begins_with_its_condition(job):
    undeclared = job.run("undeclared.ecsv", meta={})
    page = render_report(job.record(undeclared))
    assert "This holds only if no model was active in the mount" in text_of(page, "after")
    assert (
        parsed(page)
        .find(f".//{HTML}ul[@class='short']/{HTML}li")
        .text.startswith("This holds only if no model")
    )


def test_a_run_before_with_too_few_points_gives_its_reason(job):
    few = job.run("few.ecsv", 3)
    page = render_report(job.record(job.folder / "after.ecsv", few))
    assert "Not determined: 8 terms need at least 5 points; this run has 3" in text_of(page, "before")
    with pytest.raises(NotDetermined):
        job.record(few)


def test_a_run_too_small_to_judge_its_points_still_makes_a_record(job):
    rotations = ["polar_altitude", "polar_azimuth", "primary_zero", "secondary_zero", "axis_skew", "cone"]
    small = job.record(job.run("small.ecsv", 4), terms=rotations)
    assert np.isnan(small.final.score.studentised).all()
    assert "too few points to judge it" in text_of(render_report(small), "score")


def test_markup_in_a_file_stays_text(tmp_path):
    name = "<b>Ridge</b> & 'Sons' </style><script>alert(1)</script>"
    job = Job(tmp_path, name=name)
    frames = ["<script>alert(2)</script>"] * 15
    run = job.run("<i>run&lt;.ecsv", frames=frames, false_share=0.1, meta=RAW | {"session": "<u>one</u>"})
    page = render_report(job.record(run))
    assert "<script" not in page
    root = parsed(page)
    assert root.find(f".//{HTML}h1").text == name
    said = text_of(page)
    for text in ("<script>alert(2)</script>", "<u>one</u>", "<i>run&lt;.ecsv"):
        assert text in said


def test_what_xml_cannot_hold_is_replaced(tmp_path):
    job = Job(tmp_path, name="Ridge\\u0007\\u001b[31m")
    page = render_report(job.record(job.run("run.ecsv")))
    assert parsed(page).find(f".//{HTML}h1").text == "Ridge\ufffd\ufffd[31m"


def decision():
    table = QTable(
        {
            "points": [20, 40],
            "sky_rms": [2.04, 1.31] * u.arcsec,
            "sky_rms_upper": [2.11, 1.35] * u.arcsec,
            "sky_p95": [2.86, 1.97] * u.arcsec,
            "detectable": [9.09, 6.12] * u.arcsec,
            "minutes": [6.0, 12.0] * u.min,
        }
    )
    return PointsNeeded(
        40, 38, 1.35 * u.arcsec, 2.7 * u.arcsec, 3.0 * u.arcsec, ("cone", "fork_flexure"), 0.05, table
    )


def test_the_decision_on_the_number_of_points_is_kept(record):
    need = decision()
    page = render_report(replace(record, need=need))
    said = text_of(page, "points")
    for text in (
        "40 points recommended",
        'for a model error of 1.35" over',
        "2.04",
        "2.86",
        "9.09",
        "recommended",
        "allowing for 5 % failed exposures",
    ):
        assert text in said
    assert page.count("<svg ") == 3 + PANELS


@pytest.fixture(scope="module")
def whole(job):
    """A record of all that can be given: both quick runs, an earlier model, a tracking log."""
    adjusted = job.mount.adjusted(-2756.0, 5395.0)
    earlier = ss.fit(ss.read_run(job.run("march.ecsv", 20, start=-40.0), job.site), job.site)
    earlier.save(job.folder / "march.json")
    seconds = np.arange(0.0, 600.0, 2.0)
    lines = [f"{each},{0.3 * math.sin(each / 20.0):.4f}" for each in seconds]
    (job.folder / "guide.csv").write_text("\n".join(["elapsed_s,east_error_arcsec", *lines]) + "\n")
    return job.record(
        job.run("final.ecsv", 30, adjusted),
        job.run("first.ecsv"),
        after_path=job.run("second.ecsv", 15, adjusted),
        model_paths=[job.folder / "march.json"],
        tracking_path=job.folder / "guide.csv",
        need=decision(),
    )


def test_the_whole_job_is_told_in_its_order(whole):
    sections = [each.get("id") for each in parsed(render_report(whole)).iter(f"{HTML}section")]
    job = ["site", "instrument", "cautions", "before", "moves", "second", "after", "enough", "points"]
    model = ["model", "score", "rejected", "sky", "residuals", "tracking", "history"]
    assert sections == [*job, *model, "method", "files"]
    parts = ["first run", "second run", "final run", "earlier model", "tracking log"]
    assert [each.part for each in whole.files][2:] == parts


def test_what_the_bolts_did_is_shown_by_the_second_run(whole):
    page = render_report(whole)
    assert whole.comparison.after is whole.after.axis.alignment
    for sentence in whole.comparison.sentences:
        assert sentence.replace("+-", "±") in text_of(page, "moves")
    assert "asked" in text_of(page, "moves")
    assert "The axis is within 30'" in text_of(page, "second")
    header = [each.text for each in next(parsed(page).iter(f"{HTML}thead")).iter(f"{HTML}th")]
    assert header == ["Axis error", "First run", "Second run", "Final run"]


def test_the_camera_the_points_and_what_is_left_over_have_their_sentences(whole):
    page = render_report(whole)
    assert str(whole.trails) in text_of(page, "enough")
    assert str(whole.learning) in text_of(page, "points")
    assert whole.learning.target == whole.need.target
    for line in str(whole.final.left).splitlines():
        assert line.removesuffix(".")[1:] in text_of(page, "residuals")
    assert "temperature (not every point has a temperature)" in text_of(page, "residuals")


def test_what_moved_and_how_the_mount_tracked_are_told(whole):
    page = render_report(whole)
    assert whole.history.axis_moved
    for sentence in whole.history.sentences:
        assert sentence[1:].replace("+-", "±") in text_of(page, "history")
    for sentence in whole.tracking.sentences:
        assert sentence.replace("+-", "±") in text_of(page, "tracking")


def test_a_number_of_points_out_of_reach_is_said_to_be(job, monkeypatch):
    def refused(*_given, **_more):
        raise NoSolution('0.01" over the sky needs more than 300 points')

    monkeypatch.setattr("skysample.report.record.points_needed", refused)
    undecided = job.record(job.run("last.ecsv", 20), after_path=job.run("pilot.ecsv"))
    assert undecided.need is None
    assert '0.01" over the sky needs more than 300 points.' in text_of(render_report(undecided), "points")


def test_a_target_missed_for_noise_alone_is_explained_by_the_noise(whole):
    noisy = replace(whole, learning=replace(whole.learning, would_have_done=None))
    quiet = replace(whole.need, sigma=whole.learning.sigma * 1e-3)
    loud = replace(whole.need, sigma=whole.learning.sigma * 1e3)
    assert "noisier than the pilot run" in text_of(render_report(replace(noisy, need=quiet)), "points")
    assert "noisier than the pilot run" not in text_of(render_report(replace(noisy, need=loud)), "points")
    assert "noisier than the pilot run" not in text_of(render_report(replace(whole, need=quiet)), "points")


def test_residuals_are_drawn_against_what_the_run_has(record):
    run = record.run
    assert list(residual_panels(run, record.final.score)) == ["altitude", "azimuth", "hour angle", "time"]
    warm = replace(run, temperature_c=np.linspace(8.0, 3.0, len(run.rows)), time=None)
    assert list(residual_panels(warm, record.final.score)) == [
        "altitude",
        "azimuth",
        "hour angle",
        "temperature",
    ]


def test_the_charts_have_text_alternatives(page):
    charts = [each for each in parsed(page).iter() if each.tag.endswith("}svg")]
    assert len(charts) == 2 + PANELS
    assert all(each.get("role") == "img" and len(each.get("aria-label")) > 80 for each in charts)


def test_a_record_is_written_whole_or_not_at_all(record, tmp_path, monkeypatch):
    target = tmp_path / "record.html"
    write_report(record, target)
    whole = target.read_text()
    assert whole.rstrip().endswith("</html>")

    def broken(_descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", broken)
    with pytest.raises(InputError, match="No space left"):
        write_report(record, target)
    assert target.read_text() == whole
    assert list(tmp_path.iterdir()) == [target]


def test_a_missing_file_is_named(job):
    with pytest.raises(InputError, match=r"nowhere\.ecsv"):
        job.record(job.folder / "nowhere.ecsv")


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        (37.421, 0.08, "37.42' +- 0.08'"),
        (99.96, 0.13, "100.0' +- 0.1'"),
        (0.0347, 0.0096, "0.03' +- 0.01'"),
        (0.0347, 0.0012, "0.035' +- 0.001'"),
    ],
)
def test_a_number_has_the_decimals_that_its_error_bears(value, error, text):
    assert measured(value, error, "'") == text
    assert signed(-value, error, "'") == f"-{text}"


def test_a_terminal_line_gets_the_signs_of_a_page():
    line = "-5.2' +- 0.1' and 3\", the base's side, frame-001"
    page = typeset(line)
    assert page.translate(PLAIN).replace("±", "+-") == line
    between = "\N{NO-BREAK SPACE}"  # a number and its error stay on one line
    assert [each for each in page if not each.isascii()] == [
        "\N{MINUS SIGN}", "\N{PRIME}", between, "±", between, "\N{PRIME}", "\N{DOUBLE PRIME}",
        "\N{RIGHT SINGLE QUOTATION MARK}",
    ]  # fmt: skip
    assert probability(3e-5) == "< 0.0001"
    assert probability(0.04) == "0.0400"

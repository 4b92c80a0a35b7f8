"""The record as a person sees it: opened in headless Chromium on a phone, on a laptop and on paper."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.table import QTable
from astropy.time import Time

import skysample as ss
from skysample.cli.demo.telescope import Telescope
from skysample.planning import plan
from skysample.report import build_record, render_report
from skysample.report.charts import as_svg, coverage_map
from skysample.report.charts.sky_disc import BLOCKED_ALPHA
from skysample.sizing import PointsNeeded
from skysample.sizing.needed import DesignNeeded

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
SITE = Path(ss.__file__).parent / "cli" / "demo" / "saltpan_ridge.toml"
WIDTHS = {"small phone": 360, "phone": 390, "laptop": 1280}
SCHEMES = ("light", "dark", "red")

pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium on this machine: install chromium to look at the record"
)

CUT_OFF = """() => {
  const told = e => `${e.tagName} ${e.textContent.trim().slice(0, 40)}`;
  const wide = document.documentElement.clientWidth;
  const out = [];
  if (document.documentElement.scrollWidth > wide) out.push(`page is ${document.documentElement.scrollWidth} wide`);
  for (const e of document.querySelectorAll("body *")) {
    const box = e.getBoundingClientRect(), style = getComputedStyle(e);
    if (box.width <= 1 || style.display === "none" || e.closest("thead, defs, clipPath")) continue;
    if (box.left < -0.5 || box.right > wide + 0.5) out.push(`outside: ${told(e)}`);
    if (!e.closest("svg") && style.display !== "inline" && e.scrollWidth > e.clientWidth + 1 && e.clientWidth)
      out.push(`cut: ${told(e)}`);
  }
  for (const chart of document.querySelectorAll("svg")) {
    const frame = chart.getBoundingClientRect();
    for (const text of chart.querySelectorAll("text")) {
      const box = text.getBoundingClientRect();
      if (box.left < frame.left - 1 || box.right > frame.right + 1
          || box.top < frame.top - 1 || box.bottom > frame.bottom + 1) out.push(`clipped: ${told(text)}`);
    }
  }
  return out;
}"""

COLOURS = """() => {
  const found = new Map();
  const ground = e => {
    for (; e; e = e.parentElement) {
      const colour = getComputedStyle(e).backgroundColor;
      if (!/^rgba\\(.*, 0\\)$/.test(colour)) return colour;
    }
    return "rgb(255, 255, 255)";
  };
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || e.closest("title, desc, defs") || !e.getClientRects().length) continue;
    const style = getComputedStyle(e);
    const colour = e.closest("svg") ? style.fill : style.color;
    const kind = e.closest("svg") ? "chart" : "page";
    found.set(`${kind}: ${colour} on ${ground(e)}`, `${e.tagName}: ${walk.currentNode.data.trim().slice(0, 40)}`);
  }
  return [...found];
}"""


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """The demo's observatory and errors, and three runs as long as its final one: one plan does for all."""
    folder = tmp_path_factory.mktemp("job")
    site_path = folder / "site.toml"
    shutil.copy(SITE, site_path)
    site = ss.load_site(site_path)
    telescope = Telescope.just_set_down(site, np.random.default_rng(1))
    night = plan(site, 55, Time("2026-06-14T19:00:00"), order="snake")
    telescope.expose(night, folder / "first.ecsv", false=1)
    moves = ss.polar(ss.fit(ss.read_run(folder / "first.ecsv", site), site), site).moves
    telescope = telescope.with_bolts_turned(moves)
    telescope.expose(night, folder / "second.ecsv", false=0)
    telescope.expose(night, folder / "final.ecsv", false=2)
    telescope.track(Time("2026-06-14T19:30:00"), folder / "tracking.ecsv")
    return site, folder


def decision():
    """A decision on the number of points, of the size that the demo's has; its numbers are invented."""
    table = QTable(
        {
            "points": [28, 37, 41, 55, 82],
            "sky_rms": [0.95, 0.82, 0.77, 0.66, 0.54] * u.arcsec,
            "sky_rms_upper": [1.0, 0.85, 0.81, 0.69, 0.56] * u.arcsec,
            "sky_p95": [1.38, 1.19, 1.12, 0.96, 0.79] * u.arcsec,
            "detectable": [16.99, 14.28, 13.39, 11.18, 9.06] * u.arcsec,
            "minutes": [10.0, 13.0, 15.0, 19.0, 27.0] * u.min,
        }
    )
    target, sigma = 0.69 * u.arcsec, 1.38 * u.arcsec
    terms = tuple(f"term_{number}" for number in range(12))
    informed = DesignNeeded(37, 37, table)
    return PointsNeeded(55, 53, target, sigma, sigma, terms, 0.05, table, informed)


@pytest.fixture(scope="module")
def record(job):
    site, folder = job
    return build_record(
        site,
        folder / "site.toml",
        folder / "final.ecsv",
        folder / "first.ecsv",
        after_path=folder / "second.ecsv",
        tracking_path=folder / "tracking.ecsv",
        terms=["extended"],
        made=Time("2026-06-15T08:00:00"),
        need=decision(),
        sky=ss.usable_sky(site, nside=32),
    )


@pytest.fixture(scope="module")
def url(record, job):
    path = job[1] / "record.html"
    path.write_text(render_report(record), "utf-8")
    return path.as_uri()


@pytest.fixture(scope="module")
def browser():
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with api.sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture
def opened(browser, url):
    pages = []

    def at(width, scheme="light"):
        page = browser.new_page(
            viewport={"width": width, "height": 800}, color_scheme="dark" if scheme == "dark" else "light"
        )
        pages.append(page)
        page.goto(url)
        if scheme == "red":
            page.check("#scheme-red")
        return page

    yield at
    for page in pages:
        page.close()


def test_it_asks_for_nothing_and_complains_of_nothing(browser, url):
    page = browser.new_page()
    asked, said = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(url, wait_until="networkidle")
    assert asked == [url]
    assert said == []
    page.close()


@pytest.mark.parametrize("width", WIDTHS.values(), ids=WIDTHS)
def test_nothing_is_cut_off_and_no_table_has_to_be_pushed_aside(opened, width):
    assert opened(width).evaluate(CUT_OFF) == []


def test_what_is_cut_off_is_noticed(opened):
    page = opened(360)
    page.evaluate(
        "document.querySelector('#score p').style.cssText = 'white-space: nowrap; overflow: hidden'"
    )
    page.evaluate("document.querySelector('svg text').setAttribute('x', '-50')")
    found = page.evaluate(CUT_OFF)
    assert any(each.startswith("cut: P Largest residual") for each in found)
    assert any(each.startswith("clipped:") for each in found)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_every_text_stands_out_from_its_ground(opened, scheme):
    # WCAG 2.2, success criterion 1.4.3 (AA): 4.5 to 1 for text of ordinary size; charts' words too.
    pairs = opened(1280, scheme).evaluate(COLOURS)
    assert {pair.partition(":")[0] for pair, _ in pairs} == {"chart", "page"}
    for pair, where in pairs:
        colour, ground = (channels(each) for each in pair.split(" on "))
        assert contrast(colour, ground) >= 4.5, (pair, where)
        # What cannot be used is shaded, and names stand on the shade too.
        shaded = BLOCKED_ALPHA * colour + (1.0 - BLOCKED_ALPHA) * ground
        assert pair.startswith("page") or contrast(colour, shaded) >= 4.5, (pair, where)


def test_the_schemes_differ_and_red_is_only_red(opened):
    grounds = {scheme: colours(opened(390, scheme)) for scheme in SCHEMES}
    assert len(set(map(frozenset, grounds.values()))) == 3
    for each in grounds["red"]:
        assert each.endswith(", 0, 0")


def colours(page):
    return {
        re.search(r"\d+, \d+, \d+", each)[0]
        for pair, _ in page.evaluate(COLOURS)
        for each in pair.split(" on ")
    }


def channels(colour):
    return np.array([int(each) / 255.0 for each in re.findall(r"\d+", colour)[:3]])


def contrast(one, other):
    """Contrast ratio of two colours as WCAG 2.2 defines it."""
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def luminance(colour):
    """Relative luminance as WCAG 2.2 defines it."""
    linear = np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)
    return float(np.array([0.2126, 0.7152, 0.0722]) @ linear)


def test_charts_have_text_alternatives_as_the_browser_tells_them(opened):
    page = opened(1280)
    charts = page.get_by_role("img").all()
    assert len(charts) == page.locator("svg").count() == 7
    names = [chart.get_attribute("aria-label") for chart in charts]
    assert all(len(name) > 80 for name in names)
    assert len(set(names)) == 7


def test_it_prints_on_two_sheets_of_a4(opened):
    page = opened(1280, "red")
    printed = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 2
    (size,) = set(re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", printed))
    assert [float(each) for each in size] == pytest.approx([595.3, 841.9], abs=1.0)


def test_on_paper_nothing_is_cut_off_and_ink_is_black(opened):
    page = opened(703, "red")  # the width between the margins, in CSS pixels
    page.emulate_media(media="print")
    assert page.evaluate(CUT_OFF) == []
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert not page.locator(".scheme").is_visible()


def test_a_chart_is_the_same_after_it_was_put_into_a_page(record):
    figure = coverage_map(record.final.model, record.run, sky=record.sky, error=record.final.error)
    assert as_svg(figure) == as_svg(figure)

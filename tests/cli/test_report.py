"""The command `report`."""

from __future__ import annotations


def test_report_writes_one_page_and_names_it(job, answer):
    found = answer(
        "report", "after.ecsv", "--site", "site.toml", "--before", "before.ecsv", "--out", "left.html"
    )
    assert found == {"file": "left.html"}
    page = (job / "left.html").read_text()
    assert page.startswith("<!")
    assert "Hollow Hill" in page

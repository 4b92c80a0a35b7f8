"""The command `fit`."""

from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u

from skysample.fitting import load_model
from skysample.fitting.multiple_tests import SELECTION_TESTED_AT
from skysample.geometry import ARCSEC
from skysample.runs import read_run
from skysample.scoring import score, sky_error, term_evidence
from skysample.scoring.residual_tests import structure
from skysample.scoring.selection import select_terms
from skysample.sky import usable_sky
from tests.job_folder import POINTS, take_run
from tests.simulated_nights import errors


def check_fit(found, model, table, site):
    scored, error = score(model, table), sky_error(model, usable_sky(site))
    assert found["points"] == len(table)
    assert found["used"] == model.run.used
    assert found["dof"] == model.dof
    for key, value in (
        ("rms_arcsec", scored.rms),
        ("loo_rms_arcsec", scored.loo_rms),
        ("loo_expected_arcsec", scored.loo_expected),
        ("sigma_arcsec", model.sigma),
        ("sky_rms_arcsec", error.rms),
        ("fresh_rms_arcsec", error.fresh),
        ("sky_p95_arcsec", error.p95),
    ):
        assert found[key] == pytest.approx(value.to_value(u.arcsec), abs=1e-6), key
    assert [term["name"] for term in found["terms"]] == list(model.names)
    for term, row in zip(found["terms"], model.terms, strict=True):
        assert term["value_arcsec"] == pytest.approx(row["value"].value, abs=1e-6)
        assert term["stderr_arcsec"] == pytest.approx(row["stderr"].value, abs=1e-6)
        assert term["ci95_arcsec"] == pytest.approx(row["ci95"].value, abs=1e-6)
        assert 0.0 <= term["p"] <= 1.0
        assert term["verdict"] in {"significant", "not significant", "not determined"}


def test_fit_answers_with_the_librarys_numbers_and_saves_the_model(answer, first):
    site, table, model = first
    found = answer("fit", "before.ecsv", "--site", "site.toml", "--out", "new.json")
    check_fit(found, model, table, site)
    assert found["rejected"] == []
    left = structure(model, table)
    assert [each["name"] for each in found["structure"]] == [each.name for each in left.findings]
    assert [each["p"] for each in found["structure"]] == [
        each.p and pytest.approx(each.p, rel=1e-5) for each in left.findings
    ]
    assert [each["found"] for each in found["structure"]] == [each.found for each in left.findings]
    assert found["sigma_arcsec"] == pytest.approx(1.2, rel=0.5)
    saved = load_model("new.json")
    assert saved.names == model.names
    assert np.degrees(saved.values_rad) * 3600.0 == pytest.approx(
        np.degrees(model.values_rad) * 3600.0, abs=1e-9
    )


def test_fit_names_the_rows_that_it_rejects(job, answer):
    lines = (job / "before.ecsv").read_text().splitlines()
    cells = lines[-3].split(",")
    cells[lines[-POINTS - 1].split(",").index("solved_dec_deg")] = "12.5"
    lines[-3] = ",".join(cells)
    (job / "false.ecsv").write_text("\n".join(lines) + "\n")
    found = answer("fit", "false.ecsv", "--site", "site.toml")
    assert [(each["row"], each["frame"]) for each in found["rejected"]] == [
        (POINTS - 2, f"frame-{POINTS - 2}.fits")
    ]
    assert "false plate solution" in found["rejected"][0]["reason"]
    assert (found["points"], found["used"]) == (POINTS, POINTS - 1)


def test_fit_takes_terms_by_name_and_by_set(answer):
    names = "polar_altitude,polar_azimuth,primary_zero,secondary_zero,cone"
    few = answer("fit", "before.ecsv", "--site", "site.toml", "--terms", names)
    assert {term["name"] for term in few["terms"]} == set(names.split(","))
    many = answer("fit", "before.ecsv", "--site", "site.toml", "--terms", "extended")
    assert len(many["terms"]) > len(few["terms"])


def test_fit_says_of_every_term_what_leaving_it_out_costs_and_why_it_is_judged_so(answer, first):
    _, table, model = first
    found = answer("fit", "before.ecsv", "--site", "site.toml")
    for term, each in zip(found["terms"], term_evidence(model, table), strict=True):
        assert term["loo_rms_without_arcsec"] == pytest.approx(each.loo_rms_without_rad / ARCSEC, abs=1e-6)
        assert (term["correlates_with"], term["reason"]) == (each.correlates_with, each.reason)
        assert term["correlation"] == pytest.approx(each.correlation, abs=1e-4)
    assert found["selected"] is None
    assert found["selection"] is None


def test_fit_select_answers_with_the_librarys_selection_and_saves_its_model(job, answer, first):
    site, _, _ = first
    take_run(job / "site.toml", job / "twisted.ecsv", errors("fork", 25.0, -40.0) | {"fork_twist": 300.0}, 5)
    selection = select_terms(read_run("twisted.ecsv", site), site)
    assert selection.added == ("fork_twist",)
    found = answer("fit", "twisted.ecsv", "--site", "site.toml", "--select", "--out", "twisted.json")
    assert found["selected"] == ["fork_twist"]
    assert found["selection"]["started_from"] == list(selection.started_from)
    assert "allow for the selection" in found["selection"]["intervals"]
    verdicts = {term["name"]: term["verdict"] for term in found["terms"]}
    assert verdicts["fork_twist"] == "added"
    assert set(verdicts.values()) <= {"added", "kept", "not needed"}
    for tried, each in zip(found["selection"]["tried"], selection.candidates, strict=True):
        assert (tried["name"], tried["verdict"], tried["reason"]) == (each.name, each.verdict, each.reason)
        if each.verdict == "not found":
            assert tried["detectable_arcsec"] == pytest.approx(each.detectable_rad / ARCSEC, abs=1e-6)
            assert tried["p_adjusted"] > SELECTION_TESTED_AT
    for term, limit, row in zip(found["terms"], selection.limits, selection.model.terms, strict=True):
        assert term["ci95_arcsec"] == pytest.approx(limit * row["stderr"].value, abs=1e-5)
    assert load_model("twisted.json").selected == ("fork_twist",)


def test_fit_says_of_the_largest_residual_how_large_it_is_and_whether_that_is_too_large(run, first):
    _, table, model = first
    scored = score(model, table)
    worst = int(np.nanargmax(scored.studentised))
    size = float(np.linalg.norm(scored.residuals[worst].to_value("arcsec")))
    code, out, _ = run("fit", "before.ecsv", "--site", "site.toml")
    assert code == 0
    assert (
        f'Largest residual: row {scored.rows[worst]}, {size:.2f}", studentised {scored.studentised[worst]:.2f}: within'
        f" the limit of {scored.limit:.2f}."
    ) in out.replace("\n", " ")


def test_fit_warns_of_high_correlations_and_of_those_alone(run, first):
    _, table, model = first
    high = max(abs(each.correlation) for each in term_evidence(model, table)) > 0.95
    for terms, warned in (("standard", high), ("polar_altitude,polar_azimuth,primary_zero", False)):
        code, out, _ = run("fit", "before.ecsv", "--site", "site.toml", "--terms", terms)
        assert code == 0
        assert ("Correlated beyond 0.95" in out) is warned
    assert high

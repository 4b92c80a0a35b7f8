from __future__ import annotations

import numpy as np
import pytest
from skysample_interpolation import Interpolation, InterpolationSettings, interpolation_terms, skysample_terms

from skysample.errors import InputError
from skysample.fitting import fit, load_model
from skysample.fitting.pointing import Moment
from skysample.fitting.terms import STANDARD
from skysample.geometry import direction
from skysample.plugins import Pointing, default_registry
from skysample.runs import Run
from skysample.site import Mount, Site
from skysample.testing import SimulatedMount, check_term

KINDS = ("fork", "german", "altaz")
ARCSEC = np.radians(1.0 / 3600.0)
METAL = {
    "primary_zero": 400.0,
    "secondary_zero": -250.0,
    "axis_skew": 40.0,
    "cone": 120.0,
    "tube_flexure": 50.0,
}
PRIMARY, SECONDARY = 64, 36


def read(true_rad, periods, *, offsets=(0.0, 0.0), gain=0.0, phase=0.0):
    """What an encoder of two channels reads, the period counted rightly by its coarse track."""
    electrical = periods * true_rad
    cosine = np.cos(electrical) + offsets[0]
    sine = (1.0 + gain) * np.sin(electrical + phase) + offsets[1]
    within = np.arctan2(sine, cosine)
    whole = np.round((electrical - within) / (2.0 * np.pi))
    return (within + 2.0 * np.pi * whole) / periods


def a_site(kind, **settings):
    return Site.from_dict(
        {
            "location": {"latitude_deg": -27.0, "longitude_deg": 5.0},
            "mount": {"kind": kind},
            "plugins": {"interpolation": settings},
        }
    )


def a_night(kind, site, primary, secondary, points=70):
    """A run of which the readings come from the channels and the tube's places from the true axes."""
    rng = np.random.default_rng(11)
    alt, az = np.arcsin(rng.uniform(0.5, 0.99, points)), rng.uniform(0.0, 2.0 * np.pi, points)
    side = np.where((np.arange(points) % 2 == 0) | (kind != "german"), 1, -1)
    mount = SimulatedMount(kind, -27.0, terms_arcsec=METAL)
    true = mount.reading(alt, az, side)
    readings = np.stack([read(true[0], PRIMARY, **primary), read(true[1], SECONDARY, **secondary)], axis=-1)
    return Run.from_arrays(site, readings, direction(*mount.point(*true)), side=side)


@pytest.mark.parametrize("kind", KINDS)
def test_the_fit_finds_the_offsets_gain_and_phase_of_channels_that_share_no_code_with_it(kind):
    primary = {"offsets": (2e-3, -1e-3), "gain": 3e-3, "phase": 4e-3}
    secondary = {"offsets": (-1e-3, 2e-3), "gain": -2e-3, "phase": 1e-3}
    site = a_site(kind, primary_periods=PRIMARY, secondary_periods=SECONDARY)
    run = a_night(kind, site, primary, secondary)
    names = [term.name for term in skysample_terms(site.mount, site.plugins["interpolation"])]
    model = fit(run, site, ["standard", *names], reject=False)
    for axis, periods, fault in (("primary", PRIMARY, primary), ("secondary", SECONDARY, secondary)):
        first_order = {
            "sin": fault["offsets"][0] / periods,
            "cos": -fault["offsets"][1] / periods,
            "sin_twice": -fault["gain"] / (2.0 * periods),
            "cos_twice": -fault["phase"] / (2.0 * periods),
        }
        for part, expected_rad in first_order.items():
            found = model.value(f"{axis}_interpolation_{part}").value
            assert found == pytest.approx(expected_rad / ARCSEC, abs=0.06), (axis, part)
    assert model.rms.value < 0.1
    assert fit(run, site, reject=False).rms.value > 5.0


@pytest.mark.parametrize("kind", KINDS)
def test_channels_that_match_leave_every_term_at_zero(kind):
    site = a_site(kind, primary_periods=PRIMARY, secondary_periods=SECONDARY)
    run = a_night(kind, site, {}, {})
    names = [term.name for term in skysample_terms(site.mount, site.plugins["interpolation"])]
    model = fit(run, site, ["standard", *names], reject=False)
    assert [model.value(name).value for name in names] == pytest.approx([0.0] * 8, abs=1e-4)


def test_the_channels_of_the_tests_read_right_where_they_match_and_misread_as_a_person_would_work_out():
    angle = np.radians([-170.0, -3.0, 0.0, 12.3, 100.0, 179.0])
    assert read(angle, 64) == pytest.approx(angle, abs=1e-15)
    # A quarter of a period on, a lone offset of the cosine channel turns the vector (0, 1) back by its own size.
    quarter = np.array([np.pi / 2.0 / 64.0])
    assert 64 * (quarter - read(quarter, 64, offsets=(1e-6, 0.0))) == pytest.approx([1e-6], rel=1e-5)


def a_pointing(primary_deg, secondary_deg, dec_deg, pier=1):
    one = np.ones(1)
    return Pointing(
        primary=np.radians(primary_deg) * one,
        secondary=np.radians(secondary_deg) * one,
        alt=np.radians(50.0) * one,
        az=one,
        hour_angle=one,
        dec=np.radians(dec_deg) * one,
        pier=np.full(1, pier),
        latitude=-0.5,
    )


def test_a_quarter_of_a_period_on_the_sine_carries_the_tube_west_and_north_and_a_flipped_one_south():
    # 36 periods: one is 10 degrees, a quarter 2.5.
    west = Interpolation("german", "primary", "sin", 36, 1)
    assert west.displacement(a_pointing(2.5, 60.0, 60.0))[0] == pytest.approx([0.5, 0.0])
    north = Interpolation("german", "secondary", "sin", 36, 1)
    assert north.displacement(a_pointing(0.0, 2.5, 2.5))[0] == pytest.approx([0.0, 1.0])
    assert north.displacement(a_pointing(180.0, 182.5, -2.5, pier=-1))[0] == pytest.approx([0.0, -1.0])
    twice = Interpolation("altaz", "secondary", "cos", 36, 2)
    assert twice.displacement(a_pointing(0.0, 2.5, 0.0))[0] == pytest.approx([0.0, -1.0])


@pytest.mark.parametrize("kind", KINDS)
def test_every_term_conforms_up_to_the_most_periods_that_are_allowed(kind):
    terms = list(interpolation_terms(kind, InterpolationSettings(primary_periods=100, secondary_periods=100)))
    assert len(terms) == 8
    # A mount that flips is the hardest to conform on; on the others the two steepest terms will do.
    for term in terms if kind == "german" else terms[3::4]:
        check_term(term, kind, -27.0)


def test_it_offers_what_the_site_file_describes_and_nothing_unasked():
    plain = default_registry().terms(Mount(kind="fork"))
    described = default_registry().terms(Mount(kind="fork"), a_site("fork", secondary_periods=36).plugins)
    assert sorted(set(described) - set(plain)) == [
        "secondary_interpolation_cos",
        "secondary_interpolation_cos_twice",
        "secondary_interpolation_sin",
        "secondary_interpolation_sin_twice",
    ]
    assert described["secondary_interpolation_sin"].periods == 36


def test_a_saved_model_reads_back_without_the_site_and_corrects_as_before(tmp_path):
    site = a_site("fork", primary_periods=PRIMARY)
    run = a_night("fork", site, {"offsets": (2e-3, 0.0)}, {})
    model = fit(run, site, [*STANDARD["fork"], "primary_interpolation_sin"])
    model.save(tmp_path / "model.json")
    again = load_model(tmp_path / "model.json")
    assert again.plugins == {"interpolation": {"primary_periods": PRIMARY}}
    axes = np.radians([[10.0, -30.0], [-40.0, 5.0]])
    before, after = (each.function.predict(each.values_rad, axes, Moment()) for each in (model, again))
    assert after == pytest.approx(before, abs=1e-13)


def test_a_setting_of_a_model_file_that_does_not_fit_is_refused_with_the_file_named(tmp_path):
    site = a_site("fork", primary_periods=PRIMARY)
    model = fit(a_night("fork", site, {}, {}), site, [*STANDARD["fork"], "primary_interpolation_sin"])
    model.save(tmp_path / "model.json")
    text = (tmp_path / "model.json").read_text()
    (tmp_path / "edited.json").write_text(
        text.replace(f'"primary_periods": {PRIMARY}', '"primary_periods": 1')
    )
    with pytest.raises(InputError, match=r"edited\.json.*primary_periods: 1 is not a whole number") as raised:
        load_model(tmp_path / "edited.json")
    assert raised.value.key == "plugins.interpolation.primary_periods"


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"primary_periods": 2}, r"primary_periods: 2 is not a whole number from 3 to 100"),
        ({"secondary_periods": 9000}, "9000 is not a whole number"),
        ({"primary_period": 64}, r"did you mean plugins\.interpolation\.primary_periods"),
    ],
)
def test_a_setting_that_does_not_fit_is_refused(settings, said):
    with pytest.raises(InputError, match=said):
        skysample_terms(Mount(kind="fork"), settings)

from __future__ import annotations

import importlib.util
import itertools

import numpy as np
import pytest

if importlib.util.find_spec("pyvrp") is None:
    pytest.skip("PyVRP has no wheel for this machine, so neither is installed", allow_module_level=True)

from skysample_pairwise import TICKS, Pairwise, pairwise_s, pairwise_ticks, skysample_orderings

from skysample.errors import InputError
from skysample.ordering import Annealed, OrderingProblem, schedule
from skysample.ordering.grid_problem import ordering_problem
from skysample.planning import plan
from skysample.plugins import default_registry
from skysample.sampling import sample
from skysample.site import Axis, Mount, Site
from skysample.sky import usable_sky
from skysample.testing import check_ordering


def a_site(kind="fork", **tables):
    return Site.from_dict(
        {"location": {"latitude_deg": -27.0, "longitude_deg": 5.0}, "mount": {"kind": kind}, **tables}
    )


def a_dome():
    return {"radius_m": 2.6, "slit_width_m": 1.1, "pivot_m": [0.0, 0.1, -0.2]}


def on_one_axis(*primary_deg):
    """Points on the equator, visited by the primary axis alone, from zero."""
    axes = np.radians(np.stack([np.array(primary_deg), np.zeros(len(primary_deg))], axis=-1))
    return OrderingProblem(
        axes=axes,
        turns=axes[:, :1].copy(),
        start_axes=np.zeros(2),
        azimuth=np.zeros(len(axes)),
        arcs=(),
        start_dome=0.0,
        mount=Mount(kind="fork", settle_s=2.0, primary=Axis(rate_deg_s=4.0, accel_deg_s2=4.0)),
    )


@pytest.fixture(scope="module")
def under_a_dome():
    site = a_site(dome=a_dome())
    return ordering_problem(site, sample(usable_sky(site), 12, effort="quick"), seed=3)


def test_points_on_one_side_of_the_start_are_visited_going_outwards():
    assert Pairwise(100).order(on_one_axis(40.0, 10.0, 30.0, 20.0)).tolist() == [1, 3, 2, 0]


def test_the_nearer_side_is_visited_first_and_the_path_stays_open():
    # 10 degrees one way and back past the start beats 40 degrees the other way and back.
    assert Pairwise(100).order(on_one_axis(40.0, -10.0, 20.0)).tolist() == [1, 2, 0]


def test_the_table_holds_the_trapezoid_time_of_every_leg_and_nothing_for_the_way_back():
    # 40 degrees at 4 deg/s and 4 deg/s2 take 11 s: one to speed up, nine at speed, one to slow down.
    table = pairwise_ticks(on_one_axis(40.0, -10.0))
    assert table[0, 1] == table[1, 0] + 11 * TICKS == 11 * TICKS
    assert table[:, 0].tolist() == [0, 0, 0]
    assert pairwise_s(on_one_axis(40.0), [0]) == pytest.approx(11.0 + 2.0)


def test_without_a_dome_its_order_is_the_least_true_time_of_all_orders():
    problem = ordering_problem(a_site(), sample(usable_sky(a_site()), 5, effort="quick"))
    every = [schedule(problem, order).total_slew_s for order in itertools.permutations(range(5))]
    assert schedule(problem, Pairwise(500).order(problem)).total_slew_s == pytest.approx(
        min(every), abs=0.001
    )


def test_no_order_is_shorter_on_the_table(under_a_dome):
    found = pairwise_s(under_a_dome, Pairwise().order(under_a_dome).tolist())
    for other in (Annealed().order(under_a_dome).tolist(), range(12), range(11, -1, -1)):
        assert found <= pairwise_s(under_a_dome, other) + 1.0 / TICKS


def test_the_table_never_asks_for_more_than_the_true_time(under_a_dome):
    order = Pairwise(200).order(under_a_dome).tolist()
    assert pairwise_s(under_a_dome, order) <= schedule(under_a_dome, order).total_slew_s + 12.0 / TICKS


@pytest.mark.parametrize("kind", ["fork", "german", "altaz"])
def test_it_conforms_on_every_kind_of_mount(kind):
    site = a_site(kind, dome=a_dome())
    check_ordering(
        Pairwise(200), ordering_problem(site, sample(usable_sky(site), 8, effort="quick"), seed=-1)
    )


def test_none_or_one_point_needs_no_solver():
    assert Pairwise().order(on_one_axis()).tolist() == []
    assert Pairwise().order(on_one_axis(20.0)).tolist() == [0]


def test_skysample_finds_it_and_plans_with_the_budget_of_the_site_file():
    site = a_site(plugins={"pairwise": {"iterations": 50}})
    assert default_registry().orderings(site)["pairwise"] == Pairwise(50)
    found = plan(site, 5, order="pairwise", effort="quick")
    assert found.ordering == "pairwise"
    assert sorted(found.order) == list(range(5))


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"iterations": 0}, r"plugins\.pairwise\.iterations: 0 is not a whole number from 1"),
        ({"iterations": 2.5}, "is not a whole number"),
        ({"iteration": 5}, r"did you mean plugins\.pairwise\.iterations"),
        ({"seconds": 5}, "known keys here: iterations"),
    ],
)
def test_a_setting_that_does_not_fit_is_refused(settings, said):
    with pytest.raises(InputError, match=said) as raised:
        skysample_orderings(settings)
    assert raised.value.key.startswith("plugins.pairwise.")

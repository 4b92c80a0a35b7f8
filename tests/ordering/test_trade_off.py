from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from skysample.geometry import direction
from skysample.ordering import Annealed, OrderingProblem, front, schedule
from skysample.site import Dome, Mount
from skysample.site.mount_axes import ideal_axes, limits, mount_frame, primary_turns

DOME = Dome(radius_m=1.0, slit_width_m=0.4, rate_deg_s=3.0, accel_deg_s2=2.0, start_delay_s=1.0)
TRIALS = 8000


def problem_of(count, **changes):
    """Stops spread at random over a fork's sky, each served by 20 degrees of dome azimuth."""
    rng = np.random.default_rng(7)
    alt, az = np.arcsin(rng.uniform(0.5, 0.9, count)), rng.uniform(0.0, 2.0 * math.pi, count)
    axes = ideal_axes(mount_frame("fork", 0.6), direction(alt, az))
    mount, width = Mount(kind="fork"), math.radians(20.0)
    problem = OrderingProblem(
        axes=axes,
        turns=primary_turns(axes, limits(mount)),
        start_axes=np.array([0.0, 0.6]),
        azimuth=az,
        arcs=tuple(np.array([[(each - width / 2.0) % (2.0 * math.pi), width]]) for each in az),
        start_dome=0.0,
        mount=mount,
        dome=DOME,
    )
    return replace(problem, **changes)


def dome_price(weight, found):
    return found.total_slew_s + weight * (10.0 * found.dome_moves + math.degrees(found.dome_rad))


@pytest.mark.parametrize("policy", ["timely", "lazy"])
def test_front_runs_from_least_time_to_least_dome(policy):
    found = front(problem_of(40, dome_policy=policy), trials=TRIALS)
    assert 1 <= len(found) <= 3
    assert policy == "lazy" or len(found) >= 2
    for quicker, calmer in itertools.pairwise(found):
        assert quicker.schedule.total_slew_s <= 1.01 * calmer.schedule.total_slew_s  # both searches are short
        assert calmer.schedule.dome_moves <= 0.9 * quicker.schedule.dome_moves
        assert quicker.dome_weight < calmer.dome_weight


def test_each_point_of_the_front_is_what_its_setting_plans():
    problem = problem_of(30)
    for point in front(problem, trials=TRIALS):
        weighted = replace(problem, dome_weight=point.dome_weight)
        order = Annealed(trials=TRIALS).order(weighted)
        np.testing.assert_array_equal(point.order, order)
        assert point.schedule.total_slew_s == schedule(weighted, order).total_slew_s


def test_in_one_order_a_greater_weight_never_turns_the_dome_more_for_its_price():
    problem = problem_of(40)
    order = Annealed(trials=TRIALS).order(problem)
    weights = [0.0, 0.02, 0.1, 0.5, 1.0]
    found = [schedule(replace(problem, dome_weight=weight), order) for weight in weights]
    times = [each.total_slew_s for each in found]
    assert times == sorted(times)
    for mine, weight in zip(found, weights, strict=True):
        for other in found:
            assert dome_price(weight, mine) <= dome_price(weight, other) + 0.5
    assert found[-1].dome_moves < found[0].dome_moves


def test_least_dome_moves_hardly_more_often_than_the_lazy_dome_in_the_same_order():
    problem = problem_of(40, dome_weight=1.0)
    order = Annealed(trials=TRIALS).order(problem)
    fewest = schedule(replace(problem, dome_policy="lazy"), order)
    found = schedule(problem, order)
    assert fewest.dome_moves <= found.dome_moves
    assert dome_price(1.0, found) <= dome_price(1.0, fewest) + 1e-6


def test_a_point_says_what_it_saves_and_costs():
    first, last = (front(problem_of(40), trials=TRIALS)[at] for at in (0, -1))
    fewer = 100.0 * (1.0 - last.schedule.dome_moves / first.schedule.dome_moves)
    slower = 100.0 * (last.schedule.total_slew_s / first.schedule.total_slew_s - 1.0)
    said = last.compared(first)
    moves = f"{last.schedule.dome_moves} dome moves, not {first.schedule.dome_moves}"
    assert said.startswith(f"{moves} ({fewer:.0f} % fewer), ")
    seconds = last.schedule.total_slew_s - first.schedule.total_slew_s
    assert said.endswith(f" dome rotation, {seconds:.0f} s ({slower:.1f} %) more slewing")


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_few_stops_and_no_dome_have_a_front_too(count):
    problem = problem_of(count)
    for each in (problem, replace(problem, dome=None, arcs=())):
        found = front(each, trials=TRIALS)
        assert sorted(found[0].order.tolist()) == list(range(count))
    assert len(found) == 1

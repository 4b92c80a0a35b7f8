"""The proven bound against brute force that shares nothing with it but the problem."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from skysample.geometry import direction
from skysample.ordering import Annealed, Nearest, OrderingProblem, best_order, mount_bound, schedule
from skysample.ordering.bound import _dome_alone, _tree_bound
from skysample.ordering.least_time import MOST_STOPS, cell_states, completions, minimum_time, minimum_time_of
from skysample.ordering.motion.tables import dome_stands, least_legs
from skysample.site import Axis, Dome, Mount
from skysample.site.mount_axes import ideal_axes, limits, mount_frame, primary_turns, sides

TURN = 2.0 * math.pi


# Problems


def random_problem(seed, count, *, domeless=0.2):
    """Any mount and dome: one to three arcs a stop or all round, several turns, head start or none."""
    rng = np.random.default_rng(seed)
    kind = str(rng.choice(["fork", "german", "altaz"]))

    def rates():
        return {
            "rate_deg_s": rng.uniform(0.5, 8.0),
            "accel_deg_s2": rng.uniform(0.5, 8.0),
            "start_delay_s": float(rng.choice([0.0, 0.5, 1.5])),
        }

    mount = Mount(
        kind=kind, settle_s=rng.uniform(0.0, 3.0), primary=Axis(**rates()), secondary=Axis(**rates())
    )
    alt, az = np.arcsin(rng.uniform(0.3, 1.0, count)), rng.uniform(0.0, TURN, count)
    axes = ideal_axes(mount_frame(kind, 0.6), direction(alt, az), rng.choice(sides(kind), count))
    reach = np.array([[-TURN, TURN], [-TURN, TURN]]) if kind == "german" else limits(mount)
    has_dome = rng.random() >= domeless
    return OrderingProblem(
        axes=axes,
        turns=primary_turns(axes, reach),
        start_axes=np.array([rng.uniform(-3.0, 3.0), rng.uniform(0.0, 1.0)]),
        azimuth=az,
        arcs=tuple(random_arcs(rng, each) for each in az) if has_dome else (),
        start_dome=rng.uniform(-math.pi, 2.0 * TURN),
        mount=mount,
        dome=Dome(radius_m=2.0, slit_width_m=1.0, **rates()) if has_dome else None,
        dome_head_start_s=float(rng.choice([0.0, 0.0, 0.7, 3.0])),
        seed=seed % 1000,
    )


def random_arcs(rng, azimuth):
    pieces = int(rng.choice([0, 1, 1, 1, 2, 3]))
    if pieces == 0:
        return np.array([[0.0, TURN]])
    width = rng.uniform(0.02, 1.2 / pieces, pieces)
    start = azimuth - width[0] / 2.0 + TURN / pieces * np.arange(pieces)
    return np.column_stack([start % TURN, width])


def lattice_problem(seed, count):
    """Every angle a whole number of degrees, one degree a second, no ramps: a grid of degrees misses nothing."""
    rng = np.random.default_rng(seed)
    angle = np.radians(rng.integers(-60, 61, (count, 2)).astype(float))
    start = rng.integers(0, 360, count).astype(float)
    width = rng.integers(2, 40, count).astype(float)
    profile = {"rate_deg_s": 1.0, "accel_deg_s2": 1e12}
    axis = Axis(**profile)
    dome = Dome(radius_m=2.0, slit_width_m=1.0, start_delay_s=float(rng.choice([0.0, 2.0, 30.0])), **profile)
    return OrderingProblem(
        axes=angle,
        turns=angle[:, :1] + np.array([0.0, TURN])[: rng.integers(1, 3)],
        start_axes=np.zeros(2),
        azimuth=np.zeros(count),
        arcs=tuple(np.radians([[a, b]]) for a, b in zip(start, width, strict=True)),
        start_dome=math.radians(float(rng.integers(0, 360))),
        mount=Mount(kind="fork", settle_s=1.0, primary=axis, secondary=axis),
        dome=dome,
        dome_head_start_s=float(rng.choice([0.0, 3.0])),
    )


# Brute force: every order, every turn, the dome on a grid of azimuths and at the ends of all arcs


def seconds_of(degrees, rates):
    """From rest to rest; nothing for next to nothing."""
    degrees = np.abs(np.asarray(degrees, float))
    top = np.sqrt(degrees * rates.accel_deg_s2)
    ramp_s = np.minimum(top, rates.rate_deg_s) / rates.accel_deg_s2
    cruise_s = np.maximum(degrees - rates.rate_deg_s**2 / rates.accel_deg_s2, 0.0) / rates.rate_deg_s
    return np.where(degrees > 1e-10, rates.start_delay_s + 2.0 * ramp_s + cruise_s, 0.0)


def grid_of(problem, step_deg):
    ends = [end for arcs in problem.arcs for end in (*arcs[:, 0], *arcs.sum(axis=1))]
    everywhere = np.radians(np.arange(0.0, 360.0, step_deg))
    return np.unique(np.concatenate([everywhere, [problem.start_dome], ends]) % TURN)


def serving(problem, stop, grid):
    inside = np.zeros(len(grid), bool)
    for start, width in problem.arcs[stop]:
        for turn in range(-2, 4):
            past = grid + turn * TURN - start
            inside |= (past > -1e-11) & (past < width + 1e-11)
    return grid[inside]


def brute_force(problem, step_deg):
    """Least seconds over every order, turn and dome policy with its stands on the grid; settling included."""
    grid = grid_of(problem, step_deg) if problem.dome is not None else np.zeros(1)
    places = []
    for stop in range(problem.points):
        azimuth = serving(problem, stop, grid) if problem.dome is not None else grid
        turns = problem.turns[stop][~np.isnan(problem.turns[stop])]
        places.append([(t, problem.axes[stop, 1], azimuth) for t in turns])
    at_first = [(problem.start_axes[0], problem.start_axes[1], np.array([problem.start_dome]))]
    tables = {}

    def leg(before, number, stop):
        key = (before, stop)
        if key not in tables:
            blocks = []
            for p, s, a in at_first if before is None else places[before]:
                row = []
                for q, t, b in places[stop]:
                    mount_s = max(
                        float(seconds_of(math.degrees(p - q), problem.mount.primary)),
                        float(seconds_of(math.degrees(s - t), problem.mount.secondary)),
                    )
                    away = np.abs(np.angle(np.exp(1j * (a[:, None] - b))))
                    dome_s = np.zeros(away.shape)
                    if problem.dome is not None:
                        ahead = problem.dome_head_start_s if number else 0.0
                        dome_s = seconds_of(np.degrees(away), problem.dome) - ahead
                    row.append(np.maximum(dome_s, mount_s))
                blocks.append(np.concatenate(row, axis=1))
            tables[key] = np.concatenate(blocks)
        return tables[key]

    def rest(spent, last, left):
        if not left:
            return float(spent.min())
        return min(
            rest(
                (spent[:, None] + leg(last, len(left) < problem.points, stop)).min(axis=0),
                stop,
                left - {stop},
            )
            for stop in left
        )

    settling = problem.points * problem.mount.settle_s
    return rest(np.zeros(1), None, frozenset(range(problem.points))) + settling


# The bound against it

some_problems = st.builds(random_problem, st.integers(0, 2**32 - 1), st.integers(1, 5))
medium_problems = st.builds(random_problem, st.integers(0, 2**32 - 1), st.integers(10, 24))


@settings(max_examples=40, deadline=None)
@given(some_problems)
def test_no_order_turn_or_dome_policy_beats_the_bound(problem):
    assert mount_bound(problem) <= brute_force(problem, 10.0)


@pytest.mark.parametrize("seed", [3, 8])
def test_no_order_of_seven_stops_beats_the_bound(seed):
    problem = random_problem(seed, 7, domeless=0.0)
    assert mount_bound(problem) <= brute_force(problem, 20.0)


@settings(max_examples=40, deadline=None)
@given(some_problems)
def test_what_is_used_beyond_the_exact_search_holds_too(problem):
    stands = dome_stands(problem)
    least = brute_force(problem, 10.0) - problem.points * problem.mount.settle_s
    assert _tree_bound(least_legs(problem, stands)) <= least + 1e-9
    assert _dome_alone(problem, stands) <= least + 1e-9


@pytest.mark.parametrize("seed", range(25))
def test_bound_is_the_optimum_where_a_grid_holds_it(seed):
    problem = lattice_problem(seed, 5)
    assert mount_bound(problem) == pytest.approx(brute_force(problem, 1.0), abs=1e-4)


@pytest.mark.parametrize("seed", range(12))
def test_bound_is_near_the_optimum_on_a_fine_grid(seed):
    # A dome on a grid loses a step a leg at most, and the ramps make of that a little more.
    problem = random_problem(seed, 3 + seed % 2, domeless=0.0)
    least = brute_force(problem, 0.5)
    assert 0.97 * least <= mount_bound(problem) <= least


@pytest.mark.parametrize("count", [8, 10, 12])
def test_bound_is_exact_up_to_twelve_stops(count):
    for seed in range(3):
        problem = random_problem(seed, count)
        least, exact = minimum_time(problem)
        assert exact
        order = best_order(problem, Annealed()).tolist()
        own = minimum_time_of(problem, order)
        assert own is not None
        assert least <= own + 1e-9
        assert own + count * problem.mount.settle_s <= schedule(problem, order).total_slew_s + 1e-9


def test_exact_search_stopped_early_is_still_a_bound():
    for seed in range(10):
        problem = random_problem(seed, 7, domeless=0.0)
        least, exact = minimum_time(problem)
        assert exact
        early = [minimum_time(problem, [(1e6, most)]) for most in (1, 2, 4)]
        assert [each[1] for each in early] == [False] * 3
        assert early[0][0] <= early[1][0] <= early[2][0] <= least + 1e-9


@settings(max_examples=8, deadline=None)
@given(medium_problems)
def test_bound_never_exceeds_what_an_ordering_finds(problem):
    bound = mount_bound(problem)
    orders = [best_order(problem, Nearest()), best_order(problem, Annealed(trials=2000))]
    for policy in ("timely", "lazy"):
        same = replace(problem, dome_policy=policy)
        for order in orders:
            assert bound <= schedule(same, order).total_slew_s


def test_exact_bound_at_its_limit_is_no_worse_than_the_one_beyond():
    problem = random_problem(5, MOST_STOPS, domeless=0.0)
    stands = dome_stands(problem)
    least, exact = minimum_time(problem)
    assert exact
    assert max(_tree_bound(least_legs(problem, stands)), _dome_alone(problem, stands)) <= least + 1e-9


def test_dome_that_may_leave_earlier_lowers_the_bound():
    problem = random_problem(3, 6, domeless=0.0)
    bounds = [mount_bound(replace(problem, dome_head_start_s=each)) for each in (0.0, 2.0, 5.0, 1e3)]
    assert bounds == sorted(bounds, reverse=True)
    assert bounds[-1] < bounds[0]


def test_bound_of_nothing_and_of_one_stop():
    none = random_problem(1, 0)
    assert mount_bound(none) == 0.0
    one = random_problem(4, 1, domeless=0.0)
    assert mount_bound(one) == pytest.approx(brute_force(one, 0.5), rel=1e-6)


# Its parts


def test_hidden_moves_are_found_though_no_arc_ends_where_the_dome_stands():
    # One degree a second for mount and dome. Stops 0, 1 (dome anywhere from 0 to 30) and 2 (from 30 on), each
    # 10 degrees from the one before: the dome creeps 10 + 10 + 10 unseen, standing at 10 and 20 between.
    axis = Axis(rate_deg_s=1.0, accel_deg_s2=1e12)
    problem = OrderingProblem(
        axes=np.radians([[10.0, 0.0], [20.0, 0.0], [30.0, 0.0]]),
        turns=np.radians([[10.0], [20.0], [30.0]]),
        start_axes=np.zeros(2),
        azimuth=np.zeros(3),
        arcs=(np.radians([[0.0, 30.0]]), np.radians([[0.0, 30.0]]), np.radians([[30.0, 5.0]])),
        start_dome=0.0,
        mount=Mount(kind="fork", settle_s=0.0, primary=axis, secondary=axis),
        dome=Dome(radius_m=2, slit_width_m=1, rate_deg_s=1.0, accel_deg_s2=1e12, start_delay_s=0.0),
    )
    assert minimum_time_of(problem, [0, 1, 2]) == pytest.approx(30.0, abs=1e-4)
    # Straight to the last stop it takes 30 as well, but then the mount must come back.
    assert minimum_time_of(problem, [2, 0, 1]) == pytest.approx(60.0, abs=1e-4)
    assert mount_bound(problem) == pytest.approx(30.0, abs=1e-4)


def test_cells_cover_each_arc_and_no_more():
    problem = random_problem(11, 12, domeless=0.0)
    states = cell_states(problem, math.radians(3.0))
    assert len(states) == 13
    for stop, cells in enumerate(states[:-1]):
        turns = np.count_nonzero(np.isfinite(problem.turns[stop]))
        served = problem.arcs[stop][:, 1].sum()
        assert (
            cells.width.max() <= math.radians(3.0) * max(1.0, math.sqrt(served / math.radians(20.0))) + 1e-12
        )
        assert cells.width.sum() == pytest.approx(turns * problem.arcs[stop][:, 1].sum())
        for start, width in problem.arcs[stop]:
            at = start + width * np.linspace(0.0, 1.0, 50)
            past = (at[:, None] - cells.start + 1e-9) % TURN
            assert (past <= cells.width + 2e-9).any(axis=1).all()


def test_completions_equal_brute_force():
    rng = np.random.default_rng(0)
    states = [1, 2, 3, 2, 1]
    legs = [[rng.random((a, b)) for b in states] for a in states]
    found = completions(legs)
    for stop, left in itertools.product(range(5), range(32)):
        if left >> stop & 1:
            assert np.isinf(found[stop][left]).all()
            continue
        others = [other for other in range(5) if left >> other & 1]
        for state in range(states[stop]):
            routes = (
                (order, choice)
                for order in itertools.permutations(others)
                for choice in itertools.product(*(range(states[other]) for other in order))
            )
            least = min(
                sum(
                    legs[a][b][x, y]
                    for (a, x), (b, y) in itertools.pairwise(
                        [(stop, state), *zip(order, choice, strict=True)]
                    )
                )
                for order, choice in routes
            )
            assert found[stop][left, state] == pytest.approx(least)

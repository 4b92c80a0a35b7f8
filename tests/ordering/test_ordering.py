from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from skysample.errors import InputError, NoSolution, PluginError
from skysample.geometry import direction
from skysample.ordering import (
    DEFAULT_ORDERING,
    Annealed,
    Nearest,
    OrderingProblem,
    Snake,
    best_order,
    mount_bound,
    schedule,
    skysample_orderings,
)
from skysample.ordering.bound import _tree_bound
from skysample.ordering.least_time import completions
from skysample.ordering.motion.tables import Tables, dome_reach, least_legs, turning_time
from skysample.ordering.motion.timely_dome import DomeReach, TimelyTour, pass_stops, tours_of
from skysample.ordering.motion.tour import LazyTour
from skysample.ordering.strategies.annealed import exact_order
from skysample.plugins import build_registry
from skysample.site import Axis, Dome, Mount
from skysample.site.dome import dome_arcs
from skysample.site.mount_axes import ideal_axes, limits, mount_frame, primary_turns, sides

TURN = 2.0 * math.pi
REFERENCE_DOME = Dome(
    radius_m=1.0,
    slit_width_m=0.4,
    beam_m=0.2,
    rate_deg_s=3.0,
    accel_deg_s2=2.0,
    start_delay_s=1.0,
    slit_past_zenith_deg=11.6,  # opens enough for all azimuths at the altitude where the closed form says so
)


# Problems


def reference_points(count):
    """Altitudes and azimuths of a Fibonacci lattice thinned to the region, exactly `count` of them."""
    for size in range(count, 10 * count):
        i = np.arange(size) + 0.5
        alt, az = np.degrees(np.arcsin(i / size)), np.degrees(np.pi * (1.0 + 5.0**0.5) * i) % 360.0
        floor = np.where((az >= 200) & (az <= 250), 45.0, np.where((az >= 20) & (az <= 60), 38.0, 30.0))
        inside = (alt >= floor) & (alt <= 88.0)
        if inside.sum() == count:
            return np.radians(alt[inside]), np.radians(az[inside])
    raise AssertionError(count)


def closed_form_arcs(alt, az):
    """Dome centred on the axes: the rim is a circle about the beam, so sin(offset) cos(alt) <= sin(w - b)."""
    sine = math.sin(math.asin(0.2) - math.asin(0.1))
    arcs = []
    for altitude, azimuth in zip(alt, az, strict=True):
        if math.cos(altitude) <= sine:
            arcs.append(np.array([[0.0, TURN]]))
        else:
            half = math.asin(sine / math.cos(altitude))
            arcs.append(np.array([[(azimuth - half) % TURN, 2.0 * half]]))
    return tuple(arcs)


def reference_problem(count, **changes):
    alt, az = reference_points(count)
    mount, latitude = Mount(kind="fork"), math.radians(35.0)
    axes = ideal_axes(mount_frame("fork", latitude), direction(alt, az))
    problem = OrderingProblem(
        axes=axes,
        turns=primary_turns(axes, limits(mount)),
        start_axes=np.array([0.0, latitude]),
        azimuth=az,
        arcs=closed_form_arcs(alt, az),
        start_dome=math.pi,
        mount=mount,
        dome=REFERENCE_DOME,
    )
    return replace(problem, **changes)


def random_problem(seed, count, *, kind=None, with_dome=None, policy=None):
    """Any mount, any dome or none, stops anywhere, arcs of every sort: narrow, wide, several, all round."""
    rng = np.random.default_rng(seed)
    kind = kind or str(rng.choice(["fork", "german", "altaz"]))
    with_dome = rng.random() < 0.8 if with_dome is None else with_dome

    def axis():
        delay = float(rng.choice([0.0, 0.5]))
        return Axis(rate_deg_s=rng.uniform(0.5, 8.0), accel_deg_s2=rng.uniform(0.5, 8.0), start_delay_s=delay)

    mount = Mount(kind=kind, settle_s=rng.uniform(0.0, 3.0), primary=axis(), secondary=axis())
    alt, az = np.arcsin(rng.uniform(0.3, 1.0, count)), rng.uniform(0.0, TURN, count)
    axes = ideal_axes(mount_frame(kind, 0.6), direction(alt, az), rng.choice(sides(kind), count))
    limit = limits(mount) if kind != "german" else np.array([[-TURN, TURN], [-TURN, TURN]])
    dome, arcs = None, ()
    if with_dome:
        dome = Dome(
            radius_m=2.0,
            slit_width_m=1.0,
            rate_deg_s=rng.uniform(0.5, 8.0),
            accel_deg_s2=rng.uniform(0.5, 8.0),
            start_delay_s=float(rng.choice([0.0, 1.0])),
        )
        arcs = tuple(random_arcs(rng, azimuth) for azimuth in az)
    return OrderingProblem(
        axes=axes,
        turns=primary_turns(axes, limit),
        start_axes=np.array([rng.uniform(-3.0, 3.0), rng.uniform(0.0, 1.0)]),
        azimuth=az,
        arcs=arcs,
        start_dome=rng.uniform(-math.pi, 2.0 * TURN),
        mount=mount,
        dome=dome,
        seed=seed,
        dome_policy=policy or str(rng.choice(["timely", "lazy"])),
    )


def random_arcs(rng, azimuth):
    pieces = int(rng.choice([0, 1, 1, 1, 2, 3]))
    if pieces == 0:
        return np.array([[0.0, TURN]])
    width = rng.uniform(0.02, 1.5 / pieces, pieces)
    start = azimuth - width[0] / 2.0 + TURN / pieces * np.arange(pieces)
    return np.column_stack([start % TURN, width])


problems = st.builds(random_problem, st.integers(0, 2**32 - 1), st.integers(1, 6))
larger_problems = st.builds(random_problem, st.integers(0, 2**32 - 1), st.integers(13, 24))


# A second, independent account of what mount and dome do


def integrated_time(distance, rate, acceleration, delay):
    """Time over a distance as the integral of dx / v(x), with x = d sin(u)^2 to tame its ends."""
    if distance == 0.0:
        return 0.0
    u = (np.arange(20000) + 0.5) / 20000 * math.pi / 2.0
    x, dx = distance * np.sin(u) ** 2, 2.0 * distance * np.sin(u) * np.cos(u) * math.pi / 2.0 / 20000
    speed = np.minimum(rate, np.sqrt(2.0 * acceleration * np.minimum(x, distance * np.cos(u) ** 2)))
    return delay + float(np.sum(dx / speed))


def in_arcs(azimuth, arcs):
    inside = np.zeros(np.shape(azimuth), bool)
    for start, width in arcs:
        for turn in range(-3, 4):
            past = azimuth + turn * TURN - start
            inside |= (past >= -1e-12) & (past <= width + 1e-12)
    return inside


def simulate(problem, order, grid):
    """Step by step, with the dome on a grid of azimuths: (turns taken, dome azimuths, moves, leg seconds)."""
    mount, dome = problem.mount, problem.dome
    primary, secondary = problem.start_axes
    dome_az = problem.start_dome % TURN
    rows = []
    for place, stop in enumerate(order):
        allowed = [turn for turn in problem.turns[stop] if not math.isnan(turn)]
        turn = min(allowed, key=lambda turn, at=primary: abs(turn - at))
        seconds = [
            integrated_time(abs(math.degrees(a - b)), axis.rate_deg_s, axis.accel_deg_s2, axis.start_delay_s)
            for a, b, axis in (
                (turn, primary, mount.primary),
                (problem.axes[stop, 1], secondary, mount.secondary),
            )
        ]
        primary, secondary = turn, problem.axes[stop, 1]
        moved, dome_s = 0.0, 0.0
        if dome is not None and not in_arcs(np.array(dome_az), problem.arcs[stop]):
            shared = np.ones(len(grid), bool)
            for later in order[place:]:
                narrower = shared & in_arcs(grid, problem.arcs[later])
                if not narrower.any():
                    break
                shared = narrower
            away = np.abs(np.angle(np.exp(1j * (grid - dome_az))))
            target = grid[shared][np.argmin(away[shared])]
            moved = abs(math.remainder(target - dome_az, TURN))
            dome_az = target
            profile = dome.rate_deg_s, dome.accel_deg_s2, dome.start_delay_s
            dome_s = integrated_time(math.degrees(moved), *profile)
            dome_s -= problem.dome_head_start_s if place else 0.0
        rows.append((turn, dome_az, moved, max(*seconds, dome_s) + mount.settle_s))
    return np.array(rows).T


def arc_ends(problem):
    ends = [problem.start_dome, *(end for arcs in problem.arcs for end in (*arcs[:, 0], *arcs.sum(axis=1)))]
    return np.unique(np.array(ends) % TURN)


@pytest.mark.parametrize("seed", range(12))
def test_lazy_schedule_agrees_with_a_step_by_step_simulation(seed):
    problem = random_problem(seed, 25, policy="lazy")
    problem = replace(problem, dome_head_start_s=float(seed % 3))
    order = np.random.default_rng(seed).permutation(25)
    found = schedule(problem, order)
    step = math.radians(0.002)
    grid = np.arange(0.0, TURN, step)
    turns, dome_az, moved, slew_s = simulate(problem, order.tolist(), grid)
    np.testing.assert_allclose(found.axes[:, 0], turns, atol=1e-12)
    np.testing.assert_array_equal(found.axes[:, 1], problem.axes[order, 1])
    if problem.dome is None:
        assert np.isnan(found.dome_az).all()
        assert found.dome_moves == 0
        assert found.dome_rad == 0.0
    else:
        assert np.abs(np.angle(np.exp(1j * (found.dome_az - dome_az)))).max() <= step * (1 + 1e-6)
        np.testing.assert_allclose(found.dome_move_rad, moved, atol=2.0 * step)
        assert found.dome_moves == np.count_nonzero(moved)
    np.testing.assert_allclose(found.slew_s, slew_s, atol=0.02)
    assert found.total_slew_s == pytest.approx(found.slew_s.sum())
    assert found.dome_rad == pytest.approx(found.dome_move_rad.sum())


class Drive:
    """An axis or the dome, driven in small steps of time: full acceleration, rate limit, braking in time."""

    def __init__(self, position_deg, rate, acceleration, delay):
        self.position, self.speed, self.target, self.wait = position_deg, 0.0, position_deg, 0.0
        self.rate, self.acceleration, self.delay = rate, acceleration, delay

    def send(self, target_deg):
        if abs(target_deg - self.position) > 1e-9:
            self.target, self.wait = target_deg, self.delay

    @property
    def still(self):
        return self.position == self.target

    def step(self, dt):
        if self.wait > 0.0:
            self.wait -= dt
            return
        left = abs(self.target - self.position)
        if left == 0.0:
            return
        brake = math.sqrt(2.0 * self.acceleration * left)
        self.speed = min(self.rate, self.speed + self.acceleration * dt, brake)
        if self.speed * dt >= left or left < 1e-7:
            self.position, self.speed = self.target, 0.0
        else:
            self.position += math.copysign(self.speed * dt, self.target - self.position)


def driven(problem, found, order, dt=0.01):
    """Carry out a schedule in steps of time: seconds of each leg. At each stop the dome must serve and be still."""
    mount, dome = problem.mount, problem.dome
    primary, secondary = (
        Drive(math.degrees(angle), axis.rate_deg_s, axis.accel_deg_s2, axis.start_delay_s)
        for angle, axis in zip(problem.start_axes, (mount.primary, mount.secondary), strict=True)
    )
    shutter = Drive(math.degrees(problem.start_dome), dome.rate_deg_s, dome.accel_deg_s2, dome.start_delay_s)
    drives = [primary, secondary, shutter]
    legs = []
    for number, stop in enumerate(order):
        turn = math.degrees(math.remainder(found.dome_az[number] - math.radians(shutter.position), TURN))
        lead = found.dome_lead_s[number]
        assert 0.0 <= lead <= (problem.dome_head_start_s if number else 0.0)
        shutter.send(shutter.position + turn)
        clock = -lead
        sent = False
        while clock < 0.0 or not sent or not all(drive.still for drive in drives):
            if clock >= -1e-9 and not sent:
                primary.send(math.degrees(found.axes[number, 0]))
                secondary.send(math.degrees(found.axes[number, 1]))
                sent = True
                if all(drive.still for drive in drives):
                    break
            for drive in drives[:2] if sent else []:
                drive.step(dt)
            shutter.step(dt)
            clock += dt
        assert in_arcs(np.array(math.radians(shutter.position) % TURN), widened(problem.arcs[stop]))
        legs.append(clock + mount.settle_s)
    return np.array(legs)


def widened(arcs, by=1e-6):
    return arcs + np.array([-by, 2.0 * by])


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("policy", ["timely", "lazy"])
def test_a_schedule_can_be_carried_out_in_the_time_it_says(seed, policy):
    problem = random_problem(seed, 12, with_dome=True, policy=policy)
    problem = replace(problem, dome_head_start_s=float(seed % 3), dome_weight=[0.0, 0.05, 0.5][seed % 3])
    order = np.random.default_rng(seed).permutation(12)
    found = schedule(problem, order)
    seconds = driven(problem, found, order.tolist())
    np.testing.assert_allclose(found.slew_s, seconds, atol=0.06)
    moved = np.abs(np.angle(np.exp(1j * np.diff(found.dome_az, prepend=problem.start_dome))))
    np.testing.assert_allclose(found.dome_move_rad, moved, atol=1e-9)
    assert found.dome_moves == np.count_nonzero(moved > 1e-9)


@pytest.mark.parametrize("seed", range(10))
def test_timely_dome_is_as_quick_as_the_best_of_all_stands_in_the_same_order(seed):
    problem = replace(random_problem(seed, 12, with_dome=True, policy="timely"), dome_head_start_s=seed % 2)
    order = np.random.default_rng(seed).permutation(12).tolist()
    found = schedule(problem, order)
    grid = np.union1d(arc_ends(problem), np.radians(np.arange(0.0, 360.0, 0.25)))
    away = np.degrees(np.abs(np.angle(np.exp(1j * (grid[:, None] - grid)))))
    dome = problem.dome
    ramp = dome.rate_deg_s / dome.accel_deg_s2
    dome_s = np.where(
        away >= dome.rate_deg_s * ramp, away / dome.rate_deg_s + ramp, 2.0 * np.sqrt(away / dome.accel_deg_s2)
    )
    dome_s = np.where(away > 1e-9, dome_s + dome.start_delay_s, 0.0)
    spent = np.where(np.isclose(grid, problem.start_dome % TURN, atol=1e-12), 0.0, np.inf)
    for number, stop in enumerate(order):
        seconds = dome_s - (problem.dome_head_start_s if number else 0.0)
        spent = (spent[:, None] + np.maximum(seconds, found.mount_s[number])).min(axis=0)
        spent = np.where(in_arcs(grid, problem.arcs[stop]), spent, np.inf)
    best = spent.min() + len(order) * problem.mount.settle_s
    assert found.total_slew_s <= 1.003 * best
    lazy = schedule(replace(problem, dome_policy="lazy"), order)
    assert found.total_slew_s <= lazy.total_slew_s + 0.1
    assert found.dome_moves >= lazy.dome_moves


def test_timely_dome_goes_ahead_where_the_lazy_one_makes_the_mount_wait():
    # Three stops on a slow mount, 21 s a leg; the third needs the dome at 60. From 0 to 60 it takes 62 s at
    # 1 deg/s. Lazy: it stays for the first two, then goes all at once. Timely: 19 degrees on each of the first
    # two legs (1 s delay, 1 s for the ramps), which leaves 22 degrees, 24 s, for the third.
    mount = Mount(kind="fork", settle_s=0.0, primary=Axis(rate_deg_s=1.0, accel_deg_s2=1.0), secondary=Axis())
    dome = Dome(radius_m=2, slit_width_m=1, rate_deg_s=1.0, accel_deg_s2=1.0, start_delay_s=1.0)
    axes = np.radians([[20.0, 0.0], [40.0, 0.0], [60.0, 0.0]])
    wide = np.radians([[0.0, 100.0]])
    problem = OrderingProblem(
        axes, axes[:, :1], np.zeros(2), axes[:, 0], (wide, wide, np.radians([[60.0, 10.0]])), 0.0, mount, dome
    )
    lazy = schedule(replace(problem, dome_policy="lazy"), [0, 1, 2])
    timely = schedule(problem, [0, 1, 2])
    np.testing.assert_allclose(lazy.slew_s, [21.0, 21.0, 62.0], atol=1e-9)
    np.testing.assert_allclose(timely.slew_s, [21.0, 21.0, 24.0], atol=1e-9)
    assert np.degrees(timely.dome_az) == pytest.approx([19.0, 38.0, 60.0])


def test_head_start_lets_the_dome_leave_while_the_camera_reads_out_but_not_before_the_first_leg():
    mount = Mount(kind="fork", settle_s=0.0, primary=Axis(rate_deg_s=1.0, accel_deg_s2=1.0), secondary=Axis())
    dome = Dome(radius_m=2, slit_width_m=1, rate_deg_s=1.0, accel_deg_s2=1.0, start_delay_s=1.0)
    axes = np.radians([[5.0, 0.0], [10.0, 0.0]])
    arcs = (np.radians([[10.0, 1.0]]), np.radians([[21.0, 1.0]]))
    problem = OrderingProblem(axes, axes[:, :1], np.zeros(2), axes[:, 0], arcs, 0.0, mount, dome)
    found = schedule(replace(problem, dome_head_start_s=4.0), [0, 1])
    # 21 degrees of dome in two moves of 2 s more than their degrees, of which 4 s pass during the read-out.
    np.testing.assert_allclose(found.dome_lead_s, [0.0, 4.0])
    assert found.slew_s.sum() == pytest.approx(21.0 + 2.0 * 2.0 - 4.0)


def test_dome_turns_the_short_way_and_moves_while_the_mount_slews():
    # Dome at north; the stop is served between azimuth 300 and 310, so it turns 50 degrees west:
    # 1 s delay + 50/2 + 2/2. The mount needs 10/1 + 1/1 = 11 s for 10 degrees. Settling follows both.
    mount = Mount(kind="fork", settle_s=3.0, primary=Axis(rate_deg_s=1.0, accel_deg_s2=1.0))
    dome = Dome(radius_m=2, slit_width_m=1, rate_deg_s=2.0, accel_deg_s2=2.0, start_delay_s=1.0)
    problem = OrderingProblem(
        axes=np.radians([[10.0, 0.0]]),
        turns=np.radians([[10.0]]),
        start_axes=np.zeros(2),
        azimuth=np.radians([305.0]),
        arcs=(np.radians([[300.0, 10.0]]),),
        start_dome=0.0,
        mount=mount,
        dome=dome,
    )
    found = schedule(problem, [0])
    assert math.degrees(found.dome_az[0]) == pytest.approx(310.0)
    assert math.degrees(found.dome_move_rad[0]) == pytest.approx(50.0)
    assert found.mount_s[0] == pytest.approx(11.0)
    assert found.dome_s[0] == pytest.approx(27.0)
    assert found.total_slew_s == pytest.approx(30.0)


def test_primary_axis_takes_the_nearest_turn_even_where_a_later_leg_pays_for_it():
    mount = Mount(kind="altaz", primary=Axis(rate_deg_s=1.0, accel_deg_s2=1.0))
    axes = np.radians([[-170.0, 40.0], [170.0, 40.0]])
    turns = primary_turns(axes, limits(mount))
    problem = OrderingProblem(axes, turns, np.radians([20.0, 40.0]), axes[:, 0], (), 0.0, mount)
    np.testing.assert_allclose(np.degrees(schedule(problem, [0, 1]).axes[:, 0]), [190.0, 170.0])
    np.testing.assert_allclose(np.degrees(schedule(problem, [1, 0]).axes[:, 0]), [170.0, 190.0])


@given(problems, st.randoms(use_true_random=False))
def test_no_dome_policy_moves_less_often_in_the_same_order(problem, shuffler):
    problem = replace(problem, dome_policy="lazy")
    order = list(range(problem.points))
    shuffler.shuffle(order)
    stands = arc_ends(problem)
    moves = np.where(stands == problem.start_dome % TURN, 0, 1)
    for stop in order if problem.dome is not None else []:
        allowed = in_arcs(stands, problem.arcs[stop])
        moves = np.where(allowed, np.minimum(moves, moves.min() + 1), 10**6)
    assert schedule(problem, order).dome_moves == (moves.min() if problem.dome is not None else 0)


@given(larger_problems, st.randoms(use_true_random=False))
def test_dome_stands_where_it_serves_every_stop(problem, shuffler):
    order = list(range(problem.points))
    shuffler.shuffle(order)
    found = schedule(problem, order)
    if problem.dome is not None:
        for stop, azimuth in zip(order, found.dome_az, strict=True):
            assert in_arcs(np.array(azimuth), problem.arcs[stop])


def test_schedule_of_a_part_of_the_stops():
    problem = random_problem(3, 6, with_dome=True)
    whole = schedule(problem, [4, 2, 0, 1, 5, 3])
    part = schedule(problem, [4])
    assert part.mount_s[0] == whole.mount_s[0]
    with pytest.raises(InputError, match="at most once"):
        schedule(problem, [1, 1])
    with pytest.raises(InputError, match=r"stops 0\.\.5"):
        schedule(problem, [6])


# Re-evaluation


def tour_at(problem, order, number=0):
    return tours_of(Tables.of(problem))[number](order)


@settings(max_examples=20, deadline=None)
@given(larger_problems, st.integers(0, 2**32 - 1), st.sampled_from([0.0, 0.3]), st.sampled_from([0.0, 3.0]))
def test_partial_re_evaluation_equals_full_evaluation(problem, seed, weight, head_start):
    problem = replace(problem, dome_weight=weight, dome_head_start_s=head_start)
    rng = np.random.default_rng(seed)
    for tour_of in tours_of(Tables.of(problem)):
        tour = tour_of(rng.permutation(problem.points).tolist())
        for _ in range(25):
            first, last = sorted(rng.integers(0, problem.points, 2).tolist())
            stops = tour.order[first : last + 1]
            stops = stops[::-1] if rng.random() < 0.5 else rng.permutation(stops).tolist()
            order = [*tour.order[:first], *stops, *tour.order[last + 1 :]]
            assert tour.propose(first, last, stops) == pytest.approx(tour_of(order).total, abs=1e-7)
            if rng.random() < 0.5:
                tour.accept()
                assert tour.order == order
        assert tour.total == pytest.approx(tour_of(tour.order).total, abs=1e-7)


@settings(max_examples=20, deadline=None)
@given(larger_problems, st.sampled_from([0.0, 0.3]), st.sampled_from([0.0, 3.0]))
def test_search_and_schedule_agree_on_the_price_of_an_order(problem, weight, head_start):
    order = np.random.default_rng(problem.seed).permutation(problem.points).tolist()
    settled = problem.points * problem.mount.settle_s
    lazy = replace(problem, dome_policy="lazy", dome_weight=weight, dome_head_start_s=head_start)
    found = schedule(lazy, order)
    worth = lazy.move_worth_s * found.dome_moves + lazy.degree_worth_s * math.degrees(found.dome_rad)
    assert tour_at(lazy, order).total + settled == pytest.approx(found.total_slew_s + worth, abs=1e-7)
    timely = replace(problem, dome_policy="timely", dome_head_start_s=head_start)
    # The schedule may do better than the search's evaluation, never worse, but for what breaks ties.
    tie_s = 1e-3 * problem.points + 1e-4 * 180.0 * problem.points
    whole, searched = schedule(timely, order).total_slew_s, tour_at(timely, order).total + settled
    assert whole <= searched + tie_s
    # Nor much better: the search would be led astray.
    assert whole >= 0.7 * searched


@pytest.mark.parametrize("policy", ["timely", "lazy"])
def test_partial_re_evaluation_stops_early(policy):
    problem = reference_problem(60, dome_policy=policy)
    tour = tour_at(problem, Snake().order(problem).tolist())
    tour.propose(10, 11, [tour.order[11], tour.order[10]])
    if policy == "lazy":
        assert isinstance(tour, LazyTour)
        passed = [run[0] for run in tour._proposal[3]]
        assert passed[0] <= 10
        assert tour._proposal[4][0] < 40
    else:
        assert isinstance(tour, TimelyTour)
        assert 2 <= len(tour._proposal[3].seconds) < 30


def test_waiting_for_the_dome_takes_the_dome_s_time_and_reach_is_its_inverse():
    problem = replace(reference_problem(15), dome_head_start_s=2.5)
    reach = DomeReach(problem, Tables.of(problem).legs)
    gaps = np.radians(np.concatenate([[1e-9, 4.4999, 4.5001], np.linspace(0.1, 180.0, 50)]))
    seconds = turning_time(problem.dome, gaps)
    at_first, later = ([reach.wait(place, gap) for gap in gaps] for place in (reach.legs.start, 3))
    np.testing.assert_allclose(at_first, seconds, rtol=1e-14)
    np.testing.assert_allclose(later, seconds - 2.5, rtol=0.0, atol=1e-12)
    np.testing.assert_allclose(dome_reach(problem.dome, seconds), gaps, rtol=1e-7)
    assert (dome_reach(problem.dome, np.array([0.0, 0.5, 1.0])) == 0.0).all()


def test_passing_stops_leaves_an_interval_that_the_dome_can_reach_in_time():
    problem = reference_problem(60)
    reach = DomeReach(problem, Tables.of(problem).legs)
    passage = pass_stops(reach, list(range(60)), (reach.start, reach.start, reach.legs.start))
    for stop, (low, high, _) in enumerate(passage.states):
        assert low <= high + 1e-12
        assert in_arcs(np.array([low, high]) % TURN, widened(problem.arcs[stop])).all()


# Orderings


@pytest.mark.parametrize("ordering", skysample_orderings(), ids=lambda each: each.name)
@pytest.mark.parametrize("count", [0, 1, 2, 3, 11])
def test_every_ordering_answers_with_a_permutation(ordering, count):
    for seed in range(3):
        order = best_order(random_problem(seed, count), ordering)
        assert order.dtype == np.int64
        assert sorted(order.tolist()) == list(range(count))


@settings(max_examples=30, deadline=None)
@given(problems)
def test_annealed_is_the_optimum_of_few_stops_and_the_bound_below_it(problem):
    tour_of = tours_of(Tables.of(problem))[0]
    brute = min(tour_of(order).total for order in itertools.permutations(range(problem.points)))
    order = best_order(problem, Annealed(trials=2000))
    assert tour_of(order.tolist()).total == pytest.approx(brute, abs=1e-6)
    assert mount_bound(problem) <= schedule(problem, order).total_slew_s


@pytest.mark.parametrize("policy", ["timely", "lazy"])
@pytest.mark.parametrize("seed", range(4))
def test_annealing_itself_finds_the_optimum_of_seven_stops(seed, policy):
    problem = random_problem(seed, 7, with_dome=True, policy=policy)
    tour_of = tours_of(Tables.of(problem))[0]
    brute = min(tour_of(order).total for order in itertools.permutations(range(7)))
    found = Annealed(trials=20_000, exact_up_to=0).order(problem)
    assert tour_of(found.tolist()).total <= 1.01 * brute + 1e-9


@pytest.mark.parametrize("policy", ["timely", "lazy"])
def test_few_stops_are_settled_or_said_not_to_be(policy):
    problem = reference_problem(12, dome_policy=policy)
    tables = Tables.of(problem)
    tour_of = tours_of(tables)[0]
    legs = least_legs(problem, tables.stands)
    settled = exact_order(lambda order: tour_of(order).total, legs, Snake().order(problem).tolist(), 10**6)
    found = Annealed(trials=5000).order(problem).tolist()
    assert tour_of(found).total == pytest.approx(tour_of(settled).total)
    assert exact_order(lambda order: tour_of(order).total, legs, list(range(12)), 5) is None


def test_same_seed_gives_the_same_order_and_the_problem_is_left_alone():
    problem = reference_problem(16, seed=5)
    before = [problem.axes.copy(), problem.turns.copy(), *(arcs.copy() for arcs in problem.arcs)]
    first, second = (Annealed(trials=20_000).order(each) for each in (problem, reference_problem(16, seed=5)))
    np.testing.assert_array_equal(first, second)
    for old, new in zip(before, [problem.axes, problem.turns, *problem.arcs], strict=True):
        np.testing.assert_array_equal(old, new)


@pytest.mark.parametrize(("policy", "seconds"), [("timely", 495.0), ("lazy", 537.0)])
def test_annealed_beats_the_snake_and_the_snake_beats_the_nearest_neighbour(policy, seconds):
    # No published figure: 486 s and 528 s are the best known for this set of 75 points at this observatory.
    problem = reference_problem(75, dome_policy=policy)
    found = {
        each.name: schedule(problem, best_order(problem, each)).total_slew_s
        for each in (Annealed(trials=60_000), Snake(), Nearest())
    }
    assert found["annealed"] < seconds
    assert found["annealed"] < 0.96 * found["snake"]
    assert found["snake"] < found["nearest"]
    assert mount_bound(problem) < found["annealed"]


def test_reference_arcs_agree_with_the_dome_module():
    alt, az = reference_points(60)
    found = dome_arcs(REFERENCE_DOME, direction(alt, az), np.zeros((60, 3)))
    for one, other in zip(closed_form_arcs(alt, az), found, strict=True):
        assert len(one) == len(other) == 1
        assert one[0, 1] == pytest.approx(other[0, 1], abs=2e-3)
        if one[0, 1] < TURN:
            assert math.remainder(one[0, 0] - other[0, 0], TURN) == pytest.approx(0.0, abs=2e-3)


def test_stops_near_the_zenith_with_several_arcs():
    # The slit opens well past the zenith: a beam near it gets out ahead of the dome or behind.
    dome = Dome(
        radius_m=2.0, slit_width_m=1.0, slit_past_zenith_deg=25.0, beam_m=0.9, pivot_m=(0.0, 0.3, 0.0)
    )
    alt = np.radians(np.tile([60.0, 78.0, 84.0, 87.0], 6))
    az = np.radians(np.repeat(np.arange(6) * 60.0, 4) + 7.0)
    directions = direction(alt, az)
    arcs = dome_arcs(dome, directions, np.tile([0.0, 0.3, 0.0], (24, 1)))
    usable = [i for i in range(24) if len(arcs[i])]
    assert any(len(arcs[i]) > 1 for i in usable)
    mount = Mount(kind="altaz")
    axes = ideal_axes(mount_frame("altaz", 0.5), directions[usable])
    problem = OrderingProblem(
        axes=axes,
        turns=primary_turns(axes, limits(mount)),
        start_axes=np.array([0.0, 0.5]),
        azimuth=az[usable],
        arcs=tuple(arcs[i] for i in usable),
        start_dome=0.0,
        mount=mount,
        dome=dome,
    )
    order = best_order(problem, Annealed(trials=20_000))
    timely = schedule(problem, order)
    np.testing.assert_allclose(timely.slew_s, driven(problem, timely, order.tolist()), atol=0.06)
    assert mount_bound(problem) <= timely.total_slew_s
    problem = replace(problem, dome_policy="lazy")
    found = schedule(problem, order)
    _, _, moved, slew_s = simulate(problem, order.tolist(), arc_ends(problem))
    assert found.dome_moves == np.count_nonzero(moved)
    np.testing.assert_allclose(found.slew_s, slew_s, atol=1e-2)
    assert mount_bound(problem) <= found.total_slew_s


# Bound


def least_over_all_policies(problem):
    """Brute force over orders, turns and where the dome stands (the arcs' ends and a coarse grid)."""
    stands = np.concatenate([arc_ends(problem), np.arange(36) * TURN / 36.0])
    dome, mount = problem.dome, problem.mount
    ramp = dome.rate_deg_s / dome.accel_deg_s2
    away = np.degrees(np.abs(np.angle(np.exp(1j * (stands[:, None] - stands[None, :])))))
    cruise, short = away / dome.rate_deg_s + ramp, 2.0 * np.sqrt(away / dome.accel_deg_s2)
    dome_s = np.where(away >= dome.rate_deg_s * ramp, cruise, short)
    dome_s = np.where(away > 1e-9, dome_s + dome.start_delay_s, 0.0)

    def axis_s(distance, axis):
        return integrated_time(math.degrees(distance), axis.rate_deg_s, axis.accel_deg_s2, axis.start_delay_s)

    begin = np.where(np.isclose(stands, problem.start_dome % TURN, atol=1e-12), 0.0, np.inf)
    legs = {}
    best = math.inf
    for order in itertools.permutations(range(problem.points)):
        states = {(-1, problem.start_axes[0]): begin}
        for stop in order:
            allowed = np.where(in_arcs(stands, problem.arcs[stop]), 0.0, np.inf)
            onward = {}
            for turn in problem.turns[stop][np.isfinite(problem.turns[stop])]:
                options = []
                for (before, primary), spent in states.items():
                    key = (before, primary, stop, turn)
                    if key not in legs:
                        secondary = problem.axes[before, 1] if before >= 0 else problem.start_axes[1]
                        across = axis_s(abs(problem.axes[stop, 1] - secondary), mount.secondary)
                        legs[key] = max(axis_s(abs(turn - primary), mount.primary), across)
                    options.append((spent[:, None] + np.maximum(dome_s, legs[key])).min(axis=0))
                onward[stop, turn] = np.min(options, axis=0) + allowed + mount.settle_s
            states = onward
        best = min(best, *(float(spent.min()) for spent in states.values()))
    return best


@pytest.mark.parametrize("seed", range(20))
def test_bound_holds_for_every_order_turn_and_dome_policy(seed):
    problem = random_problem(seed, 3 + seed % 2, with_dome=True)
    least = least_over_all_policies(problem)
    assert mount_bound(problem) <= least + 1e-3  # the numeric integral's own error
    assert least <= schedule(problem, best_order(problem, Annealed(trials=5000))).total_slew_s + 1e-3


def test_bound_is_met_where_only_the_mount_counts():
    for seed in range(8):
        problem = random_problem(seed, 6, kind="fork", with_dome=False)
        least = schedule(problem, best_order(problem, Annealed(trials=5000))).total_slew_s
        assert mount_bound(problem) == pytest.approx(least, rel=1e-8)


def test_bound_is_met_where_only_the_dome_counts():
    # Four stops at one place of the sky in turn, seen through four slits: one sweep of a slow dome.
    mount = Mount(kind="fork", settle_s=0.0)
    dome = Dome(radius_m=2, slit_width_m=1, rate_deg_s=1.0, accel_deg_s2=1e6, start_delay_s=0.0)
    axes = np.zeros((4, 2))
    arcs = tuple(np.radians([[start, 5.0]]) for start in (20.0, 50.0, 80.0, 110.0))
    problem = OrderingProblem(axes, np.zeros((4, 1)), np.zeros(2), np.zeros(4), arcs, 0.0, mount, dome)
    assert schedule(problem, best_order(problem, Annealed(trials=5000))).total_slew_s == pytest.approx(
        110.0, abs=0.01
    )
    assert mount_bound(problem) == pytest.approx(110.0, abs=0.01)


@settings(max_examples=15, deadline=None)
@given(larger_problems)
def test_bound_never_exceeds_what_an_ordering_finds(problem):
    bound = mount_bound(problem)
    for ordering in (Snake(), Nearest()):
        assert bound <= schedule(problem, best_order(problem, ordering)).total_slew_s


def test_exact_path_equals_brute_force():
    legs = planar_legs(0, 7)
    brute = min(
        legs[7, order[0]] + sum(legs[a, b] for a, b in itertools.pairwise(order))
        for order in itertools.permutations(range(7))
    )
    assert shortest_path(legs) == pytest.approx(brute)


@pytest.mark.parametrize("seed", range(6))
def test_tree_bound_is_below_and_close_to_the_exact_path(seed):
    legs = planar_legs(seed, 11)
    exact = shortest_path(legs)
    assert 0.93 * exact <= _tree_bound(legs) <= exact + 1e-9


def shortest_path(legs):
    """Through every stop from the last node, which is the start."""
    to_come = completions([list(row) for row in legs[:, :, None, None]])
    return to_come[-1][(1 << (len(legs) - 1)) - 1, 0]


def planar_legs(seed, count):
    places = np.random.default_rng(seed).random((count + 1, 2))
    return np.linalg.norm(places[:, None] - places[None, :], axis=-1)


# The hook


class Broken:
    name = "broken"

    def __init__(self, answer):
        self.answer = answer

    def order(self, _problem):
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (RuntimeError("no luck"), "raised RuntimeError: no luck"),
        ([0, 1], "shape"),
        ([0, 1, 1], "not a permutation"),
        ([0.0, 1.0, 2.0], "float64"),
        ([1, 2, 3], "not a permutation"),
        (None, "shape"),
        ("abc", "shape"),
    ],
)
def test_an_ordering_that_fails_is_named(answer, says):
    with pytest.raises(PluginError, match=says) as caught:
        best_order(random_problem(1, 3), Broken(answer))
    assert caught.value.plugin == "broken"
    assert caught.value.hook == "skysample_orderings"


def test_core_orderings_come_through_the_registry(make_site):
    found = build_registry(installed=False).orderings(make_site())
    assert set(found) == {"annealed", "snake", "nearest"}
    assert DEFAULT_ORDERING in found


def test_problems_that_no_order_solves_are_refused():
    problem = random_problem(2, 4, kind="fork", with_dome=True)
    unreachable = problem.turns.copy()
    unreachable[2] = np.nan
    with pytest.raises(NoSolution, match="point 2"):
        replace(problem, turns=unreachable)
    with pytest.raises(NoSolution, match="point 3"):
        replace(problem, arcs=(*problem.arcs[:3], np.zeros((0, 2))))
    with pytest.raises(InputError, match="arcs of each"):
        replace(problem, arcs=())
    with pytest.raises(InputError, match="shapes"):
        replace(problem, azimuth=np.zeros(3))
    with pytest.raises(InputError, match="dome_policy 'eager'"):
        replace(problem, dome_policy="eager")
    with pytest.raises(InputError, match=r"dome_weight is 1\.5"):
        replace(problem, dome_weight=1.5)
    with pytest.raises(InputError, match="dome_head_start_s is nan"):
        replace(problem, dome_head_start_s=math.nan)

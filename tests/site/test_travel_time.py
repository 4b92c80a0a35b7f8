from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from skysample.site.travel_time import travel_time


def integrated(distance, rate, acceleration, steps=20000):
    """Step through the fastest profile that can still stop in time."""
    time = position = speed = 0.0
    dt = (distance / rate + 2 * rate / acceleration) / steps
    while position < distance and time < 1e6:
        braking = speed * speed / (2.0 * acceleration)
        before = speed
        speed = (
            max(speed - acceleration * dt, 1e-9)
            if position + braking >= distance
            else min(speed + acceleration * dt, rate)
        )
        position += (before + speed) / 2.0 * dt
        time += dt
        if speed <= 1e-9:
            break
    return time


@pytest.mark.parametrize("distance", [0.5, 4.0, 30.0])
def test_travel_time_equals_stepping_through_the_move(distance):
    assert travel_time(distance, 4.0, 4.0) == pytest.approx(integrated(distance, 4.0, 4.0), rel=0.02)


def test_a_move_of_nothing_takes_no_time_and_a_short_one_waits_for_the_start():
    assert travel_time(0.0, 3.0, 2.0, 1.0) == 0.0
    assert travel_time(1e-9, 3.0, 2.0, 1.0) >= 1.0


@given(st.floats(0.0, 400.0), st.floats(0.0, 400.0), st.floats(0.1, 20.0), st.floats(0.1, 20.0))
def test_a_longer_move_is_never_quicker_and_a_stop_on_the_way_never_helps(a, b, rate, acceleration):
    whole = travel_time(a + b, rate, acceleration)
    assert whole + 1e-9 >= travel_time(a, rate, acceleration)
    assert whole <= travel_time(a, rate, acceleration) + travel_time(b, rate, acceleration) + 1e-9


def test_direction_does_not_matter():
    assert travel_time(-12.0, 3.0, 2.0, 1.0) == travel_time(12.0, 3.0, 2.0, 1.0)

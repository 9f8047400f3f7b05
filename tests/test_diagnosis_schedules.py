"""Gears that follow the speed by a habit: what courses habits make, what they weigh, and what comes of it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.gears import (
    OFF_SCHEDULE_PER_S,
    SCHEDULED,
    course_log_prior,
    gear_log_prior,
    scheduled_log_prior,
    schedules,
    shift_log_prior,
)
from vibeorder.simulate import Drive, Fault, Gps, Road, Scenario, as_recording, road_test
from vibeorder.vehicle import Accessory, RollingTire, Vehicle

GEARS = (5.1, 3.1, 2.2, 1.7, 1.25, 1.0, 0.85, 0.7)
PER_WHEEL = np.array(GEARS) * 3.4
VAN = Vehicle(
    "invented van",
    "rwd",
    RollingTire(2.35, 0.01, "circumference 2350 mm"),
    axle_ratio=3.4,
    gears=GEARS,
    cylinders=6,
    accessories=(Accessory("compressor", 1.42),),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(2.0, 16.0), min_size=2, max_size=6))
def test_every_schedule_is_a_course_of_gears_and_stands_once(knots: list[float]) -> None:
    rate = np.interp(np.linspace(0, 1, 80), np.linspace(0, 1, len(knots)), knots)
    found = schedules(PER_WHEEL, rate)
    assert found.shape[1] == rate.size
    assert found.min() >= 0
    assert found.max() < len(GEARS)
    assert np.unique(found, axis=0).shape == found.shape


def test_with_rising_speed_no_schedule_shifts_down_and_with_falling_speed_none_up() -> None:
    rate = np.linspace(3.0, 15.0, 60)
    assert (np.diff(schedules(PER_WHEEL, rate), axis=1) >= 0).all()
    assert (np.diff(schedules(PER_WHEEL, rate[::-1]), axis=1)[:, 1:] <= 0).all()


def test_a_held_speed_has_one_gear_for_each_habit() -> None:
    assert not np.diff(schedules(PER_WHEEL, np.full(40, 10.0)), axis=1).any()


def test_on_a_schedule_many_shifts_cost_little_and_each_second_off_it_the_same() -> None:
    rate = np.concatenate([np.linspace(15.0, 5.0, 40), np.linspace(5.0, 15.0, 40)])
    log_p = gear_log_prior(PER_WHEEL, rate)
    switch, every = shift_log_prior(log_p), schedules(PER_WHEEL, rate)
    busiest = every[np.diff(every, axis=1).astype(bool).sum(axis=1).argmax()]
    chain = course_log_prior(busiest, log_p, switch).log_prior
    assert np.diff(busiest).astype(bool).sum() >= 6
    assert scheduled_log_prior(busiest, chain, every) > chain + 5.0
    late = busiest.copy()
    shift = int(np.flatnonzero(np.diff(busiest))[0]) + 1
    late[shift : shift + 2] = busiest[shift - 1]
    loss = scheduled_log_prior(busiest, -1e9, every) - scheduled_log_prior(late, -1e9, every)
    assert loss <= 2.0 * OFF_SCHEDULE_PER_S + 1e-9
    assert loss > 0.0


def test_where_no_schedule_is_known_the_chain_alone_counts_and_else_never_less_than_its_share() -> None:
    course, none = np.zeros(30, np.intp), np.zeros((0, 30), np.intp)
    assert scheduled_log_prior(course, -7.0, none) == -7.0
    far = np.full((1, 30), 5, np.intp)
    assert scheduled_log_prior(course, -7.0, far) == pytest.approx(-7.0 + np.log1p(-SCHEDULED), abs=1e-3)


@pytest.mark.parametrize("seed", [1, 6])
def test_an_accessory_is_found_through_many_changes_of_gear(seed: int) -> None:
    """Its line stands for a few seconds in each gear: only the habit of shifting binds them together."""
    scenario = Scenario(
        Drive("sweep", (36.0, 13.0, 35.0)),
        70.0,
        rate_hz=200.0,
        faults=(Fault("accessory:compressor", 1.0, 0.3),),
        road=Road(0.3),
        gps=Gps(),
    )
    test = road_test(VAN, scenario, np.random.default_rng(seed))
    assert np.count_nonzero(np.diff(test.truth.gear)) >= 5
    found = diagnose(as_recording(test), VAN)
    assert (found.suspects[0].part, found.suspects[0].order) == ("accessory:compressor", 1.0)
    assert found.suspects[0].probability > 0.6

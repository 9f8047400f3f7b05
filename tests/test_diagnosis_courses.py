"""Courses held against their speed source, and the steps that a converter's slip makes at shifts.

The figures follow from the definitions; slips of a few percent are common practice, no source.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.converter import SLIP_LOG_PRIOR, slips_by_gear, slips_log_prior
from vibeorder.diagnosis.courses import Followed, bound_to_source, straying_log_prior
from vibeorder.diagnosis.scan import Clock

FloatArray = NDArray[np.float64]
SECONDS = 60
FIX = Followed(fix_hz=0.02, late_s=0.2, share=0.001)
BY_EYE = Followed(fix_hz=0.0, late_s=0.0, share=0.008, slow_share=0.015)


def clock(rate_hz: FloatArray) -> Clock:
    """A nominal wheel with one frame a second."""
    mid_s = np.arange(SECONDS) + 0.5
    turns = np.concatenate([[0.0], np.cumsum(rate_hz)])
    epsilon = np.asarray(np.arange(-50, 51) * 0.001, np.float64)
    return Clock(turns, np.asarray(mid_s, float), rate_hz, epsilon, 160)


def course(further_hz: FloatArray) -> Course:
    """A course that runs ahead of the nominal wheel by so much in each second."""
    turns = np.concatenate([[0.0], np.cumsum(further_hz)])
    return Course(np.zeros(SECONDS), None, 0.0, turns, np.arange(SECONDS + 1.0), locked=True)


def test_a_speed_source_with_a_wrong_scale_alone_costs_nothing() -> None:
    held = np.full(SECONDS, 12.0)
    assert straying_log_prior(course(0.03 * held), clock(held), FIX) == 0.0


def test_a_line_that_moves_twice_as_far_as_the_speed_the_other_way_costs() -> None:
    """A folded order read as an unfolded one: the wheel would have to undo its own wander and do it again."""
    wander = 0.04 * np.sin(2.0 * np.pi * np.arange(SECONDS) / 25.0)
    rate = 12.0 + wander
    assert straying_log_prior(course(0.0 * wander), clock(rate), FIX) == 0.0
    assert straying_log_prior(course(-2.0 * wander), clock(rate), FIX) < -10.0


@given(st.floats(1.5, 6.0))
def test_straying_costs_by_the_logarithm_so_that_an_unknown_noise_cancels(times: float) -> None:
    """-n/2 ln m: twice the straying costs n ln 2 more, however much there is of it (by hand)."""
    rate = np.full(SECONDS, 12.0)
    stray = 0.2 * times * np.tile([1.0, 1.0, -1.0, -1.0], SECONDS // 4)
    once, twice = (straying_log_prior(course(k * stray), clock(rate), FIX) for k in (1.0, 2.0))
    steps = np.arange(0.0, SECONDS - 0.5 - 2.0, 2.0).size
    assert once - twice == pytest.approx(steps * np.log(2.0), rel=0.01)


def test_a_held_speed_that_hills_carry_off_for_half_a_minute_costs_little() -> None:
    """2% either way over 30 s: a driver without a speed control (common practice, no source)."""
    rate = np.full(SECONDS, 12.0)
    hill = 12.0 * 0.02 * np.sin(2.0 * np.pi * np.arange(SECONDS) / 60.0)
    assert straying_log_prior(course(hill), clock(rate), replace(BY_EYE, slow_share=0.0)) < -8.0
    assert straying_log_prior(course(hill), clock(rate), BY_EYE) > -1.0


def test_a_held_speed_that_jumps_about_from_second_to_second_still_costs() -> None:
    """Of four steps in a row three are free to differ from their mean (by hand)."""
    rate = np.full(SECONDS, 12.0)
    jumps = 12.0 * 0.03 * np.tile([1.0, 1.0, -1.0, -1.0], SECONDS // 4)
    before = straying_log_prior(course(jumps), clock(rate), replace(BY_EYE, slow_share=0.0))
    assert straying_log_prior(course(jumps), clock(rate), BY_EYE) == pytest.approx(0.75 * before, rel=0.15)


def test_a_course_that_follows_noise_is_drawn_back_to_its_source_and_keeps_its_scale() -> None:
    """Of steps of mean square m a share 1/m is the wheel's own (the regression of it on both, by hand)."""
    rate = np.full(SECONDS, 12.0)
    noise = np.random.default_rng(2).normal(0.0, 0.1, SECONDS)
    strays = course(0.01 * rate + noise)
    bound = bound_to_source(strays, clock(rate), FIX)
    assert bound is not None
    assert straying_log_prior(strays, clock(rate), FIX) < -20.0
    assert straying_log_prior(bound, clock(rate), FIX) == 0.0
    assert bound.turns[-1] / rate.sum() == pytest.approx(0.01, abs=0.001)
    left, before = (np.diff(one.turns - 0.01 * 12.0 * one.turns_s).std() for one in (bound, strays))
    assert 0.0 < left < 0.3 * before


def test_a_course_as_near_to_its_source_as_that_errs_is_left_alone() -> None:
    rate = np.full(SECONDS, 12.0)
    near = course(0.01 * rate + np.random.default_rng(2).normal(0.0, 0.02, SECONDS))
    assert bound_to_source(near, clock(rate), FIX) is None


def test_slip_that_differs_by_gear_is_taken_out_of_the_wheels_course() -> None:
    state = np.repeat([2, 3, 4], 20).astype(np.intp)
    wheel = 0.01 + 0.001 * np.sin(np.arange(SECONDS))
    slip = np.repeat([0.03, 0.018, 0.0], 20)
    found = slips_by_gear(wheel + slip, state, None)
    assert found is not None
    slips, left = found
    assert [slips[g] for g in (2, 3, 4)] == pytest.approx([0.03, 0.018, 0.0], abs=0.001)
    assert np.ptp(left) < 0.004


def test_an_engine_that_would_have_to_run_behind_its_wheels_is_no_converter() -> None:
    """A driving engine runs ahead of a converter's output, never behind (common practice, no source)."""
    state = np.repeat([1, 2], 30).astype(np.intp)
    line = np.repeat([-0.03, 0.0], 30)
    assert slips_by_gear(line, state, road=0.0) is None
    assert slips_by_gear(np.zeros(SECONDS), state, None) is None


def test_one_slip_in_several_gears_costs_once() -> None:
    assert slips_log_prior({1: 0.0, 2: 0.0}) == 0.0
    assert slips_log_prior({1: 0.03, 2: 0.03, 3: 0.0}) == SLIP_LOG_PRIOR
    assert slips_log_prior({1: 0.03, 2: 0.02}) < SLIP_LOG_PRIOR


def test_straying_where_nothing_was_recorded_costs_nothing() -> None:
    """In a gap a course is locked on no line: a fault on either side of a pause of the logger was lost by its noise."""
    rate = np.full(SECONDS, 12.0)
    inside = (np.arange(SECONDS) >= 20) & (np.arange(SECONDS) < 40)
    stray = 0.5 * np.tile([1.0, 1.0, -1.0, -1.0], SECONDS // 4)
    recorded = np.where(inside, 0.0, 1.0)
    paused = replace(clock(rate), there=recorded)
    assert straying_log_prior(course(inside * stray), clock(rate), FIX) < -10.0
    assert straying_log_prior(course(inside * stray), paused, FIX) == 0.0
    assert straying_log_prior(course(~inside * stray), paused, FIX) < -10.0

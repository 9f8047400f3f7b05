"""Without a speed: what it costs a course that the line it was made from folds, and how clear lines count.

A change of variables: of a line known to df the speed is known to v df / f_true. The figures follow from that.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from vibeorder.diagnosis.infer import SPEED_RANGE_MPS, _said_cost, _speed_log_prior
from vibeorder.diagnosis.nameless import _turns_back
from vibeorder.diagnosis.namings import Naming
from vibeorder.diagnosis.pursuit import Pursued
from vibeorder.speed.given import parse_speed_given
from vibeorder.units import MPH_MPS

FloatArray = NDArray[np.float64]
FRAMES = 60
LOW, HIGH = SPEED_RANGE_MPS


def log_prior(speed: FloatArray, line: FloatArray, seen: FloatArray) -> float:
    return _speed_log_prior(speed, LOW, HIGH, None, line, seen)


@given(st.floats(12.0, 45.0), st.sampled_from([200.0, 400.0]))
def test_at_a_held_speed_a_fold_costs_the_ratio_of_true_to_seen_frequency_once(
    seen_hz: float, rate: float
) -> None:
    held, seen = np.full(FRAMES, 25.0), np.full(FRAMES, seen_hz)
    cost = log_prior(held, seen, seen) - log_prior(held, rate + seen, seen)
    assert cost == pytest.approx(np.log((rate + seen_hz) / seen_hz))


def test_in_a_sweep_it_costs_that_ratio_at_each_of_three_speeds() -> None:
    seen = np.geomspace(15.0, 30.0, FRAMES)
    speed = np.geomspace(14.0, 28.0, FRAMES)
    cost = log_prior(speed, seen, seen) - log_prior(speed, 200.0 + seen, seen)
    thirds = [float(np.median(np.log((200.0 + part) / part))) for part in np.array_split(seen, 3)]
    assert cost == pytest.approx(sum(thirds))


def test_a_folded_line_that_sweeps_where_it_shows_has_three_speeds_however_little_they_differ() -> None:
    """From 15 to 30 Hz seen is from 215 to 230 Hz true: speeds that differ by 7% only, but no held speed."""
    seen = np.geomspace(15.0, 30.0, FRAMES)
    speed = 20.0 * (200.0 + seen) / 215.0
    held = np.full(FRAMES, 20.0)
    swept = log_prior(speed, 200.0 + seen, seen)
    once = log_prior(held, np.full(FRAMES, 222.0), np.full(FRAMES, 22.0))
    assert swept < once - 4.0


def naming(line_hz: FloatArray, visible: NDArray[np.bool_], rate_hz: float) -> Naming:
    """A course whose anchor's line has these true frequencies at one frame a second."""
    frame_s = np.asarray(np.arange(FRAMES) + 0.5, np.float64)
    times = np.arange(int(FRAMES * rate_hz)) / rate_hz
    turns = np.cumsum(np.interp(times, frame_s, line_hz)) / rate_hz
    none = np.zeros(FRAMES, np.intp)
    pursued = Pursued(0, none, none, none, np.ones(FRAMES), 0.0)
    empty = np.zeros(0)
    return Naming(
        pursued,
        turns,
        turns,
        frame_s,
        np.full(FRAMES, 10.0),
        none,
        np.ones(FRAMES),
        visible,
        (empty, empty, empty),
    )


def test_a_line_turns_back_at_half_the_rate_only_where_it_is_seen_to() -> None:
    rising = np.linspace(80.0, 125.0, FRAMES)
    seen = np.ones(FRAMES, bool)
    lost = np.abs(rising - 100.0) > 4.0
    assert _turns_back(naming(rising, seen, 200.0), 200.0) == 1
    assert _turns_back(naming(rising, lost, 200.0), 200.0) == 0
    assert _turns_back(naming(rising, seen, 400.0), 400.0) == 0


def said(slow: float, fast: float, text: str, whole: bool = True) -> float:
    """What a course from slow to fast [mph] loses by a range that was said, against one that runs from end to end."""
    given_range = parse_speed_given(text)
    low, high = given_range.low_mps / 1.02, given_range.high_mps / 1.02
    cost = _said_cost(slow * MPH_MPS, fast * MPH_MPS, given_range, whole)
    return cost - _said_cost(low, high, given_range, whole)


def test_a_course_that_keeps_away_from_an_end_that_was_said_loses_much_but_not_all() -> None:
    """Invented drives; 6% a standard deviation, 25 at most: judgements."""
    assert said(44.0, 68.0, "45-69 mph") < 0.1
    assert said(47.5, 65.0, "45-69 mph") < 2.0
    assert said(45.0, 58.0, "45-69 mph") > 3.0
    assert said(64.0, 65.0, "45-69 mph") > 15.0
    assert said(20.0, 21.0, "45-69 mph") == pytest.approx(25.0)


def test_a_part_of_the_drive_need_not_reach_both_ends() -> None:
    assert said(64.0, 65.0, "45-69 mph", whole=False) == pytest.approx(6.0)


def test_from_rest_the_slowest_that_is_seen_may_be_three_times_walking_pace() -> None:
    assert said(15.0, 61.0, "from rest to 62 mph") < 0.1
    assert said(55.0, 61.0, "from rest to 62 mph") == pytest.approx(6.0, abs=0.1)
    assert said(15.0, 35.0, "from rest to 62 mph") > 15.0

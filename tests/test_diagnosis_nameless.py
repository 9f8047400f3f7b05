"""Without a speed a strong line that brings nothing with it need not be any listed part's.

Invented data; what is checked follows from the statement itself (a part's line is there whenever the part turns), no
published source.
"""

import numpy as np
import pytest
from compare_examples import recording_of

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.nameless import _steadiness
from vibeorder.recording import Recording
from vibeorder.vehicle import parse_vehicle

RATE_HZ, SECONDS = 200.0, 60.0
BARE = parse_vehicle(
    {"vehicle": {"name": "Northwind hauler", "layout": "fwd"}, "tire": {"circumference_mm": 2100}}
)


def wandering(seed: int, comes_and_goes: bool) -> Recording:
    """A line at 14 Hz that wanders by a tenth, steady in strength or there for half of the time only."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    hz = 14.0 + 1.4 * np.sin(2.0 * np.pi * t / 45.0)
    there = (np.sin(2.0 * np.pi * t / 15.0) > 0.0) if comes_and_goes else np.ones(t.size)
    line = 0.35 * there * np.sin(2.0 * np.pi * np.cumsum(hz) / RATE_HZ)
    samples = 0.25 * rng.standard_normal((3, t.size)) + np.outer([0.3, 0.2, 1.0], line)
    return recording_of(samples, RATE_HZ)


def test_a_line_seen_always_is_a_part_and_one_that_comes_and_goes_may_be_none() -> None:
    assert _steadiness(1.0) > 2.0
    assert _steadiness(0.6) < -2.0
    assert _steadiness(0.6) == pytest.approx(_steadiness(0.2), abs=0.1)


def test_where_the_engine_cannot_be_placed_a_lone_line_is_not_pinned_on_a_wheel() -> None:
    found = diagnose(wandering(1, comes_and_goes=True), BARE)
    assert found.suspects[0].probability < 0.5
    assert not found.runout_check.warranted


def test_a_line_that_comes_and_goes_leaves_more_to_nothing_than_one_that_stays() -> None:
    stays = diagnose(wandering(2, comes_and_goes=False), BARE)
    comes = diagnose(wandering(2, comes_and_goes=True), BARE)
    assert comes.nothing_found_probability > stays.nothing_found_probability

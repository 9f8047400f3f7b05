"""Without a speed a strong line that brings nothing with it need not be any listed part's.

Invented data; what is checked follows from the statement itself (a part's line is there whenever the part turns), no
published source.
"""

from dataclasses import replace

import numpy as np
import pytest
from compare_examples import recording_of

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.nameless import _steadiness
from vibeorder.recording import Recording
from vibeorder.simulate import Drive, Fault, Road, Scenario, as_recording, road_test
from vibeorder.speed.given import parse_speed_given
from vibeorder.vehicle import parse_vehicle

RATE_HZ, SECONDS = 200.0, 60.0
BARE = parse_vehicle(
    {"vehicle": {"name": "Northwind hauler", "layout": "fwd"}, "tire": {"circumference_mm": 2100}}
)
TRUCK = parse_vehicle(
    {
        "vehicle": {"name": "Northwind truck", "layout": "rwd"},
        "tire": {"circumference_mm": 2200},
        "axle": {"ratio": 3.55},
        "transmission": {"gears": [4.0, 2.34, 1.5, 1.13, 0.84, 0.66]},
        "engine": {"cylinders": 6},
    }
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


def test_a_line_that_comes_and_goes_leaves_more_to_nothing_than_one_that_stays() -> None:
    stays = diagnose(wandering(2, comes_and_goes=False), BARE)
    comes = diagnose(wandering(2, comes_and_goes=True), BARE)
    assert comes.nothing_found_probability > stays.nothing_found_probability


def test_a_drive_said_to_begin_at_rest_is_followed_from_there() -> None:
    # common practice, no source: one pulls away through the gears, and the shake comes with speed
    test = road_test(
        TRUCK,
        Scenario(
            drive=Drive(
                "sweep", (2.0, 12.0, 20.0, 26.0), ((0.0, 1), (8.0, 2), (16.0, 3), (28.0, 4), (40.0, 5))
            ),
            duration_s=60.0,
            rate_hz=200.0,
            faults=(Fault("driveshaft", 2.0, 0.3),),
            road=Road(level_mps2=0.3),
            gps=None,
        ),
        np.random.default_rng(2),
    )
    said = parse_speed_given("from rest to 60 mph")
    assert said.from_rest and said == replace(parse_speed_given("0 to 60 mph"), text=said.text)
    found = diagnose(as_recording(test, gps=False), TRUCK, speed=said)
    assert (found.suspects[0].part, found.suspects[0].order) == ("driveshaft", 2.0)
    assert found.speed.speed_mps[0] < 5.0
    assert found.speed.speed_mps[-1] == pytest.approx(26.0, rel=0.03)

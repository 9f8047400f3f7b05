"""A real, healthy minute in traffic (open data, MIT; see the data's own PROVENANCE.md): nothing in it is blamed,
and an order added to it comes first.

The vehicle: compact, front drive, single-speed hybrid transaxle, tire outside diameter about 0.72 m (from that
file); rolling circumference 3.05 x diameter (ETRTO convention, value from memory).
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from diagnosis_examples import SHARED, group_probability, key

from vibeorder.diagnosis import diagnose
from vibeorder.recording import Recording, Trace, read_recording
from vibeorder.speed.logged import read_speed_log
from vibeorder.vehicle import parse_vehicle

ACCELERATION = SHARED / "redistributable" / "road_drive_accel.csv"
WHEEL_SPEED = SHARED / "redistributable" / "road_drive_wheel_speed.csv"
pytestmark = pytest.mark.skipif(
    not (ACCELERATION.is_file() and WHEEL_SPEED.is_file()),
    reason="the real drive lies beside the checkout (shared/data/redistributable) and is not here",
)
UTILITY = parse_vehicle(
    {
        "vehicle": {"name": "compact utility vehicle", "layout": "fwd"},
        "tire": {"diameter_mm": 720.0},
        "axle": {"ratio": 3.5},
    }
)
CIRCUMFERENCE_M = 3.05 * 0.72


@lru_cache(maxsize=1)
def drive() -> tuple[Recording, Trace]:
    speed = read_speed_log(WHEEL_SPEED)
    return read_recording(ACCELERATION), replace(speed, lag_s=0.0)  # the car's own clock stamps both


def with_order(order: float, rms_mps2: float) -> Recording:
    """The drive with a line at `order` per wheel turn added, up and forward, growing with nothing."""
    recording, speed = drive()
    times = recording.start_s + np.arange(recording.samples.shape[1]) / recording.rate_hz
    wheel_hz = np.interp(times, speed.times_s, speed.values) / CIRCUMFERENCE_M
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (wheel_hz[1:] + wheel_hz[:-1])) / recording.rate_hz])
    line = 2**0.5 * rms_mps2 * np.cos(2.0 * np.pi * order * turns)
    direction = np.array([0.4, 0.2, 0.9])
    added = direction[:, None] / np.linalg.norm(direction) * line
    return replace(recording, samples=(recording.samples + added) * recording.valid)


def test_nothing_is_blamed_in_the_healthy_minute() -> None:
    recording, speed = drive()
    result = diagnose(recording, UTILITY, speed=speed)
    assert all(group_probability(result, s) < 0.5 for s in result.suspects)
    assert result.nothing_found_probability > 0.5
    assert not result.runout_check.warranted


@pytest.mark.parametrize(
    ("part", "order"), [("tire_wheel", 1.0), ("tire_wheel", 2.0), ("half_shaft", 3.0), ("tire_wheel", 4.0)]
)
def test_an_order_added_at_three_tenths_comes_first(part: str, order: float) -> None:
    _, speed = drive()
    result = diagnose(with_order(order, 0.3), UTILITY, speed=speed)
    first = result.suspects[0]
    assert key(first) == (part, order)
    assert group_probability(result, first) > 0.9
    assert first.amplitude_rms == pytest.approx(0.3, rel=0.15)


def test_an_order_added_at_a_hundredth_is_not_a_complaint() -> None:
    _, speed = drive()
    result = diagnose(with_order(1.0, 0.01), UTILITY, speed=speed)
    assert result.nothing_found_probability > 0.5


def test_a_resonance_that_stays_put_is_not_blamed_on_a_part() -> None:
    # 11 Hz throughout, as an axle hops or an engine shakes on its mounts, whatever the speed does
    recording, speed = drive()
    times = np.arange(recording.samples.shape[1]) / recording.rate_hz
    fixed = np.array([[0.0], [0.0], [0.3 * 2**0.5]]) * np.cos(2.0 * np.pi * 11.0 * times)
    result = diagnose(replace(recording, samples=recording.samples + fixed), UTILITY, speed=speed)
    assert all(group_probability(result, s) < 0.5 for s in result.suspects)

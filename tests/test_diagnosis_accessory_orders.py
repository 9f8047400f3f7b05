"""An accessory's line with its double and triple, three hundredths beside a joint's third, sixth and ninth order.

Invented data: a pump at 2.93 turns a turn of the wheel, a speed log that reads a little high. That a bent pulley
shakes at twice and three times its rate as well is common practice, no source.
"""

import numpy as np
from compare_examples import recording_of
from numpy.typing import NDArray

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.candidates import candidates_of, read_beside
from vibeorder.recording.model import Trace
from vibeorder.speed.given import parse_speed_given
from vibeorder.vehicle import parse_vehicle

FloatArray = NDArray[np.float64]
RATE_HZ, SECONDS, CIRCUMFERENCE_M = 200.0, 80.0, 2.0
TRUCK = parse_vehicle(
    {
        "vehicle": {"name": "Fernhill yard truck", "layout": "fwd"},
        "tire": {"circumference_mm": 1000.0 * CIRCUMFERENCE_M},
        "engine": {"cylinders": 6},
        "axle": {"ratio": 3.65},
        "transmission": {"gears": [1.4, 1.0, 0.57]},
        "accessory": [{"name": "steering pump", "ratio": 1.41}],
    }
)
PER_WHEEL = 3.65 * 0.57 * 1.41


def line(per_wheel: float, rms: float, wheel_hz: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(2.0) * rms * np.sin(2.0 * np.pi * per_wheel * np.cumsum(wheel_hz) / RATE_HZ))


def test_an_accessorys_double_and_triple_speak_for_it_as_a_joints_do_for_the_joint() -> None:
    at = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    wheel_hz = 12.0 + 2.5 * np.sin(2.0 * np.pi * at / SECONDS)
    samples = 0.12 * np.random.default_rng(5).standard_normal((3, at.size))
    for times, rms in ((1.0, 0.18), (2.0, 0.03), (3.0, 0.02)):
        samples += np.outer([0.3, 0.2, 0.93], line(times * PER_WHEEL, rms, wheel_hz))
    speed = 1.012 * CIRCUMFERENCE_M * wheel_hz
    logged = Trace(at[::200], speed[::200], "position", "m/s", lag_s=0.0)
    found = diagnose(recording_of(samples, RATE_HZ), TRUCK, speed=logged, gear=3)
    assert found.mismatch is None
    assert found.suspects[0].part == "accessory:steering pump"
    assert found.suspects[0].probability > 0.8


def test_with_a_logged_speed_an_accessorys_upper_orders_are_read_with_a_held_one_only_a_joints() -> None:
    own = candidates_of(TRUCK)
    log = Trace(np.arange(3.0), np.full(3, 20.0), "position", "m/s")
    for given, parts in (
        (log, {"half_shaft", "accessory:steering pump"}),
        (parse_speed_given("60 mph"), {"half_shaft"}),
    ):
        assert {c.part for c in read_beside("acceleration", own, TRUCK, given)} == parts
    assert "engine" in {c.part for c in read_beside("acceleration", own, TRUCK, None)}

"""A drive that rolls out of gear: the engine's lines are looked for at its idle, whatever the wheels do.

Invented data. That an engine out of gear idles at a rate of its own, somewhere from 510 to 1080 rpm, while the vehicle
slows down is common practice, no source.
"""

import numpy as np
import pytest
from compare_examples import recording_of
from numpy.typing import NDArray

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.diagnosis.coasting import falling_window
from vibeorder.diagnosis.scan import Clock
from vibeorder.recording.model import Trace
from vibeorder.vehicle import parse_vehicle

FloatArray = NDArray[np.float64]
RATE_HZ, HELD_S, FALLS_S = 200.0, 24.0, 40.0
IDLE_HZ, CIRCUMFERENCE_M = 12.4, 2.0
CAR = parse_vehicle(
    {
        "vehicle": {"name": "Northwind coupe", "layout": "rwd"},
        "tire": {"circumference_mm": 1000.0 * CIRCUMFERENCE_M},
        "engine": {"cylinders": 4},
        "axle": {"ratio": 3.4},
        "transmission": {"gears": [1.4, 1.0, 0.8]},
    }
)
IN_GEAR = 3.4 * 0.8
AXES = np.array([0.3, 0.2, 0.93])


def at() -> FloatArray:
    return np.arange(round(RATE_HZ * (HELD_S + FALLS_S))) / RATE_HZ


def speed() -> FloatArray:
    """Held, then rolling: a tenth of g/4 is lost to air and tires."""
    return np.asarray(28.4 - 0.25 * np.maximum(at() - HELD_S, 0.0))


def line(hz: FloatArray, rms: float) -> FloatArray:
    return np.asarray(np.sqrt(2.0) * rms * np.sin(2.0 * np.pi * np.cumsum(hz) / RATE_HZ))


def coasting(*lines: tuple[FloatArray, float]) -> Diagnosis:
    rng = np.random.default_rng(2)
    wheel = speed() / CIRCUMFERENCE_M
    samples = 0.12 * rng.standard_normal((3, at().size))
    for hz, rms in ((wheel, 0.04), (2.0 * wheel, 0.02), *lines):
        samples += np.outer(AXES, line(hz, rms))
    logged = Trace(at()[::200], speed()[::200], "position", "m/s", lag_s=0.0)
    return diagnose(recording_of(samples, RATE_HZ), CAR, speed=logged)


def engine() -> FloatArray:
    """Turns a second: in the top gear while the speed is held, at idle afterwards."""
    return np.where(at() < HELD_S, IN_GEAR * speed() / CIRCUMFERENCE_M, IDLE_HZ)


@pytest.mark.parametrize(("order", "rms"), [(0.5, 0.3), (2.0, 0.3)])
def test_an_engine_order_goes_on_at_idle_out_of_gear(order: float, rms: float) -> None:
    found = coasting((order * engine(), rms), (engine(), 0.02), (1.5 * engine(), 0.01))
    top = found.suspects[0]
    assert (top.part, top.order) == ("engine", order)
    assert top.probability > 0.8
    assert top.frequency_hz == pytest.approx(order * IDLE_HZ, abs=0.05)
    assert top.expected_hz is None
    assert any("744 rpm" in said or "745 rpm" in said or "743 rpm" in said for said in found.speed.sentences)


def test_a_healthy_engine_at_idle_is_not_blamed() -> None:
    found = coasting((2.0 * engine(), 0.05), (engine(), 0.02), (0.5 * engine(), 0.02))
    assert found.nothing_found_probability > 0.8


def test_a_tone_that_goes_on_in_gear_is_no_idle() -> None:
    found = coasting((np.full(at().size, 2.0 * IDLE_HZ), 0.3))
    blamed = sum(one.probability for one in found.suspects if one.part == "engine")
    assert blamed < 0.5


def test_a_tire_is_found_all_the_same() -> None:
    found = coasting((speed() / CIRCUMFERENCE_M, 0.3), (2.0 * engine(), 0.05), (engine(), 0.02))
    assert (found.suspects[0].part, found.suspects[0].order) == ("tire_wheel", 1.0)
    assert found.suspects[0].probability > 0.8


@pytest.mark.parametrize(
    ("rate_hz", "found"),
    [
        (np.full(60, 12.0), False),
        (np.linspace(8.0, 14.0, 60), False),
        (np.concatenate([np.full(20, 13.0), np.linspace(13.0, 9.0, 40)]), True),
        (np.concatenate([np.full(50, 13.0), np.linspace(13.0, 12.0, 6), np.full(20, 12.0)]), False),
    ],
)
def test_only_a_long_fall_of_the_speed_may_be_out_of_gear(rate_hz: FloatArray, found: bool) -> None:
    clock = Clock(
        np.zeros(0), np.asarray(np.arange(rate_hz.size) + 0.5, float), rate_hz, np.array([0.0, 0.001]), 2
    )
    window = falling_window(clock)
    assert (window is not None) == found
    if window is not None:
        assert 19.0 < window.first_s < 24.0
        assert window.last_s > 56.0


def test_a_stretch_that_begins_between_two_frames_of_a_falling_speed_is_looked_at_from_its_own_start() -> (
    None
):
    """The second of a long drive's stretches: its first frame lies half in the one before."""
    rate_hz = np.linspace(13.0, 9.0, 40)
    clock = Clock(
        np.zeros(0), np.asarray(np.arange(rate_hz.size) + 0.3, float), rate_hz, np.array([0.0, 0.001]), 2
    )
    window = falling_window(clock)
    assert window is not None
    assert window.first_s == 0.0

"""Noise that rises in a narrow hump about a line speaks for something loose there; a body's broad mode does not.

Invented data. The response of one mode, 1 / (1 - u^2 + iu/Q), is from any textbook on vibration (from memory).
"""

import numpy as np
import pytest
from compare_examples import recording_of
from numpy.typing import NDArray

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.floor import floor_of
from vibeorder.diagnosis.humps import MOST_BY_HUMP, hump_log_odds
from vibeorder.diagnosis.signal import Signal
from vibeorder.recording.model import Trace
from vibeorder.vehicle import parse_vehicle

FloatArray = NDArray[np.float64]
RATE_HZ, SECONDS = 100.0, 90.0
CAR = parse_vehicle(
    {"vehicle": {"name": "Northwind wagon", "layout": "fwd"}, "tire": {"circumference_mm": 2000}}
)
WHEEL_HZ = 10.8
AXES = np.array([0.3, 0.2, 0.93])


def through_mode(samples: FloatArray, hz: float, quality: float, share: float) -> FloatArray:
    """Samples with what a mode at `hz` adds to them; share: of the mode's own response."""
    spectrum = np.fft.rfft(samples)
    u = np.fft.rfftfreq(samples.size, 1.0 / RATE_HZ) / hz
    return np.asarray(np.fft.irfft(spectrum * (1.0 + share / (1.0 - u**2 + 1j * u / quality)), samples.size))


def road(quality: float | None, share: float, seed: int = 5) -> FloatArray:
    rng = np.random.default_rng(seed)
    flat = 0.1 * rng.standard_normal((3, round(RATE_HZ * SECONDS)))
    along = AXES @ flat
    if quality is None:
        return np.asarray(flat)
    return np.asarray(flat + np.outer(AXES, through_mode(along, 2.0 * WHEEL_HZ, quality, share) - along))


def odds(samples: FloatArray) -> float:
    signal = Signal(samples.astype(np.float32), np.ones(samples.shape[1], bool), RATE_HZ, False)
    return hump_log_odds(floor_of(signal), 2.0 * WHEEL_HZ)


def test_a_narrow_hump_speaks_for_something_loose_and_a_broad_mode_or_none_does_not() -> None:
    assert 2.0 < odds(road(40.0, 1.0)) <= MOST_BY_HUMP
    assert odds(road(5.0, 0.4)) < 0.0
    assert odds(road(None, 0.0)) < 0.0


@pytest.mark.parametrize("hump", [False, True])
def test_a_line_in_a_narrow_hump_is_doubted(hump: bool) -> None:
    times = np.arange(round(RATE_HZ * SECONDS)) / RATE_HZ
    line = np.sqrt(2.0) * 0.35 * np.sin(2.0 * np.pi * 2.0 * WHEEL_HZ * times)
    samples = road(40.0 if hump else None, 1.0) + np.outer(AXES, line)
    logged = Trace(np.arange(0.0, SECONDS, 1.0), np.full(90, 2.0 * WHEEL_HZ), "position", "m/s", lag_s=0.0)
    found = diagnose(recording_of(samples, RATE_HZ), CAR, speed=logged)
    assert (found.suspects[0].part, found.suspects[0].order) == ("tire_wheel", 2.0)
    assert (found.nothing_found_probability > 0.25) == hump


def test_a_sound_line_that_runs_through_what_is_loose_is_not_blamed() -> None:
    times = np.arange(round(RATE_HZ * SECONDS)) / RATE_HZ
    wheel_hz = np.interp(times, [0.0, 10.0, 75.0, 90.0], [7.0, 7.0, 13.0, 13.0])
    shake = np.sqrt(2.0) * 0.04 * np.sin(4.0 * np.pi * np.cumsum(wheel_hz) / RATE_HZ)  # as a sound tire's
    flat = 0.1 * np.random.default_rng(5).standard_normal((3, times.size))
    along = AXES @ flat + shake
    samples = flat + np.outer(AXES, through_mode(along, 23.0, 40.0, 1.0) - AXES @ flat)
    stamps = np.arange(0.0, SECONDS, 1.0)
    speed = 2.0 * np.interp(stamps, times, wheel_hz)
    found = diagnose(
        recording_of(samples, RATE_HZ), CAR, speed=Trace(stamps, speed, "position", "m/s", lag_s=0.0)
    )
    assert found.nothing_found_probability > 0.5

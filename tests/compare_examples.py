"""Drives made of a few sines and white noise, whose levels are known exactly."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from report_examples import bent_flange

from vibeorder.diagnosis.compare import Drive
from vibeorder.diagnosis.result import SpeedFit
from vibeorder.recording import Quality, Recording
from vibeorder.vehicle import Vehicle, parse_vehicle

__all__ = ["NOISE", "TRUCK", "drive", "recording_of", "speed_fit"]

FloatArray = NDArray[np.float64]

TRUCK: Vehicle = parse_vehicle(
    {
        "vehicle": {"name": "invented truck", "layout": "rwd"},
        "tire": {"size": "275/65R18"},
        "axle": {"ratio": 3.73},
        "transmission": {"gears": [4.62, 3.02, 2.06, 1.63, 1.27, 1.00, 0.83, 0.66]},
        "engine": {"cylinders": 8},
    }
)
NOISE = 0.3


def recording_of(samples: FloatArray, rate_hz: float, **more: Any) -> Recording:
    """A recording without gaps, in m/s^2 unless said otherwise."""
    count = samples.shape[1]
    given: dict[str, Any] = {
        "unit": "m/s^2",
        "kind": "acceleration",
        "channels": tuple("xyz"[: samples.shape[0]]),
        "valid": np.ones(count, np.bool_),
        "source": "made",
    }
    return Recording(samples, rate_hz, quality=Quality(rate_hz, rate_hz), **(given | more))


def speed_fit(speed_mps: FloatArray, gear: int | None = 7, **more: Any) -> SpeedFit:
    """A course of one value a second, known to 0.1%."""
    times = np.arange(float(speed_mps.size)) + 0.5
    given: dict[str, Any] = {
        "source": "logged",
        "scale": 1.0,
        "scale_se": 0.001,
        "lag_s": None,
        "unit": "mph",
    }
    return SpeedFit(
        times_s=times, speed_mps=speed_mps, low_mps=speed_mps, high_mps=speed_mps, gear=gear, **(given | more)
    )


def drive(
    rms: float,
    seed: int,
    *,
    speed_mps: float | tuple[float, float] = 27.0,
    seconds: int = 40,
    multiple: float = 3.73,
    noise: float = NOISE,
    rate_hz: float = 200.0,
    gear: int | None = 7,
    tilt_deg: float = 0.0,
    axes: int = 3,
    **more: Any,
) -> Drive:
    """A drive with one line (vector rms, `multiple` per wheel turn) in white noise, and gravity."""
    rng = np.random.default_rng(seed)
    low, high = (speed_mps, speed_mps) if isinstance(speed_mps, float) else speed_mps
    course = np.linspace(low, high, seconds)
    at = np.arange(int(seconds * rate_hz)) / rate_hz
    wheel = np.interp(at, np.arange(seconds) + 0.5, course) / TRUCK.tire.circumference_m
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (wheel[1:] + wheel[:-1]))]) / rate_hz * multiple
    samples = noise * rng.normal(size=(axes, at.size))
    samples[0] += np.sqrt(2.0) * rms * np.cos(2.0 * np.pi * turns + rng.uniform(0.0, 6.0))
    if axes == 3:
        tilt = np.radians(tilt_deg)
        samples += 9.80665 * np.array([[0.0], [np.sin(tilt)], [np.cos(tilt)]])
    return Drive(
        recording_of(samples, rate_hz, **more), replace(bent_flange(), speed=speed_fit(course, gear))
    )

"""Road speed, gears, slip: the rate of every shaft against time."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import SpeedError, VehicleError
from vibeorder.simulate.model import Drive, Scenario
from vibeorder.vehicle import Vehicle, engine_ratio

__all__ = ["IDLE_HZ", "DrivePath", "drive_path", "slow_walk"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

GRID_HZ = 200.0
IDLE_HZ = 700.0 / 60.0
"""Engine speed in neutral and at a stop (common practice, no source)."""

# An automatic's shift points: an upshift must land above the first, a downshift is made below the second.
# The gap is wider than scatter, so that it does not hunt. Common practice, no source.
UPSHIFT_LANDS_HZ = 1550.0 / 60.0
DOWNSHIFT_BELOW_HZ = 1250.0 / 60.0
SHORTEST_STAY_S = 3.0
TIRE_SCALE_SD = 0.01
TIRE_SCALE_CUT = 0.025


@dataclass(frozen=True, slots=True)
class DrivePath:
    """Rates on a uniform grid; engine_hz is zero without an engine, gear 0 in neutral."""

    times_s: FloatArray
    speed_mps: FloatArray
    wheel_hz: FloatArray
    engine_hz: FloatArray
    gear: IntArray
    tire_scale: float


def drive_path(vehicle: Vehicle, scenario: Scenario, rng: np.random.Generator) -> DrivePath:
    """Drive the vehicle: speed with wobble and drift, gears with slides, converter slip, idle as a floor.

    Raises SpeedError where the drive's speeds are missing or negative, VehicleError where a gear is unknown.
    """
    drive = scenario.drive
    _check(drive, vehicle)
    times = np.arange(0.0, scenario.duration_s + 2.0 / GRID_HZ, 1.0 / GRID_HZ)
    speed = _planned_speed(drive, times, scenario.duration_s)
    speed = speed * np.exp(drive.wobble * slow_walk(rng, times, 3.0))
    if drive.drift:
        wander = slow_walk(rng, times, 20.0)
        speed = speed * (1.0 + drive.drift * wander / max(1.0, float(np.abs(wander).max())))
    scale = scenario.tire_scale
    drawn = 1.0 + float(np.clip(rng.normal(0.0, TIRE_SCALE_SD), -TIRE_SCALE_CUT, TIRE_SCALE_CUT))
    scale = drawn if scale is None else scale
    wheel = speed / (vehicle.tire.circumference_m * scale)
    gear, engine = _engine(vehicle, scenario, times, wheel, rng)
    return DrivePath(times, speed, wheel, engine, gear, scale)


def slow_walk(rng: np.random.Generator, times_s: FloatArray, memory_s: float) -> FloatArray:
    """A smooth random course of standard deviation 1 that forgets itself within about memory_s."""
    from scipy.interpolate import CubicSpline
    from scipy.signal import lfilter

    step = memory_s / 6.0
    knots = np.arange(times_s[0], times_s[-1] + 4.0 * step, step)
    keep = np.exp(-step / memory_s)
    white = rng.normal(size=knots.size) * np.sqrt(1.0 - keep**2)
    white[0] /= np.sqrt(1.0 - keep**2)
    walk: FloatArray = CubicSpline(knots, lfilter([1.0], [1.0, -keep], white))(times_s)
    return walk


def _check(drive: Drive, vehicle: Vehicle) -> None:
    if drive.kind == "stand":
        if not vehicle.has_engine:
            raise VehicleError(f"{vehicle.name} has no engine to run at a standstill")
        if drive.engine_rpm <= 0.0:
            raise SpeedError(f"standing still needs an engine speed above 0 rpm, not {drive.engine_rpm:g}")
        return
    if not drive.speeds_mps or min(drive.speeds_mps) < 0:
        raise SpeedError(f"a {drive.kind} drive needs speeds of 0 m/s or more, not {drive.speeds_mps}")
    if drive.kind != "stop_and_go" and max(drive.speeds_mps) == 0:
        raise SpeedError(f"a {drive.kind} drive needs at least one speed above 0 m/s")


def _planned_speed(drive: Drive, times: FloatArray, duration_s: float) -> FloatArray:
    from scipy.interpolate import PchipInterpolator

    if drive.kind == "stand":
        return np.zeros(times.size)
    knots = np.asarray(drive.speeds_mps, float)
    if drive.kind == "stop_and_go":
        return _stop_and_go(knots, times, duration_s)
    if drive.kind == "steady" or knots.size == 1:
        return np.full(times.size, knots[0])
    at = np.linspace(0.0, times[-1], knots.size)
    planned: FloatArray = PchipInterpolator(at, knots)(times)
    return planned


def _stop_and_go(tops: FloatArray, times: FloatArray, duration_s: float) -> FloatArray:
    """Pull away, hold, brake, stand: 35, 30, 20 and 15% of each cycle."""
    from scipy.interpolate import PchipInterpolator

    cycle = duration_s / tops.size
    at, speed = [0.0], [0.0]
    for i, top in enumerate(tops):
        at += [(i + share) * cycle for share in (0.35, 0.65, 0.85, 1.0)]
        speed += [top, top, 0.0, 0.0]
    planned: FloatArray = np.maximum(PchipInterpolator(at, speed)(np.minimum(times, at[-1])), 0.0)
    return planned


def _engine(
    vehicle: Vehicle, scenario: Scenario, times: FloatArray, wheel: FloatArray, rng: np.random.Generator
) -> tuple[IntArray, FloatArray]:
    if not vehicle.has_engine:
        return np.zeros(times.size, np.int64), np.zeros(times.size)
    drive, converter = scenario.drive, scenario.converter
    if drive.kind == "stand":
        held = drive.engine_rpm / 60.0 * np.exp(drive.wobble * slow_walk(rng, times, 3.0))
        return np.zeros(times.size, np.int64), held
    neutral = ((0.0, 0),)
    changes = drive.gears or (neutral if drive.kind == "coast" else _automatic(vehicle, times, wheel, rng))
    idle = IDLE_HZ * np.exp(0.005 * slow_walk(rng, times, 4.0))
    slow = 1.0 + 0.2 * np.tanh(slow_walk(rng, times, 5.0))
    slips = converter.slip * rng.uniform(0.3, 0.8, len(vehicle.gears) + 1)

    def running(number: int) -> FloatArray:
        if number == 0:
            return np.log(idle)
        slip = slips[number] * slow if number <= converter.open_through_gear else 0.0
        return np.log(np.maximum(wheel * engine_ratio(vehicle, number) * (1.0 + slip), idle))

    engine = running(changes[0][1])
    gear = np.full(times.size, changes[0][1], np.int64)
    for at, number in changes[1:]:
        done = np.clip((times - at) / drive.slide_s + 0.5, 0.0, 1.0)
        engine = (1.0 - done) * engine + done * running(number)
        gear[times >= at] = number
    return gear, np.exp(engine)


def _automatic(
    vehicle: Vehicle, times: FloatArray, wheel: FloatArray, rng: np.random.Generator
) -> tuple[tuple[float, int], ...]:
    if not vehicle.gears:
        raise VehicleError(f"{vehicle.name} has no gears to drive in; give its gear ratios")
    eager = float(np.exp(rng.normal(0.0, 0.15)))
    up, down = UPSHIFT_LANDS_HZ * eager, DOWNSHIFT_BELOW_HZ * eager
    gears = tuple(engine_ratio(vehicle, number) for number in range(1, len(vehicle.gears) + 1))
    high_enough = [i for i, ratio in enumerate(gears, 1) if wheel[0] * ratio >= up]
    number = max(high_enough, default=1)
    changes = [(0.0, number)]
    stride = int(0.25 * GRID_HZ)
    for at, rate in zip(times[::stride], wheel[::stride], strict=True):
        if at - changes[-1][0] < SHORTEST_STAY_S:
            continue
        if number < len(gears) and rate * gears[number] > up:
            number += 1
        elif number > 1 and rate * gears[number - 1] < down:
            number -= 1
        else:
            continue
        changes.append((float(at), number))
    return tuple(changes)

"""The road test itself, and which sources its truth cannot tell apart."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.simulate.drive import DrivePath, drive_path
from vibeorder.simulate.lines import part_rates, source_keys, true_lines
from vibeorder.simulate.model import RoadTest, Scenario, Source, TrueLine, Truth
from vibeorder.simulate.sensor import gps_trace, log_acceleration, random_rotation, record_audio
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Vehicle, firing_order

__all__ = ["road_test", "truth_group"]

FloatArray = NDArray[np.float64]

# Two lines closer than this are one peak in a spectrum of 4 s: 1.5 bins.
INSEPARABLE_HZ = 1.5 / 4.0
INSEPARABLE_SHARE = 0.8
RATES_HZ = {"acceleration": (50.0, 1000.0), "audio": (8000.0, 48000.0)}


def road_test(vehicle: Vehicle, scenario: Scenario, rng: np.random.Generator) -> RoadTest:
    """Drive `vehicle` through `scenario` and log it.

    The same generator state gives the same road test; drive, lines, road, sensor and GPS draw from their
    own generators, so that changing one part of the scenario leaves the others as they were.
    Raises RecordingError for a rate or duration that no sensor has; SpeedError, VehicleError for the drive.
    """
    _check(scenario)
    drive_rng, line_rng, pose_rng, sensor_rng, gps_rng, dash_rng, belt_rng = rng.spawn(7)
    path = drive_path(vehicle, scenario, drive_rng)
    rates = part_rates(vehicle, path, belt_rng)
    lines = true_lines(vehicle, scenario, path, rates, line_rng)
    pose = random_rotation(pose_rng) if scenario.random_orientation else np.eye(3)
    if scenario.sensor == "audio":
        times, samples = record_audio(scenario, path, lines, sensor_rng, firing_order(vehicle))
    else:
        times, samples = log_acceleration(scenario, path, lines, pose, sensor_rng)
    gps, lag = gps_trace(scenario.gps, path, gps_rng) if scenario.gps else (None, None)
    reads_high = 1.0 + float(dash_rng.uniform(0.0, 0.04))
    low, high, text = _dash(path, scenario, reads_high)
    truth = _truth(vehicle, path, rates, lines, pose, reads_high, lag)
    return RoadTest(vehicle, scenario, times, samples, gps, (low, high), text, truth)


def truth_group(test: RoadTest) -> tuple[Source, ...]:
    """Sources whose true line keeps within 1.5 / 4 s of the strongest fault's in 80% of the record.

    The fault itself comes first; empty for a healthy vehicle.
    """
    fault = test.truth.fault
    if fault is None:
        return ()
    own = (fault.part, fault.order)
    others = [source for source in test.truth.sources if source != own]
    close = [
        source
        for source in others
        if np.mean(np.abs(test.truth.frequency_hz(*source) - fault.frequency_hz) <= INSEPARABLE_HZ)
        >= INSEPARABLE_SHARE
    ]
    return (own, *close)


def _check(scenario: Scenario) -> None:
    low, high = RATES_HZ[scenario.sensor]
    if not low <= scenario.rate_hz <= high:
        raise RecordingError(
            f"{scenario.sensor} is simulated at {low:g} to {high:g} Hz, not at {scenario.rate_hz:g} Hz"
        )
    if not 2.0 <= scenario.duration_s <= 3600.0:
        raise RecordingError(f"a road test lasts 2 to 3600 s, not {scenario.duration_s:g} s")


def _dash(path: DrivePath, scenario: Scenario, factor: float) -> tuple[float, float, str]:
    if scenario.drive.kind == "stand":
        return 0.0, 0.0, "0 mph"
    if scenario.drive.kind == "steady":
        shown = round(float(path.speed_mps.mean()) * factor / MPH_MPS)
        return shown * MPH_MPS, shown * MPH_MPS, f"{shown} mph"
    low, high = (round(float(v) * factor / MPH_MPS) for v in (path.speed_mps.min(), path.speed_mps.max()))
    return low * MPH_MPS, high * MPH_MPS, f"{low}-{high} mph"


def _truth(
    vehicle: Vehicle,
    path: DrivePath,
    rates: dict[str, FloatArray],
    lines: tuple[TrueLine, ...],
    pose: FloatArray,
    dash_factor: float,
    gps_lag_s: float | None,
) -> Truth:
    return Truth(
        times_s=path.times_s,
        speed_mps=path.speed_mps,
        wheel_hz=path.wheel_hz,
        engine_hz=path.engine_hz,
        gear=path.gear,
        tire_scale=path.tire_scale,
        rates_hz=rates,
        sources=source_keys(vehicle),
        lines=lines,
        orientation=pose,
        dash_factor=dash_factor,
        gps_lag_s=gps_lag_s,
    )

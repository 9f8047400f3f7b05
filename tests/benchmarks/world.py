"""The population that benchmarks draw from: vehicles, drives, rates, faults, by seed.

Assumed throughout (no collection of labelled road recordings exists to fit it to); figures measured on it
hold for it. `docs/` repeats what is drawn beside every figure.
"""

from dataclasses import replace
from typing import Literal

import numpy as np

from vibeorder.simulate import (
    Body,
    Clock,
    Converter,
    Drive,
    Fault,
    Gps,
    Microphone,
    Road,
    RoadTest,
    Scenario,
    random_vehicle,
    road_test,
    source_keys,
)
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Layout, Vehicle

__all__ = [
    "CURVE_SD_PER_M",
    "FAULT_MPS2",
    "GRADE_SD",
    "WEAK_FAULT_MPS2",
    "random_road_test",
    "random_scenario",
]

Kind = Literal["gps", "dash", "none"]
Sensor = Literal["acceleration", "audio"]

SPEED_MPS = (20 * MPH_MPS, 85 * MPH_MPS)
FAULT_MPS2 = (0.1, 0.5)
WEAK_FAULT_MPS2 = (0.03, 0.1)
LEVEL_MPS2 = (0.16, 0.63)
RATES_HZ, RATE_SHARES = (100.0, 200.0, 400.0), (0.1, 0.55, 0.35)
SWEEP_SPAN = 1.4
FIRING_IN_SOUND = (0.05, 0.5)
GRADE_SD, CURVE_SD_PER_M = 0.015, 4e-4
"""Hills that pull with 0.15 m/s^2 rms, bends with 0.3 m/s^2 at 60 mph: about what a city bus shows beside its GPS."""


def random_road_test(
    seed: int,
    kind: Kind = "gps",
    *,
    drive: Literal["steady", "sweep"] | None = None,
    layout: Layout | None = None,
    rate_hz: float | None = None,
    fault_mps2: tuple[float, float] = FAULT_MPS2,
    healthy: bool = False,
    sensor: Sensor = "acceleration",
) -> RoadTest:
    """One road test of the population; the same seed gives the same test.

    kind: what an analyzer may know: only "gps" carries a GPS trace; "dash" and "none" are the same drive
        without it (with "dash", `dash_text` may be told).
    drive, layout, rate_hz, sensor: fixed instead of drawn; the rest of the draw stays as it was.
    fault_mps2: range of the fault's vector rms, log-uniform; its source uniform over the vehicle's.
    healthy: no fault at all.
    """
    vehicle_rng, scenario_rng, fault_rng, test_rng = np.random.default_rng(seed).spawn(4)
    vehicle = random_vehicle(vehicle_rng, layout)
    scenario = random_scenario(vehicle, scenario_rng, drive)
    faults = () if healthy else (_fault(vehicle, fault_rng, fault_mps2),)
    rate = rate_hz or (scenario.rate_hz if sensor == "acceleration" else 8000.0)
    scenario = replace(
        scenario,
        rate_hz=rate,
        faults=faults,
        sensor=sensor,
        gps=scenario.gps if kind == "gps" else None,
    )
    return road_test(vehicle, scenario, test_rng)


def random_scenario(
    vehicle: Vehicle, rng: np.random.Generator, drive: Literal["steady", "sweep"] | None = None
) -> Scenario:
    """A drive (steady 30 to 60 s, or a sweep of 60 to 90 s with its gear changes), a phone, a road."""
    drive_rng, road_rng, phone_rng = rng.spawn(3)
    steady = drive_rng.random() < 0.4
    kind = drive or ("steady" if steady else "sweep")
    duration = drive_rng.uniform(30.0, 60.0) if kind == "steady" else drive_rng.uniform(60.0, 90.0)
    return Scenario(
        drive=_drive(kind, drive_rng),
        duration_s=round(float(duration), 1),
        rate_hz=float(phone_rng.choice(RATES_HZ, p=RATE_SHARES)),
        tire_spread=float(road_rng.choice((0.0, 0.001, 0.003))),
        converter=_converter(vehicle, drive_rng),
        body=Body(common=float(road_rng.uniform(0.3, 0.9))),
        road=_road(road_rng),
        clock=Clock(0.07, 2e-4, 0.01, float(phone_rng.normal(0.0, 0.004))),
        gps=Gps(dropouts=float(phone_rng.choice((0.0, 0.0, 0.1)))),
        microphone=Microphone(
            highpass_hz=float(phone_rng.uniform(60.0, 100.0)),
            firing=float(np.exp(phone_rng.uniform(*np.log(FIRING_IN_SOUND)))),
        ),
    )


def _drive(kind: Literal["steady", "sweep"], rng: np.random.Generator) -> Drive:
    if kind == "steady":
        return Drive("steady", (float(rng.uniform(*SPEED_MPS)),), drift=0.01)
    while True:
        knots = rng.uniform(*SPEED_MPS, 3)
        if knots.max() / knots.min() > SWEEP_SPAN:
            return Drive("sweep", tuple(float(v) for v in knots))


def _converter(vehicle: Vehicle, rng: np.random.Generator) -> Converter:
    """Locked throughout in half of the vehicles; else open below some gear, slipping up to 6%."""
    if rng.random() < 0.5 or len(vehicle.gears) < 2:
        return Converter()
    return Converter(int(rng.integers(1, len(vehicle.gears))), float(rng.uniform(0.0, 0.06)))


def _road(rng: np.random.Generator) -> Road:
    level = float(np.exp(rng.uniform(np.log(LEVEL_MPS2[0]), np.log(LEVEL_MPS2[1]))))
    return Road(
        level_mps2=level,
        bumps_per_minute=float(rng.uniform(0.0, 6.0)),
        joint_spacing_m=float(rng.choice((0.0, 0.0, 0.0, 4.6, 6.1))),
        wheelbase_m=float(rng.uniform(2.5, 3.6)),
        echo=float(rng.uniform(0.0, 0.5)),
        grade_sd=GRADE_SD,
        curve_sd_per_m=CURVE_SD_PER_M,
    )


def _fault(vehicle: Vehicle, rng: np.random.Generator, amplitude: tuple[float, float]) -> Fault:
    sources = source_keys(vehicle)
    part, order = sources[int(rng.integers(len(sources)))]
    return Fault(part, order, float(np.exp(rng.uniform(np.log(amplitude[0]), np.log(amplitude[1])))))

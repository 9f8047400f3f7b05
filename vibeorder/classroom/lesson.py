"""One lesson: a vehicle, a fault or none, a drive and a road; out come a recording and what is true of it."""

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.signal import folded
from vibeorder.errors import SpeedError, VehicleError, VibeorderError
from vibeorder.simulate import IDLE_HZ, Drive, Fault, Road, RoadTest, Scenario, road_test, source_keys
from vibeorder.units import MPH_MPS, UNSAID, show_speeds
from vibeorder.vehicle import Vehicle, engine_ratio, order_text, part_text, sources_of

__all__ = [
    "DRIVES",
    "DURATIONS_S",
    "IDLE_HZ",
    "RATES_HZ",
    "REDLINE_HZ",
    "ROADS",
    "STRENGTHS",
    "DriveKind",
    "Lesson",
    "Plan",
    "Track",
    "plan_drive",
    "run_lesson",
    "source_name",
]

FloatArray = NDArray[np.float64]
DriveKind = Literal["held", "sweep", "shift", "coast"]

DRIVES: dict[str, str] = {
    "held": "speed held",
    "sweep": "speed swept, one gear",
    "shift": "speed swept, one gear change",
    "coast": "coasting in neutral",
}
STRENGTHS: dict[str, tuple[str, float]] = {
    "faint": ("faint, just felt", 0.06),
    "clear": ("clear, a usual complaint", 0.15),
    "strong": ("strong", 0.3),
    "violent": ("violent", 0.6),
}
"""Vector rms over the record in m/s^2. Perception begins near 0.015 m/s^2 peak (value from memory)."""

ROADS: dict[str, tuple[str, Road]] = {
    "smooth": ("smooth asphalt", Road(level_mps2=0.12, echo=0.2)),
    "rough": ("rough, with patches and potholes", Road(level_mps2=0.45, bumps_per_minute=8.0, echo=0.3)),
    "slabs": (
        "concrete slabs, a joint every 5 m",
        Road(level_mps2=0.15, joint_spacing_m=5.0, joint_mps2=0.6, echo=0.2),
    ),
}
"""Assumed levels, not measured. Slab joints at 15 to 20 ft are common practice, no source."""

RATES_HZ = (100.0, 200.0, 400.0)
"""Samples per second of the phone; below 400 the engine's and a motor's orders fold."""
DURATIONS_S = (20.0, 30.0, 45.0, 60.0)

REDLINE_HZ = 6500.0 / 60.0
SLOWEST_MPS, FASTEST_MPS = 15.0 * MPH_MPS, 120.0 * MPH_MPS
LEAST_SWEEP = 1.1
TRACK_STEP_S = 0.25


@dataclass(frozen=True, slots=True)
class Plan:
    """What the trainer chose. fault None: a sound vehicle. road: a key of ROADS. seed: the same test again."""

    vehicle: Vehicle
    fault: Fault | None
    drive: Drive
    road: str = "smooth"
    duration_s: float = 30.0
    rate_hz: float = 400.0
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Track:
    """Where one source's line runs: true frequency at times_s, and `seen_hz` where the sensor shows it.

    The two differ where the line is above half the sample rate and folds down. name: "driveshaft 1x".
    """

    part: str
    order: float
    name: str
    label: str
    times_s: FloatArray
    frequency_hz: FloatArray
    seen_hz: FloatArray
    is_fault: bool

    @property
    def folds(self) -> bool:
        """Whether the sensor shows it elsewhere than it is, at some time."""
        return bool(np.any(np.abs(self.frequency_hz - self.seen_hz) > 1e-9))


@dataclass(frozen=True, slots=True)
class Lesson:
    """A road test with the true course of every source that this vehicle can have, slowest first."""

    plan: Plan
    test: RoadTest
    tracks: tuple[Track, ...]


def run_lesson(plan: Plan) -> Lesson:
    """Drive the plan. Raises VibeorderError where the vehicle has no such part, order, gear or speed.

    A source that is not in the vehicle's catalogue is refused: a class could not choose it.
    """
    if plan.road not in ROADS:
        raise VibeorderError(f"road {plan.road!r} is unknown; take one of {', '.join(ROADS)}")
    if plan.fault is not None and (plan.fault.part, plan.fault.order) not in source_keys(plan.vehicle):
        raise VehicleError(
            f"{plan.vehicle.name} has no {source_name(plan.fault.part, plan.fault.order)} in its catalogue; "
            "choose one of its own parts and orders"
        )
    scenario = Scenario(
        plan.drive,
        plan.duration_s,
        plan.rate_hz,
        faults=() if plan.fault is None else (plan.fault,),
        road=ROADS[plan.road][1],
    )
    test = road_test(plan.vehicle, scenario, np.random.default_rng(plan.seed))
    return Lesson(plan, test, _tracks(test))


def plan_drive(
    vehicle: Vehicle, kind: str, low_mps: float, high_mps: float, gear: int = 1, next_gear: int = 0,
    duration_s: float = 30.0,
) -> Drive:  # fmt: skip
    """A drive of that kind (a key of DRIVES) through the given speeds and gears.

    held: at low_mps. sweep: from low_mps up to high_mps. shift: likewise, into next_gear half way.
    coast: from high_mps down to low_mps in neutral. Gears count for vehicles with an engine only.
    Raises SpeedError and VehicleError where the drive cannot be driven.
    """
    if kind not in get_args(DriveKind):
        raise VibeorderError(f"drive {kind!r} is unknown; take one of {', '.join(DRIVES)}")
    _check_speeds(kind, low_mps, high_mps)
    if kind == "coast":
        return Drive("coast", (high_mps, low_mps))
    speeds = (low_mps,) if kind == "held" else (low_mps, high_mps)
    motion: Literal["steady", "sweep"] = "steady" if kind == "held" else "sweep"
    if not vehicle.has_engine:
        if kind == "shift":
            raise VehicleError(f"{vehicle.name} has no gears to change; sweep the speed instead")
        return Drive(motion, speeds)
    ends = [(gear, low_mps), (gear, speeds[-1])]
    gears: tuple[tuple[float, int], ...] = ((0.0, gear),)
    if kind == "shift":
        if gear == next_gear:
            raise VehicleError("a gear change goes into another gear; choose two that differ")
        middle = 0.5 * (low_mps + high_mps)
        ends = [(gear, low_mps), (gear, middle), (next_gear, middle), (next_gear, high_mps)]
        gears = ((0.0, gear), (duration_s / 2.0, next_gear))
    for number, speed in ends:
        _check_engine(vehicle, number, speed)
    return Drive(motion, speeds, gears)


def source_name(part: str, order: float) -> str:
    """A source in short: "driveshaft 1x"."""
    return f"{part_text(part)} {order_text(order)}"


def _tracks(test: RoadTest) -> tuple[Track, ...]:
    truth, rate = test.truth, test.scenario.rate_hz
    times = np.arange(0.0, test.scenario.duration_s + 1e-9, TRACK_STEP_S)
    fault = truth.fault
    found = []
    for source in sources_of(test.vehicle):
        own = fault is not None and (fault.part, fault.order) == (source.part, source.order)
        course = fault.frequency_hz if own and fault else truth.frequency_hz(source.part, source.order)
        hz = np.asarray(np.interp(times, truth.times_s, course), float)
        name = source_name(source.part, source.order)
        found.append(Track(source.part, source.order, name, source.label, times, hz, folded(hz, rate), own))
    return tuple(sorted(found, key=lambda one: float(one.frequency_hz.mean())))


def _check_speeds(kind: str, low_mps: float, high_mps: float) -> None:
    used = (low_mps,) if kind == "held" else (low_mps, high_mps)
    for speed in used:
        if not SLOWEST_MPS * 0.999 <= speed <= FASTEST_MPS * 1.001:
            raise SpeedError(
                f"a lesson is driven at {show_speeds((SLOWEST_MPS, FASTEST_MPS), UNSAID)}, "
                f"not at {show_speeds((speed,), UNSAID)}"
            )
    if kind != "held" and high_mps < LEAST_SWEEP * low_mps:
        raise SpeedError(
            f"a drive from {show_speeds((low_mps, high_mps), UNSAID)} moves no line far enough to see; "
            "let the higher speed be a tenth above the lower one at least"
        )


def _check_engine(vehicle: Vehicle, gear: int, speed_mps: float) -> None:
    hz = speed_mps / vehicle.tire.circumference_m * engine_ratio(vehicle, gear)
    if not IDLE_HZ <= hz <= REDLINE_HZ:
        what = "below idle" if hz < IDLE_HZ else f"above {60 * REDLINE_HZ:.0f} rpm"
        other = "lower" if hz < IDLE_HZ else "higher"
        raise VehicleError(
            f"in gear {gear} at {show_speeds((speed_mps,), UNSAID)} the engine would turn at {60 * hz:.0f} rpm, "
            f"{what}; choose a {other} gear or another speed"
        )

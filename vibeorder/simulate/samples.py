"""The recordings in sample_data/: invented vehicles, chosen faults, written anew by one command."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from tomllib import loads

import numpy as np

from vibeorder.errors import RecordingError
from vibeorder.simulate.files import write_log, write_wav
from vibeorder.simulate.model import Body, Clock, Drive, Fault, Microphone, Road, RoadTest, Scenario
from vibeorder.simulate.roadtest import road_test
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import load_vehicle, parse_vehicle

__all__ = ["SAMPLES", "VEHICLES", "Sample", "make_sample", "write_repaired", "write_samples"]

TRUCK = """\
# Invented: no such make. A rear-drive truck with a solid axle and a one-piece driveshaft.
[vehicle]
name = "Ostrel Hauler"
layout = "rwd"

[tire]
size = "275/65R18"

[axle]
ratio = 3.73

[transmission]
gears = [4.62, 3.02, 2.06, 1.63, 1.27, 1.00, 0.83, 0.66]

[engine]
cylinders = 8

[[accessory]]
name = "alternator"
ratio = 2.71

# Invented too: limits come out of the maker's service information, never out of a sample.
[limits]
driveshaft_front = "0.020 in"
driveshaft_middle = "0.020 in"
driveshaft_rear = "0.020 in"
pinion_flange = "0.006 in"
tire_radial = "0.050 in"
"""

FOUR_WHEEL = """\
# Invented: no such make. Part-time four-wheel drive, both axles of one ratio: both shafts turn alike.
[vehicle]
name = "Ostrel Ridge"
layout = "4wd"

[tire]
size = "265/70R17"

[axle]
ratio = 4.10
front_ratio = 4.10

[transmission]
gears = [4.05, 2.30, 1.50, 1.00, 0.80, 0.62]

[transfer]
low_range = 2.64

[engine]
cylinders = 6
"""

CAR = """\
# Invented: no such make. A small front-drive car; the axle ratio is its final drive.
[vehicle]
name = "Ostrel Pico"
layout = "fwd"

[tire]
size = "195/65R15"

[axle]
ratio = 3.91

[transmission]
gears = [3.48, 1.93, 1.29, 0.96, 0.75]

[engine]
cylinders = 4
"""

ELECTRIC = """\
# Invented: no such make. One motor, one fixed reduction.
[vehicle]
name = "Ostrel Volta"
layout = "ev"

[tire]
size = "235/55R19"

[motor]
ratio = 9.04
"""

VEHICLES = {"truck.toml": TRUCK, "four_wheel.toml": FOUR_WHEEL, "car.toml": CAR, "electric.toml": ELECTRIC}

PHONE = Clock(jitter=0.05, stamp_error_s=1e-4, drops=0.005)
ROAD = Road(level_mps2=0.25, bumps_per_minute=2.0, echo=0.2)
SECOND_DRIVE = 2
"""Joins a sample's seed in the drive after its repair, so that nothing but the tires is drawn alike."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One file of sample_data: its name, vehicle, how it was driven, and what is wrong, in words."""

    name: str
    vehicle: str
    wrong: str
    driven: str
    scenario: Scenario
    seed: int
    gps: bool = True


def write_samples(folder: str | Path, report: Callable[[str], None] = lambda line: None) -> tuple[Path, ...]:
    """Write every vehicle, recording and the README.md into `folder`; the same bytes each time.

    report: told each file's name as it is written.
    """
    root = Path(folder)
    root.mkdir(parents=True, exist_ok=True)
    written = []
    for name, text in VEHICLES.items():
        (root / name).write_text(text, encoding="utf-8", newline="\n")
        written.append(root / name)
    for sample in SAMPLES:
        test = make_sample(sample, root)
        path = root / sample.name
        written.append(
            write_wav(test, path) if path.suffix == ".wav" else write_log(test, path, gps=sample.gps)
        )
        report(sample.name)
    (root / "README.md").write_text(_readme(), encoding="utf-8", newline="\n")
    return (*written, root / "README.md")


def make_sample(sample: Sample, folder: str | Path) -> RoadTest:
    """The road test behind one sample, truth included; its vehicle is read from `folder`."""
    vehicle = load_vehicle(Path(folder) / sample.vehicle)
    return road_test(vehicle, sample.scenario, np.random.default_rng(sample.seed))


def write_repaired(name: str, folder: str | Path) -> Path:
    """Write the second drive of the sample called `name` into `folder` as NAME_repaired.csv: its fault is gone.

    The same vehicle on the same tires, driven the same way; road, phone and GPS are drawn anew.
    Raises RecordingError where no accelerometer sample of that name has a fault.
    """
    faulty = {s.name: s for s in SAMPLES if s.scenario.faults and s.scenario.sensor == "acceleration"}
    if name not in faulty:
        raise RecordingError(f"no sample {name!r} can be repaired; take one of {', '.join(faulty)}")
    sample = faulty[name]
    vehicle = parse_vehicle(loads(VEHICLES[sample.vehicle]))
    first = road_test(vehicle, sample.scenario, np.random.default_rng(sample.seed))
    again = replace(sample.scenario, faults=(), tire_scale=first.truth.tire_scale)
    second = road_test(vehicle, again, np.random.default_rng((sample.seed, SECOND_DRIVE)))
    root = Path(folder)
    root.mkdir(parents=True, exist_ok=True)
    return write_log(second, root / f"{Path(name).stem}_repaired.csv", gps=sample.gps)


def _mph(*speeds: float) -> tuple[float, ...]:
    return tuple(speed * MPH_MPS for speed in speeds)


def _log(drive: Drive, *faults: Fault, seconds: float = 40.0) -> Scenario:
    return Scenario(drive, seconds, 200.0, faults=faults, clock=PHONE, road=ROAD)


def _memo(drive: Drive, fault: Fault) -> Scenario:
    return Scenario(
        drive, 24.0, 8000.0, "audio", (fault,), body=Body(common=0.8), microphone=Microphone(highpass_hz=70.0)
    )


SAMPLES: tuple[Sample, ...] = (
    Sample(
        "pinion_flange.csv",
        "truck.toml",
        "bent pinion flange: first order of the driveshaft, 0.25 m/s² rms",
        "45 to 65 and back to 50 mph, seventh gear, GPS column",
        _log(Drive("sweep", _mph(45, 65, 50), ((0.0, 7),)), Fault("driveshaft", 1.0, 0.25)),
        11,
    ),
    Sample(
        "tire.csv",
        "truck.toml",
        "one tire out of round: first order of tire and wheel, 0.25 m/s² rms",
        "65 mph held, eighth gear, GPS column",
        _log(Drive("steady", _mph(65), ((0.0, 8),), drift=0.01), Fault("tire_wheel", 1.0, 0.25)),
        12,
    ),
    Sample(
        "joint_angles.csv",
        "truck.toml",
        "joint angles unequal after a lift: second order of the driveshaft, 0.2 m/s² rms",
        "25 to 50 mph, the automatic shifts, GPS column",
        _log(Drive("sweep", _mph(25, 40, 50)), Fault("driveshaft", 2.0, 0.2)),
        13,
    ),
    Sample(
        "engine.csv",
        "truck.toml",
        "crankshaft damper out of true: first order of the engine, 0.2 m/s² rms",
        "40 to 60 mph, sixth gear (1.00) to 18 s, then seventh, GPS column",
        _log(Drive("sweep", _mph(40, 52, 60), ((0.0, 6), (18.0, 7))), Fault("engine", 1.0, 0.2)),
        14,
    ),
    Sample(
        "healthy.csv",
        "truck.toml",
        "nothing: only the small lines that every vehicle has",
        "45 to 65 mph and back, seventh gear, GPS column",
        _log(Drive("sweep", _mph(45, 65, 45), ((0.0, 7),))),
        15,
    ),
    Sample(
        "no_speed.csv",
        "truck.toml",
        "bent pinion flange again: first order of the driveshaft, 0.3 m/s² rms",
        "30 to 65 mph, sixth gear to 22 s, then seventh; no speed in the file",
        _log(
            Drive("sweep", _mph(30, 50, 65), ((0.0, 6), (22.0, 7))),
            Fault("driveshaft", 1.0, 0.3),
            seconds=45.0,
        ),
        16,
        gps=False,
    ),
    Sample(
        "front_shaft.csv",
        "four_wheel.toml",
        "bent front driveshaft: its first order, 0.25 m/s² rms (the rear one turns at the same rate)",
        "35 to 60 mph in four-wheel drive, sixth gear, GPS column",
        _log(Drive("sweep", _mph(35, 60, 45), ((0.0, 6),)), Fault("front_driveshaft", 1.0, 0.25)),
        17,
    ),
    Sample(
        "half_shaft.csv",
        "car.toml",
        "worn inner three-roller joint: third order of the half-shaft, 0.25 m/s² rms",
        "30 to 55 mph, the automatic shifts, GPS column",
        _log(Drive("sweep", _mph(30, 45, 55)), Fault("half_shaft", 3.0, 0.25)),
        18,
    ),
    Sample(
        "electric_tire.csv",
        "electric.toml",
        "oval tire: second order of tire and wheel, 0.2 m/s² rms",
        "40 to 70 mph, GPS column",
        _log(Drive("sweep", _mph(40, 70, 55)), Fault("tire_wheel", 2.0, 0.2)),
        19,
    ),
    Sample(
        "voice_memo.wav",
        "truck.toml",
        "joint angles: second order of the driveshaft; a microphone gives no scale",
        "62 mph held, seventh gear; the driver read 64 mph",
        _memo(Drive("steady", _mph(62), ((0.0, 7),)), Fault("driveshaft", 2.0, 0.5)),
        20,
    ),
)


def _readme() -> str:
    rows = [f"| `{s.name}` | `{s.vehicle}` | {s.driven} | {s.wrong} |" for s in SAMPLES]
    return README_HEAD + "\n".join(rows) + "\n" + README_TAIL


README_HEAD = """\
# Sample recordings

All made by `python -m vibeorder.simulate --write sample_data`, the same every time; vehicles and their maker
are invented. Levels are vector rms over the record, what somebody complains about.

| file | vehicle | driven | what is wrong |
|---|---|---|---|
"""

README_TAIL = """
The logs are of a phone lying any way round: 200 Hz, acceleration in m/s² with gravity, steps of 0.01, stamps
that jitter by 5% of a step, one sample in 200 missing, no filter before sampling (what is above 100 Hz folds
down). The GPS column is filled once a second and late by half a second to a second. The true tires roll up to
2.5% more or less than their size says. Besides the fault each holds the healthy lines of everything that
turns, road noise with body modes, and a bump now and then.
"""

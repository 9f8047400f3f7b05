"""Clear road tests for the tests of the diagnosis: one fault of 0.3 m/s^2 rms, or none, in invented vehicles."""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis import Diagnosis, Suspect, diagnose
from vibeorder.recording import Recording, Trace
from vibeorder.recording.model import Quality
from vibeorder.simulate import Drive, Fault, RoadTest, Scenario, as_recording, road_test
from vibeorder.vehicle import Vehicle, parse_vehicle

SHARED = Path(__file__).resolve().parents[1].parent / "shared" / "data"
FELT_MPS2 = 0.3

_GEARBOX = [4.7, 2.99, 2.15, 1.77, 1.52, 1.28, 1.0, 0.85]
_TRUCK: dict[str, object] = {
    "vehicle": {"name": "invented truck", "layout": "rwd"},
    "tire": {"size": "275/65R18"},
    "axle": {"ratio": 3.55},
    "transmission": {"gears": _GEARBOX},
    "engine": {"cylinders": 8},
}
TRUCK = parse_vehicle(_TRUCK)
TRUCK_WITH_COMPRESSOR = parse_vehicle({**_TRUCK, "accessory": [{"name": "compressor", "ratio": 1.45}]})
FEW_GEARS = parse_vehicle({**_TRUCK, "transmission": {"gears": [1.0, 0.72]}})
FOUR_WHEEL = parse_vehicle({**_TRUCK, "vehicle": {"name": "invented four-wheeler", "layout": "4wd"}})
CAR = parse_vehicle(
    {
        "vehicle": {"name": "invented car", "layout": "fwd"},
        "tire": {"size": "205/55R16"},
        "axle": {"ratio": 3.91},
        "transmission": {"gears": [3.48, 1.93, 1.29, 0.96, 0.75]},
        "engine": {"cylinders": 4},
    }
)
VAN = parse_vehicle(
    {
        "vehicle": {"name": "gray van", "layout": "rwd"},
        "tire": {"size": "225/60R16"},
        "axle": {"ratio": 3.5},
        "transmission": {"gears": [3.0, 1.8, 1.2, 1.0]},
        "engine": {"cylinders": 6},
        "accessory": [{"name": "pump", "ratio": 1.2}],
    }
)
ELECTRIC = parse_vehicle(
    {
        "vehicle": {"name": "invented electric", "layout": "ev"},
        "tire": {"size": "235/55R19"},
        "motor": {"ratio": 9.04},
    }
)

TOP_GEAR = Drive("sweep", (20.0, 29.0), ((0.0, 8),))
DIRECT_GEAR = Drive("sweep", (18.0, 27.0), ((0.0, 7),))
SHIFTING = Drive("sweep", (17.0, 25.0), ((0.0, 5), (12.0, 6)))
STEADY = Drive("steady", (27.0,), ((0.0, 8),))
CAR_SHIFTING = Drive("sweep", (15.0, 25.0), ((0.0, 3), (12.0, 4)))
# the same in FEW_GEARS: which gear it is stays open, and yet a diagnosis takes a third of the time
IN_SECOND = Drive("sweep", (20.0, 29.0), ((0.0, 2),))
IN_FIRST = Drive("sweep", (18.0, 27.0), ((0.0, 1),))
ONCE_UP = Drive("sweep", (17.0, 25.0), ((0.0, 1), (12.0, 2)))
HELD_IN_SECOND = Drive("steady", (27.0,), ((0.0, 2),))
ELECTRIC_SWEEP = Drive("sweep", (17.0, 30.0))


def made(
    vehicle: Vehicle,
    drive: Drive,
    part: str | None = None,
    order: float = 1.0,
    *,
    seed: int = 1,
    rate_hz: float = 150.0,
    duration_s: float = 25.0,
) -> RoadTest:
    """A road test with that fault, or of a healthy vehicle."""
    faults = () if part is None else (Fault(part, order, FELT_MPS2),)
    scenario = Scenario(drive, duration_s=duration_s, rate_hz=rate_hz, faults=faults)
    return road_test(vehicle, scenario, np.random.default_rng(seed))


@lru_cache(maxsize=32)
def judged(
    vehicle: Vehicle, drive: Drive, part: str | None = None, order: float = 1.0, gear: int | None = None
) -> Diagnosis:
    """That road test with its GPS column, diagnosed (kept, as several tests look at the same one)."""
    return diagnose(as_recording(made(vehicle, drive, part, order)), vehicle, gear=gear)


def recording_of(samples: NDArray[np.float64], rate_hz: float) -> Recording:
    """Samples in m/s^2 [shape (3, n)] made in a test, as a recording without a speed."""
    return Recording(
        samples=samples,
        rate_hz=rate_hz,
        unit="m/s^2",
        kind="acceleration",
        channels=("x", "y", "z"),
        valid=np.ones(samples.shape[1], bool),
        quality=Quality(rate_hz, rate_hz),
        source="made here",
    )


def without_gps(test: RoadTest) -> Recording:
    """The same recording from a phone that logged no speed."""
    return as_recording(test, gps=False)


def with_rpm(test: RoadTest) -> Recording:
    """The same recording with speed and engine speed in the log, the latter twice a second."""
    truth = test.truth
    rpm = Trace(truth.times_s[::100], truth.engine_hz[::100], "rpm", "rpm")
    return replace(as_recording(test), rpm=rpm)


def key(suspect: Suspect) -> tuple[str, float]:
    """(part, order) of a suspect."""
    return (suspect.part, suspect.order)


def group_probability(result: Diagnosis, suspect: Suspect) -> float:
    """Probability that a suspect shares with those that it cannot be told from."""
    twins = {key(suspect), *suspect.indistinct_from}
    return sum(s.probability for s in result.suspects if key(s) in twins)


def of(result: Diagnosis, part: str, order: float) -> Suspect:
    """One suspect of a result."""
    return next(s for s in result.suspects if key(s) == (part, order))


PICKUP = parse_vehicle(
    {
        "vehicle": {"name": "invented pickup", "layout": "rwd"},
        "tire": {"size": "265/70R17"},
        "axle": {"ratio": 3.73},
        "transmission": {"gears": [4.17, 2.34, 1.52, 1.14, 0.87, 0.69]},
        "engine": {"cylinders": 8},
    }
)
"""As it is typed in: six gears, a tire by its size."""

"""A drive at a walking pace: a moderate tire line is the tire's roundness, a strong one still a fault.

That shakes are complained of from some 30 km/h up is common practice, no source. Drives and vehicle are invented.
"""

import numpy as np
import pytest

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.simulate import Drive, Fault, Road, Scenario, as_recording, road_test
from vibeorder.vehicle import parse_vehicle

CAR = parse_vehicle(
    {
        "vehicle": {"name": "Northwind runabout", "layout": "fwd"},
        "tire": {"circumference_mm": 1930},
        "axle": {"ratio": 3.9},
        "transmission": {"gears": [2.0, 1.35, 1.0]},
        "engine": {"cylinders": 4},
    }
)


def driven(speed_mps: float, rms_mps2: float) -> Diagnosis:
    scenario = Scenario(
        drive=Drive("sweep", (0.8 * speed_mps, speed_mps, 0.85 * speed_mps), ((0.0, 1),)),
        duration_s=60.0,
        rate_hz=100.0,
        faults=(Fault("tire_wheel", 2.0, rms_mps2),),
        road=Road(level_mps2=0.2),
    )
    return diagnose(as_recording(road_test(CAR, scenario, np.random.default_rng(5))), CAR)


def share(found: Diagnosis) -> float:
    return next(s.probability for s in found.suspects if (s.part, s.order) == ("tire_wheel", 2.0))


def test_a_moderate_tire_line_at_a_walking_pace_is_hardly_a_complaint() -> None:
    slow = driven(6.5, 0.12)
    assert share(slow) < share(driven(20.0, 0.12)) - 0.2
    assert slow.nothing_found_probability > 0.3


@pytest.mark.parametrize("speed_mps", [6.5, 20.0])
def test_a_strong_one_is_named_at_any_speed(speed_mps: float) -> None:
    assert share(driven(speed_mps, 0.6)) > 0.8

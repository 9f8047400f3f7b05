"""Standing still with the engine held at a speed: only what the engine turns shakes, and the road is silent.

Engine turns per second = rpm / 60; a periodogram's peak stands at the line's frequency (scipy.signal).
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from vibeorder.errors import SpeedError, VehicleError
from vibeorder.simulate import Body, Drive, Fault, Road, RoadTest, Scenario, road_test
from vibeorder.vehicle import parse_vehicle

TRUCK = parse_vehicle(
    {
        "vehicle": {"name": "test truck", "layout": "rwd"},
        "tire": {"diameter_mm": 800.0},
        "axle": {"ratio": 3.73},
        "transmission": {"gears": [3.0, 1.6, 1.0, 0.7]},
        "engine": {"cylinders": 8},
    }
)
STANDING = Scenario(
    Drive("stand", engine_rpm=2400.0, wobble=0.0),
    duration_s=30.0,
    healthy_scale=0.0,
    body=Body(steady=True),
    road=Road(level_mps2=1e-6),
    resolution_mps2=0.0,
)


def made(scenario: Scenario) -> RoadTest:
    return road_test(TRUCK, scenario, np.random.default_rng(5))


def test_an_engine_fault_shakes_at_the_engine_speed_held_while_standing() -> None:
    test = made(replace(STANDING, faults=(Fault("engine", 1.0, 0.2),)))
    shake = test.samples - test.samples.mean(1, keepdims=True)
    f, power = signal.periodogram(shake, 200.0, "flattop", nfft=4 * shake.shape[1], scaling="spectrum")
    best = int(power.sum(0).argmax())
    assert f[best] == pytest.approx(2400.0 / 60.0, abs=0.02)
    assert np.sqrt(power.sum(0)[best]) == pytest.approx(0.2, rel=0.02)
    assert np.all(test.truth.gear == 0)
    assert np.all(test.truth.wheel_hz == 0.0)


@pytest.mark.parametrize("part", ["tire_wheel", "driveshaft"])
def test_a_fault_of_what_the_road_turns_is_silent_while_standing(part: str) -> None:
    test = made(replace(STANDING, faults=(Fault(part, 1.0, 0.2),)))
    assert float(np.ptp(test.samples, axis=1).max()) < 1e-4
    assert test.truth.fault is not None
    assert test.truth.fault.rms_mps2 == 0.0


def test_the_road_makes_a_tenth_of_its_noise_while_standing_and_no_bumps() -> None:
    road = Road(level_mps2=0.3, bumps_per_minute=30.0, joint_spacing_m=10.0)
    standing = made(replace(STANDING, road=road))
    moving = made(
        replace(
            STANDING,
            drive=Drive("steady", (20.0,)),
            road=replace(road, bumps_per_minute=0.0, joint_spacing_m=0.0),
        )
    )
    share = standing.samples.std(axis=1).max() / moving.samples.std(axis=1).max()
    assert share == pytest.approx(0.1, rel=0.25)
    assert standing.dash_text == "0 mph"


def test_standing_needs_an_engine_and_its_speed() -> None:
    with pytest.raises(SpeedError, match="above 0 rpm"):
        made(replace(STANDING, drive=Drive("stand")))
    electric = parse_vehicle(
        {
            "vehicle": {"name": "electric", "layout": "ev"},
            "tire": {"diameter_mm": 700.0},
            "motor": {"ratio": 9.0},
        }
    )
    with pytest.raises(VehicleError, match="no engine"):
        road_test(electric, STANDING, np.random.default_rng(1))

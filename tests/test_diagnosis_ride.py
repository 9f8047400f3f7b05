"""A bus or a heavy truck shakes more than a car where all is sound, and a line must be stronger to be a complaint.

That seats of buses and lorries shake about half as much again as those of cars is the order of surveys (Paddan and
Griffin 2002, from memory). Drives and vehicles are invented.
"""

import numpy as np

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.diagnosis.amplitudes import COMMERCIAL_RIDE
from vibeorder.simulate import Drive, Fault, Road, Scenario, as_recording, road_test
from vibeorder.vehicle import parse_vehicle


def driven(tire: str, rms_mps2: float) -> Diagnosis:
    """The same shake, in two vehicles whose tires differ only in what they are made for."""
    vehicle = parse_vehicle(
        {
            "vehicle": {"name": "invented coach", "layout": "rwd"},
            "tire": {"size": tire, "circumference_mm": 2960},
            "axle": {"ratio": 4.3},
            "transmission": {"gears": [1.4, 1.0]},
            "engine": {"cylinders": 6},
        }
    )
    scenario = Scenario(
        Drive("sweep", (17.0, 22.0, 18.0), ((0.0, 2),)),
        duration_s=40.0,
        rate_hz=100.0,
        faults=(Fault("tire_wheel", 3.0, rms_mps2),),
        road=Road(level_mps2=0.2),
    )
    return diagnose(as_recording(road_test(vehicle, scenario, np.random.default_rng(6))), vehicle, gear=2)


def share(found: Diagnosis) -> float:
    return next(s.probability for s in found.suspects if (s.part, s.order) == ("tire_wheel", 3.0))


def test_a_line_that_is_a_complaint_on_a_car_is_none_on_a_coach() -> None:
    car, coach = driven("275/95R18", 0.11), driven("275/70R22.5", 0.11)
    assert share(car) > 2.0 * share(coach)
    assert coach.nothing_found_probability > car.nothing_found_probability
    assert any("bus or heavy truck" in note for note in coach.notes)
    assert not any("bus or heavy truck" in note for note in car.notes)


def test_a_strong_line_is_named_on_both_and_shown_as_it_was_measured() -> None:
    car, coach = driven("275/95R18", 0.4), driven("275/70R22.5", 0.4)
    for found in (car, coach):
        assert (found.suspects[0].part, found.suspects[0].order) == ("tire_wheel", 3.0)
        assert found.suspects[0].probability > 0.8
    assert np.isclose(car.suspects[0].amplitude_rms, coach.suspects[0].amplitude_rms, rtol=0.02)
    assert COMMERCIAL_RIDE > 1.0

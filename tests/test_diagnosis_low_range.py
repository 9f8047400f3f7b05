"""In low range the engine turns faster for each turn of the wheels, in the ranking and in all that follows from it."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from diagnosis_examples import FOUR_WHEEL

import vibeorder.diagnosis.report as report
from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.simulate import Drive, Fault, Scenario, as_recording, road_test

LOW = 2.72
WITH_LOW = replace(FOUR_WHEEL, low_range=LOW)
IN_LOW = replace(FOUR_WHEEL, gears=tuple(LOW * g for g in FOUR_WHEEL.gears))
"""The same vehicle as it turns in low range, for the simulator, which knows no other."""


@pytest.fixture(scope="module")
def engine_in_low() -> Diagnosis:
    scenario = Scenario(
        Drive("sweep", (4.5, 9.0), ((0.0, 6),)),
        duration_s=40.0,
        rate_hz=200.0,
        faults=(Fault("engine", 1.0, 0.4),),
    )
    test = road_test(IN_LOW, scenario, np.random.default_rng(4))
    return diagnose(as_recording(test), WITH_LOW, low_range=True)


def test_the_engine_is_found_in_low_range_and_the_profile_is_not_called_wrong(
    engine_in_low: Diagnosis,
) -> None:
    assert engine_in_low.mismatch is None
    assert (engine_in_low.suspects[0].part, engine_in_low.suspects[0].order) == ("engine", 1.0)


def test_the_next_drive_is_planned_in_the_range_that_was_driven(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []

    def planned(*told: Any) -> None:
        asked.append(told[-1])

    monkeypatch.setattr(report, "next_drive_from", planned)
    scenario = Scenario(Drive("steady", (8.0,), ((0.0, 6),)), duration_s=20.0, rate_hz=150.0)
    recording = as_recording(road_test(IN_LOW, scenario, np.random.default_rng(4)))
    diagnose(recording, WITH_LOW, low_range=True)
    diagnose(recording, WITH_LOW)
    assert asked == [True, False]

"""A voice memo without a speed: a comb of lines names its part only where no healthy engine makes the same comb.

Drives and vehicles are invented; that firing is always heard is common practice, no source.
"""

import numpy as np
import pytest
from diagnosis_examples import CAR

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.simulate import Drive, Fault, Microphone, Scenario, as_recording, road_test


def heard(fault: Fault | None, seed: int) -> Diagnosis:
    scenario = Scenario(
        Drive("steady", (28.0,), ((0.0, 5),)),
        duration_s=25.0,
        rate_hz=8000.0,
        sensor="audio",
        faults=() if fault is None else (fault,),
        microphone=Microphone(firing=0.15),
    )
    return diagnose(as_recording(road_test(CAR, scenario, np.random.default_rng(seed)), gps=False), CAR)


@pytest.mark.parametrize("seed", [1, 3])
def test_a_healthy_engines_firing_is_no_fault_of_an_engine_at_another_speed(seed: int) -> None:
    found = heard(None, seed)
    assert found.nothing_found_probability > 0.5
    assert not found.runout_check.warranted
    engine = sum(s.probability for s in found.suspects if s.part == "engine")
    assert engine < 0.4


def test_a_loud_comb_that_is_not_firings_is_named() -> None:
    found = heard(Fault("half_shaft", 3.0, 0.4), 3)
    top = found.suspects[0]
    assert {(top.part, top.order), *top.indistinct_from} & {("half_shaft", 3.0), ("tire_wheel", 3.0)}

"""Simulated road tests through the front door: what a technician would expect of each.

Invented vehicles and drives; what each part does at its order is common practice, no source.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.recording import Recording
from vibeorder.simulate import Drive, Fault, Gps, Scenario, as_recording, road_test
from vibeorder.speed.given import parse_speed_given
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Vehicle, load_vehicle

SAMPLES = Path(__file__).resolve().parents[1] / "sample_data"


def _drive(
    vehicle: str, fault: Fault | None, *, steady: bool = False, seed: int = 7, **more: object
) -> Recording:
    car = load_vehicle(SAMPLES / f"{vehicle}.toml")
    speeds = (60.0,) if steady else (45.0, 65.0, 50.0)
    gears = ((0.0, min(7, len(car.gears))),) if car.gears else ()
    scenario = Scenario(
        drive=Drive("steady" if steady else "sweep", tuple(v * MPH_MPS for v in speeds), gears=gears),
        duration_s=30.0,
        faults=(fault,) if fault else (),
        gps=Gps(),
    )
    return as_recording(road_test(car, replace(scenario, **more), np.random.default_rng(seed)))  # type: ignore[arg-type]


def _car(name: str) -> Vehicle:
    return load_vehicle(SAMPLES / f"{name}.toml")


def _first(found: Diagnosis) -> set[tuple[str, float]]:
    top = found.suspects[0]
    return {(top.part, top.order), *top.indistinct_from}


@pytest.mark.parametrize(
    ("vehicle", "part", "order"),
    [
        ("truck", "driveshaft", 1.0),
        ("truck", "driveshaft", 2.0),
        ("truck", "tire_wheel", 1.0),
        ("truck", "engine", 1.0),
        ("car", "half_shaft", 3.0),
        ("electric", "tire_wheel", 2.0),
        ("electric", "motor", 1.0),
        ("four_wheel", "front_driveshaft", 1.0),
    ],
)
def test_the_part_at_fault_is_named_first(vehicle: str, part: str, order: float) -> None:
    recording = _drive(vehicle, Fault(part, order, 0.3))
    gear = min(7, len(_car(vehicle).gears)) or None
    found = diagnose(recording, _car(vehicle), gear=gear)
    assert (part, order) in _first(found)
    assert found.nothing_found_probability < 0.1


def test_probabilities_of_all_suspects_and_of_nothing_sum_to_one() -> None:
    found = diagnose(_drive("truck", Fault("driveshaft", 1.0, 0.2)), _car("truck"))
    total = found.nothing_found_probability + sum(s.probability for s in found.suspects)
    assert total == pytest.approx(1.0, abs=1e-9)


def test_nothing_is_found_in_a_healthy_drive_and_no_runout_check_is_asked_for() -> None:
    found = diagnose(_drive("truck", None), _car("truck"))
    assert found.nothing_found_probability > 0.5
    assert not found.runout_check.warranted


def test_a_first_order_driveshaft_shake_warrants_a_runout_check_of_shaft_and_flange() -> None:
    found = diagnose(_drive("truck", Fault("driveshaft", 1.0, 0.3)), _car("truck"), gear=7)
    assert found.runout_check.warranted
    assert "driveshaft" in found.runout_check.where
    assert "flange" in found.runout_check.where


def test_a_second_order_driveshaft_shake_never_goes_to_the_balancer() -> None:
    found = diagnose(_drive("truck", Fault("driveshaft", 2.0, 0.3)), _car("truck"), gear=7)
    assert found.suspects[0].never.startswith("Never balance")
    assert not found.runout_check.warranted


def test_engine_and_driveshaft_are_told_as_one_in_the_gear_where_they_turn_alike() -> None:
    car = _car("truck")
    recording = _drive("truck", Fault("driveshaft", 1.0, 0.3), drive=_gear_six())
    found = diagnose(recording, car, gear=6)  # 1.00
    assert {("driveshaft", 1.0), ("engine", 1.0)} <= _first(found)
    assert found.next_drive is not None


def _gear_six() -> Drive:
    return Drive("sweep", tuple(v * MPH_MPS for v in (45.0, 65.0, 50.0)), gears=((0.0, 6),))


def test_turning_the_phone_leaves_the_first_suspect_where_it_was() -> None:
    recording = _drive("truck", Fault("tire_wheel", 1.0, 0.3))
    turn, _ = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))
    turned = replace(recording, samples=turn @ recording.samples)
    before, after = (diagnose(r, _car("truck")) for r in (recording, turned))
    assert before.suspects[0].part == after.suspects[0].part == "tire_wheel"
    assert after.suspects[0].probability == pytest.approx(before.suspects[0].probability, abs=0.02)


def test_a_speedometer_that_reads_high_still_leads_to_the_tire() -> None:
    recording = replace(_drive("truck", Fault("tire_wheel", 1.0, 0.3), steady=True), speed=None)
    found = diagnose(recording, _car("truck"), speed=parse_speed_given("61.8 mph"), gear=7)
    assert found.suspects[0].part == "tire_wheel"


def test_the_same_speed_in_other_units_gives_the_same_answer() -> None:
    recording = replace(_drive("truck", Fault("tire_wheel", 1.0, 0.3), steady=True), speed=None)
    mph, kmh = (
        diagnose(recording, _car("truck"), speed=parse_speed_given(text), gear=7)
        for text in ("60 mph", "96.56064 km/h")
    )
    assert mph.suspects[0].probability == pytest.approx(kmh.suspects[0].probability, abs=1e-6)


def test_a_gap_in_the_middle_does_not_change_the_first_suspect() -> None:
    recording = _drive("truck", Fault("driveshaft", 1.0, 0.3))
    valid = recording.valid.copy()
    valid[2000:3000] = False
    broken = replace(recording, valid=valid, samples=np.where(valid, recording.samples, 0.0))
    assert ("driveshaft", 1.0) in _first(diagnose(broken, _car("truck"), gear=7))


def test_a_line_above_half_the_sample_rate_is_said_to_be_folded() -> None:
    recording = _drive("truck", Fault("engine", 4.0, 0.4), rate_hz=100.0)
    found = diagnose(recording, _car("truck"), gear=7)
    firing = next(s for s in found.suspects if (s.part, s.order) == ("engine", 4.0))
    assert firing.folded
    assert firing.probability > 0.5


def test_without_a_speed_the_speed_is_inferred_and_no_part_is_named_alone_from_one_steady_line() -> None:
    recording = replace(_drive("truck", Fault("driveshaft", 1.0, 0.3), steady=True), speed=None)
    found = diagnose(recording, _car("truck"))
    assert found.speed.source == "inferred"
    top = found.suspects[0]
    assert top.probability < 0.95 or top.indistinct_from

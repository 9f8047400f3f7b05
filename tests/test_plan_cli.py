"""`vibeorder plan` and `plan_drive`: drives for a complaint, before anything is recorded.

What a drive can tell follows from rates: engine = driveshaft x gear ratio, wheel = half-shaft (common practice, no
source); an automatic's or driver's usual engine speed likewise.
"""

import re
from itertools import pairwise
from pathlib import Path

import pytest
from diagnosis_examples import CAR, ELECTRIC, FOUR_WHEEL, TRUCK

from vibeorder.cli import main
from vibeorder.diagnosis.drive_plan import plan_drive, prior_standing
from vibeorder.errors import SpeedError, VehicleError
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Vehicle, engine_ratio

SAMPLES = Path(__file__).resolve().parents[1] / "sample_data"
AROUND = 60.0 * MPH_MPS


@pytest.mark.parametrize("vehicle", [TRUCK, CAR, ELECTRIC, FOUR_WHEEL])
def test_each_step_adds_information_and_the_doubt_left_falls(vehicle: Vehicle) -> None:
    steps = plan_drive(vehicle, AROUND)
    assert steps
    left = [step.bits_left for step in steps]
    assert left == sorted(left, reverse=True)
    assert all(step.bits > 0.1 for step in steps)
    assert all(a.bits >= b.bits for a, b in pairwise(steps))
    assert left[0] + steps[0].bits == pytest.approx(left[1] + steps[0].bits + steps[1].bits, abs=1e-9)


@pytest.mark.parametrize("vehicle", [TRUCK, CAR, FOUR_WHEEL])
def test_speeds_are_ones_that_public_roads_allow_and_the_engine_is_neither_lugged_nor_raced(
    vehicle: Vehicle,
) -> None:
    for step in plan_drive(vehicle, AROUND):
        for speed in {step.from_mps, step.to_mps} - {0.0}:
            assert 19.9 * MPH_MPS < speed < 70.5 * MPH_MPS
            assert (speed / MPH_MPS) % 5.0 == pytest.approx(0.0, abs=1e-6) or (speed / MPH_MPS) % 5.0 > 4.999
            for gear in step.gears:
                rpm = 60.0 * speed / vehicle.tire.circumference_m * engine_ratio(vehicle, gear)
                assert 1000.0 < rpm < 4100.0
        assert "second person records" in step.caution or "wheels chocked" in step.caution


def test_where_it_shakes_in_the_direct_gear_the_first_step_leaves_that_gear() -> None:
    first = plan_drive(TRUCK, AROUND, gear=7)[0]  # seventh is the 1.00 gear
    assert set(first.gears) != {7}
    assert "engine 1x from driveshaft 1x" in first.tells_apart


def test_an_electric_vehicle_is_never_told_of_gears_neutral_or_engine_speed() -> None:
    for step in plan_drive(ELECTRIC, AROUND):
        assert step.gears == ()
        assert step.kind not in ("coast", "stand", "shift")
        assert "gear" not in step.instruction


def test_words_of_the_complaint_shift_what_is_thought_first() -> None:
    def share(complaint: str, part: str) -> float:
        return sum(s.probability for s in prior_standing(TRUCK, AROUND, None, complaint) if s.key[0] == part)

    assert share("boom when accelerating", "engine") > 1.3 * share("", "engine")
    assert share("a shake in the seat", "tire_wheel") > 1.2 * share("", "tire_wheel")  # 11.5 Hz: a shake
    assert sum(s.probability for s in prior_standing(TRUCK, AROUND, None, "boom")) == pytest.approx(1.0)


def test_speeds_are_said_in_the_unit_of_the_user() -> None:
    metric = plan_drive(TRUCK, 95.0 / 3.6, unit="km/h")
    assert all(
        "km/h" in step.instruction and "mph" not in step.instruction for step in metric if step.from_mps
    )
    sensor = plan_drive(TRUCK, AROUND, unit="m/s")  # no dashboard shows m/s
    assert all("mph" in step.instruction and "km/h" in step.instruction for step in sensor if step.from_mps)


def test_a_gear_or_speed_that_does_not_exist_is_one_sentence() -> None:
    with pytest.raises(VehicleError, match="8 forward gears"):
        plan_drive(TRUCK, AROUND, gear=12)
    with pytest.raises(SpeedError, match="outside"):
        plan_drive(TRUCK, 200.0)


def test_the_card_is_printed_with_numbers_and_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--vehicle", str(SAMPLES / "truck.toml"), "--speed", "60 mph"]) == 0
    card = capsys.readouterr().out
    assert "drives for a shake at 60 mph" in card
    assert "1. " in card and "2. " in card
    assert "Tells apart: " in card and "On average narrows " in " ".join(card.split())
    assert not re.search(r"\bbits?\b", card)  # a technician's card
    assert "tire pressure" in card
    assert "second person records" in " ".join(card.split())
    assert max(len(line) for line in card.splitlines()) <= 80


def test_a_bad_speed_ends_in_one_sentence_and_exit_code_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--vehicle", str(SAMPLES / "truck.toml"), "--speed", "fast"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.strip().splitlines()) == 1
    assert "60 mph" in said.err

"""The front door on simulated drives: the part with the fault is named first, and the advice is the trade's.

Rates by hand beside the checks: wheel = speed / rolling circumference, shaft = wheel x axle ratio, engine =
shaft x gear (kinematics). That joint angles, misfires and firing are never balanced, that runout comes before
balance, and where an indicator goes: common practice, no source.
"""

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from diagnosis_examples import (
    CAR,
    CAR_SHIFTING,
    DIRECT_GEAR,
    ELECTRIC,
    ELECTRIC_SWEEP,
    FEW_GEARS,
    FOUR_WHEEL,
    HELD_IN_SECOND,
    SHIFTING,
    STEADY,
    TOP_GEAR,
    TRUCK,
    TRUCK_WITH_COMPRESSOR,
    group_probability,
    judged,
    key,
    made,
    of,
    with_rpm,
    without_gps,
)

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.errors import RecordingError, SpeedError, VehicleError
from vibeorder.recording import Trace
from vibeorder.simulate import Drive, as_recording
from vibeorder.speed.given import parse_speed_given
from vibeorder.vehicle import Vehicle

SURE = 0.8
MPH = 0.44704  # m/s, exact (international mile of 1959)

CLEAR_CASES: list[tuple[Vehicle, Drive, str, float]] = [
    (TRUCK, TOP_GEAR, "driveshaft", 1.0),
    (TRUCK, SHIFTING, "driveshaft", 1.0),
    (TRUCK, TOP_GEAR, "tire_wheel", 1.0),
    (TRUCK, SHIFTING, "driveshaft", 2.0),
    (TRUCK, SHIFTING, "engine", 4.0),
    (CAR, CAR_SHIFTING, "half_shaft", 3.0),
    (ELECTRIC, ELECTRIC_SWEEP, "tire_wheel", 2.0),
    (ELECTRIC, ELECTRIC_SWEEP, "motor", 1.0),
    (TRUCK_WITH_COMPRESSOR, SHIFTING, "accessory:compressor", 1.0),
]
HEALTHY_CASES = [(TRUCK, SHIFTING), (CAR, CAR_SHIFTING), (ELECTRIC, ELECTRIC_SWEEP)]
NAMES = [f"{v.layout}-{p}-{o:g}x-{i}" for i, (v, _, p, o) in enumerate(CLEAR_CASES)]


@pytest.mark.parametrize(("vehicle", "drive", "part", "order"), CLEAR_CASES, ids=NAMES, scope="module")
def test_the_part_with_the_fault_comes_first(vehicle: Vehicle, drive: Drive, part: str, order: float) -> None:
    result = judged(vehicle, drive, part, order)
    assert key(result.suspects[0]) == (part, order)
    assert group_probability(result, result.suspects[0]) > SURE
    assert result.nothing_found_probability < 0.2


@pytest.mark.parametrize(("vehicle", "drive", "part", "order"), CLEAR_CASES, ids=NAMES, scope="module")
def test_its_line_is_measured_where_the_part_turned_and_as_strong_as_it_shook(
    vehicle: Vehicle, drive: Drive, part: str, order: float
) -> None:
    first = judged(vehicle, drive, part, order).suspects[0]
    truth = made(vehicle, drive, part, order).truth
    assert first.frequency_hz == pytest.approx(float(np.median(truth.frequency_hz(part, order))), rel=0.015)
    assert first.amplitude_rms == pytest.approx(0.3, rel=0.15)
    assert first.amplitude == pytest.approx(2**0.5 * first.amplitude_rms)  # a sine's peak over its rms


@pytest.mark.parametrize(("vehicle", "drive", "part", "order"), CLEAR_CASES, ids=NAMES, scope="module")
def test_all_suspects_and_nothing_share_one_whole_probability(
    vehicle: Vehicle, drive: Drive, part: str, order: float
) -> None:
    result = judged(vehicle, drive, part, order)
    probabilities = [s.probability for s in result.suspects]
    assert sum(probabilities) + result.nothing_found_probability == pytest.approx(1.0, abs=1e-9)
    assert probabilities == sorted(probabilities, reverse=True)
    assert all(0.0 <= p <= 1.0 for p in (*probabilities, result.nothing_found_probability))


@pytest.mark.parametrize(("vehicle", "drive"), HEALTHY_CASES, ids=["rwd", "fwd", "ev"])
def test_a_healthy_drive_blames_no_part_and_asks_for_no_runout_check(vehicle: Vehicle, drive: Drive) -> None:
    result = judged(vehicle, drive)
    assert result.nothing_found_probability > 0.5
    assert not result.runout_check.warranted
    assert result.verdict.startswith("Nothing that turns explains")
    assert all(s.probability < 0.5 for s in result.suspects)


def test_a_bent_pinion_flange_warrants_the_indicator_on_the_tube_then_the_flange() -> None:
    result = judged(TRUCK, SHIFTING, "driveshaft", 1.0)
    assert result.runout_check.warranted
    where = result.runout_check.where
    assert where.index("tube") < where.index("flange")
    assert "Runout before balance" in result.runout_check.why
    assert "driveshaft" in result.verdict
    assert "first order" in result.verdict


def test_joint_angles_are_never_sent_to_the_balancer_nor_to_the_dial_indicator() -> None:
    result = judged(TRUCK, SHIFTING, "driveshaft", 2.0)
    assert not result.runout_check.warranted
    assert result.runout_check.where == ""
    assert result.suspects[0].never.startswith("Never balance")
    assert "slopes" in result.suspects[0].first_check


@pytest.mark.parametrize(("vehicle", "drive", "part", "order"), CLEAR_CASES, ids=NAMES, scope="module")
def test_only_a_first_order_may_ever_be_balanced(
    vehicle: Vehicle, drive: Drive, part: str, order: float
) -> None:
    first = judged(vehicle, drive, part, order).suspects[0]
    if first.order == 1.0 and part != "motor":
        assert "Runout before balance" in first.never
    elif part != "motor":
        assert first.never.startswith("Never balance")


def test_abnormal_firing_is_named_and_not_measured_for_runout() -> None:
    result = judged(TRUCK, SHIFTING, "engine", 4.0)
    assert "firing" in result.verdict
    assert not result.runout_check.warranted
    assert "like vehicle" in result.suspects[0].first_check


def test_a_tire_fault_tells_how_to_find_which_wheel() -> None:
    result = judged(TRUCK, TOP_GEAR, "tire_wheel", 1.0)
    assert result.runout_check.warranted
    assert "tread" in result.runout_check.where
    assert any("swap the wheels" in note for note in result.notes)


def test_engine_and_driveshaft_in_a_direct_gear_are_not_told_apart_and_share_the_probability() -> None:
    result = judged(TRUCK, DIRECT_GEAR, "driveshaft", 1.0, gear=7)  # seventh is the 1.00 gear
    shaft, engine = of(result, "driveshaft", 1.0), of(result, "engine", 1.0)
    assert key(engine) in shaft.indistinct_from
    assert key(shaft) in engine.indistinct_from
    assert shaft.probability + engine.probability > 0.9
    assert min(shaft.probability, engine.probability) > 0.1
    assert "cannot tell which" in result.verdict
    assert result.next_drive is not None
    assert "gear" in result.next_drive.instruction


def test_an_engine_speed_logged_through_a_shift_tells_the_engine_from_the_driveshaft() -> None:
    result = diagnose(with_rpm(made(TRUCK, SHIFTING, "driveshaft")), TRUCK)
    assert key(result.suspects[0]) == ("driveshaft", 1.0)
    assert ("engine", 1.0) not in result.suspects[0].indistinct_from
    assert result.speed.gear != 7
    assert of(result, "engine", 1.0).probability < 0.02


def test_front_and_rear_driveshaft_of_equal_ratios_share_the_probability() -> None:
    result = judged(FOUR_WHEEL, SHIFTING, "front_driveshaft", 1.0)
    front, rear = of(result, "front_driveshaft", 1.0), of(result, "driveshaft", 1.0)
    assert key(rear) in front.indistinct_from
    assert key(front) in rear.indistinct_from
    assert front.probability + rear.probability > SURE
    assert min(front.probability, rear.probability) > 0.1


def test_wheel_and_half_shaft_share_the_probability() -> None:
    result = judged(CAR, CAR_SHIFTING, "tire_wheel", 1.0)
    wheel, shaft = of(result, "tire_wheel", 1.0), of(result, "half_shaft", 1.0)
    assert key(shaft) in wheel.indistinct_from
    assert key(wheel) in shaft.indistinct_from
    assert wheel.probability + shaft.probability > SURE
    assert min(wheel.probability, shaft.probability) > 0.1


def test_a_front_axle_of_another_ratio_tells_front_from_rear_driveshaft() -> None:
    # With a front ratio 4% shorter the front shaft turns 4% slower: 1.2 Hz apart at 30 Hz.
    vehicle = replace(FOUR_WHEEL, front_axle_ratio=0.96 * 3.55)
    result = diagnose(as_recording(made(vehicle, SHIFTING, "front_driveshaft")), vehicle)
    assert key(result.suspects[0]) == ("front_driveshaft", 1.0)
    assert ("driveshaft", 1.0) not in result.suspects[0].indistinct_from


@pytest.mark.parametrize("part", ["tire_wheel", "driveshaft"])
def test_a_speed_read_three_percent_high_off_the_dash_still_finds_the_part(part: str) -> None:
    test = made(TRUCK, STEADY, part)
    said = parse_speed_given(f"{27.0 * 1.03 / MPH:.2f} mph")
    result = diagnose(without_gps(test), TRUCK, speed=said, gear=8)
    assert key(result.suspects[0]) == (part, 1.0)
    assert group_probability(result, result.suspects[0]) > 0.7
    assert result.speed.source == "given"
    # true wheel rate over the nominal one, with the speedometer 3% high, as its usual 2% is taken off first
    expected = 1.02 / 1.03 / test.truth.tire_scale
    assert result.speed.scale == pytest.approx(expected, abs=0.005)


def test_the_same_speed_in_kilometres_and_miles_gives_the_same_result() -> None:
    recording = without_gps(made(TRUCK, STEADY, "driveshaft"))
    # 1 mile = 1.609344 km exactly
    miles = diagnose(recording, TRUCK, speed=parse_speed_given("60 mph"), gear=8)
    kilometres = diagnose(recording, TRUCK, speed=parse_speed_given("96.56064 km/h"), gear=8)
    assert [key(s) for s in miles.suspects] == [key(s) for s in kilometres.suspects]
    assert [s.probability for s in miles.suspects] == pytest.approx(
        [s.probability for s in kilometres.suspects]
    )
    assert (miles.speed.unit, kilometres.speed.unit) == ("mph", "km/h")


def test_a_firing_line_above_half_the_sample_rate_is_found_and_said_to_be_folded() -> None:
    test = made(TRUCK, SHIFTING, "engine", 4.0, rate_hz=100.0)
    assert np.median(test.truth.frequency_hz("engine", 4.0)) > 100.0
    result = diagnose(as_recording(test), TRUCK)
    assert key(result.suspects[0]) == ("engine", 4.0)
    assert result.suspects[0].folded
    assert any("folded" in note for note in result.notes)


def test_the_same_line_at_a_sample_rate_that_holds_it_is_not_folded() -> None:
    result = diagnose(as_recording(made(TRUCK, SHIFTING, "engine", 4.0, rate_hz=450.0)), TRUCK)
    assert key(result.suspects[0]) == ("engine", 4.0)
    assert not result.suspects[0].folded


def test_a_logged_engine_speed_tells_which_gear_it_was() -> None:
    # Sixth gear (1.28) throughout, speed and rpm logged: engine turns per shaft turn settle the gear.
    test = made(TRUCK, Drive("sweep", (18.0, 25.0), ((0.0, 6),)), "engine", 1.0)
    result = diagnose(with_rpm(test), TRUCK)
    assert result.speed.gear == 6
    assert key(result.suspects[0]) == ("engine", 1.0)


# ---- no speed at all


def inferred() -> Diagnosis:
    test = made(FEW_GEARS, Drive("sweep", (18.0, 29.0), ((0.0, 2),)), "driveshaft", rate_hz=200.0)
    return diagnose(without_gps(test), FEW_GEARS)


def test_without_a_speed_the_sweep_of_a_strong_shaft_is_among_the_first_three() -> None:
    result = inferred()
    assert result.speed.source == "inferred"
    assert ("driveshaft", 1.0) in [key(s) for s in result.suspects[:3]]
    assert result.next_drive is not None
    assert "speed" in result.next_drive.instruction


@cache
def one_line() -> Diagnosis:
    test = made(FEW_GEARS, HELD_IN_SECOND, "driveshaft", rate_hz=100.0, duration_s=20.0)
    return diagnose(without_gps(test), FEW_GEARS)


def test_one_steady_line_without_a_speed_leaves_honest_doubt() -> None:
    result = one_line()
    assert result.suspects[0].probability < 0.9
    for suspect in result.suspects:
        if group_probability(result, suspect) > 0.9:
            assert suspect.indistinct_from


def test_the_parts_that_the_verdict_names_carry_the_probability_that_it_states() -> None:
    result = one_line()
    stated = re.search(r"(\d+)%", result.verdict)
    assert stated is not None
    named = sum(s.probability for s in result.suspects if s.label in result.verdict)
    assert named > int(stated.group(1)) / 100.0 - 0.1


@pytest.mark.parametrize("seed", range(3))
def test_a_healthy_drive_without_a_speed_is_not_made_likelier_to_be_faulty(seed: int) -> None:
    result = diagnose(without_gps(made(ELECTRIC, ELECTRIC_SWEEP, seed=seed)), ELECTRIC)
    assert result.nothing_found_probability > 0.4


# ---- what cannot be diagnosed


def test_a_gear_that_the_vehicle_has_not_got_is_refused() -> None:
    with pytest.raises(VehicleError, match="9"):
        diagnose(as_recording(made(TRUCK, TOP_GEAR)), TRUCK, gear=9)


def test_a_vehicle_that_stands_is_said_to_stand() -> None:
    recording = as_recording(made(TRUCK, TOP_GEAR))
    still = Trace(np.arange(25.0), np.full(25, 0.2), "speed", "m/s")
    with pytest.raises(SpeedError, match="stands"):
        diagnose(recording, TRUCK, speed=still)


def test_three_seconds_are_too_short_to_tell() -> None:
    with pytest.raises(RecordingError, match="30 s or more"):
        diagnose(as_recording(made(TRUCK, TOP_GEAR, duration_s=3.0)), TRUCK)


def test_a_sensor_that_was_off_is_said_to_be_off() -> None:
    recording = as_recording(made(TRUCK, TOP_GEAR))
    with pytest.raises(RecordingError, match="never change"):
        diagnose(replace(recording, samples=np.full_like(recording.samples, 9.81)), TRUCK)


def test_the_report_says_whether_a_speed_was_in_the_recording_or_beside_it() -> None:
    recording = as_recording(made(TRUCK, STEADY, duration_s=12.0))
    assert recording.speed is not None
    assert diagnose(recording, TRUCK).speed.source == "logged"
    beside = replace(recording.speed, name="second device, speed (m/s)")
    assert diagnose(replace(recording, speed=None), TRUCK, speed=beside).speed.source == "log file"
    assert diagnose(recording, TRUCK, speed=beside).speed.source == "log file"

"""The next drive, computed: what it promises is information, and it promises none where there is none.

Arithmetic is checked against the erasure and the Gaussian channel (Cover and Thomas, Elements of Information
Theory, 2nd ed., sections 7.1.5 and 2.6) and scipy.integrate. That wheel and half-shaft, or engine and driveshaft
in a 1.00 gear, turn alike follows from how they are joined (common practice, no source).
"""

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from diagnosis_examples import CAR, ELECTRIC, FOUR_WHEEL, STEADY, TRUCK, made, of
from hypothesis import given, settings
from hypothesis import strategies as st
from report_examples import twins
from scipy.integrate import quad
from scipy.stats import norm

from vibeorder.diagnosis import told, weigh
from vibeorder.diagnosis.drive_choices import drive_choices
from vibeorder.diagnosis.drive_entropy import entropy_bits, expected_entropy_bits
from vibeorder.diagnosis.drive_model import (
    FELT_AGAIN,
    NOTHING,
    Circumstances,
    DriveChoice,
    expected_of,
    joined,
    line_paths,
)
from vibeorder.diagnosis.drive_standing import standing_of
from vibeorder.diagnosis.drive_words import instruction_of, sharper_text
from vibeorder.diagnosis.nextdrive import (
    Standing,
    bits_after,
    circumstances_of,
    never_apart,
    next_drive_of,
    rank_drives,
)
from vibeorder.diagnosis.result import NextDrive
from vibeorder.report import as_dict
from vibeorder.simulate import as_recording
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Vehicle, engine_ratio, parse_vehicle

AROUND = 60.0 * MPH_MPS
HELD = np.full(30, AROUND)
WHEEL_HZ = AROUND / TRUCK.tire.circumference_m


def standing(
    part: str,
    order: float,
    probability: float,
    basis: Literal["wheel", "engine", "fixed"],
    multiple: float,
    hz: float | None,
    *,
    growth: float = 1.0,
    rms: float = 0.25,
    slack: float = 0.0,
    check: str | None = None,
) -> Standing:
    """A suspect with a clear line."""
    said = f"look at the {part} {order}" if check is None else check
    return Standing(
        (part, order), part, probability, basis, multiple, growth, rms, 0.05, hz, slack=slack, check=said
    )


def direct_gear(shaft: float = 0.49, engine: float = 0.49) -> list[Standing]:
    """Held in the 1.00 gear: driveshaft or engine, first order, on one line."""
    hz = 3.55 * WHEEL_HZ
    return [
        standing("driveshaft", 1.0, shaft, "wheel", 3.55, hz, growth=2.0),
        standing("engine", 1.0, engine, "engine", 1.0, hz, growth=0.5),
        standing("nothing", 0.0, 1.0 - shaft - engine, "fixed", 1.0, hz, growth=0.0, check=""),
    ]


def wheel_or_half_shaft(order: float = 1.0) -> list[Standing]:
    hz = order * AROUND / CAR.tire.circumference_m
    return [
        standing("tire_wheel", order, 0.6, "wheel", order, hz),
        standing("half_shaft", order, 0.37, "wheel", order, hz),
        standing("nothing", 0.0, 0.03, "fixed", 1.0, hz, check=""),
    ]


def advice(found: list[Standing], vehicle: Vehicle = TRUCK, unit: str = "mph") -> NextDrive:
    told = next_drive_of(found, vehicle, HELD, unit=unit)
    assert told is not None
    return told


# ---- which drive


def test_a_direct_gear_pair_is_sent_into_another_gear_and_the_two_lines_part() -> None:
    best = rank_drives(direct_gear(), TRUCK, circumstances_of(TRUCK, HELD))[0].choice
    assert set(best.gears) != {7}
    shaft, engine, _ = line_paths(direct_gear(), TRUCK, best, circumstances_of(TRUCK, HELD))
    assert np.abs(shaft - engine).min() > 1.0  # more than two bins of a 4 s block
    told = advice(direct_gear())
    assert "gear" in told.instruction
    assert "driveshaft 1x" in told.reason and "engine 1x" in told.reason
    assert told.bits_before is not None and told.bits_after is not None
    assert told.bits_after < 0.5 * told.bits_before
    assert f"({sharper_text(told.bits_before, told.bits_after)})" in told.reason
    assert "bits" not in told.reason


def test_doubt_is_told_as_so_many_equally_likely_suspects_and_below_two_as_how_sure_the_first_is() -> None:
    # Shannon 1948: n equally likely have log2 n bits, and two of which one has 0.11, 0.5 (the latter from memory)
    for many in (2, 3, 5, 11):
        assert f"narrows {many} suspects" in sharper_text(float(np.log2(many)), 0.5)
    assert sharper_text(np.log2(8), np.log2(2.5)).endswith("down to 2 or 3")
    assert sharper_text(0.9, 0.5).startswith("on average makes the first suspect 89% sure")
    assert sharper_text(0.5, 0.0).endswith("over 99% sure instead of 89%")
    assert "a little" in sharper_text(1.1, 1.0)


def test_staying_in_the_direct_gear_promises_next_to_nothing() -> None:
    known = circumstances_of(TRUCK, HELD)
    pair = direct_gear(0.5, 0.5)[:2]
    for kind, low in (("hold", AROUND), ("sweep", 0.75 * AROUND)):
        choice = DriveChoice(kind, low, AROUND, (7,))  # type: ignore[arg-type]
        assert bits_after(pair, TRUCK, choice, known) > 0.95


def test_without_gear_ratios_neutral_or_a_standstill_is_what_parts_engine_from_shaft() -> None:
    bare = replace(TRUCK, gears=())
    best = rank_drives(direct_gear(), bare, circumstances_of(bare, HELD))[0].choice
    assert best.kind in ("coast", "stand")


def test_coasting_in_neutral_the_shaft_stays_and_the_engine_drops_out_and_safety_is_said() -> None:
    bare = replace(TRUCK, gears=())
    pair = direct_gear()
    pair[1] = standing("engine", 0.5, 0.49, "engine", 0.5, 3.55 * WHEEL_HZ)  # 4600 rpm: not without load
    told = advice(pair, bare)
    assert told.instruction == "Coast from 65 to 40 mph in neutral."
    assert "the driveshaft 1x keeps shaking" in told.reason and "the engine 0.5x drops out" in told.reason
    assert "legal and safe" in told.reason and "engine running" in told.reason
    assert "second person" in told.reason


def test_a_standstill_asks_for_the_engine_speed_at_which_it_shook_and_says_how_to_read_it() -> None:
    weak = [replace(one, strength_rms=0.005) for one in direct_gear(0.3, 0.3)]  # drowned in road noise
    told = advice(weak)
    rpm = 50.0 * round(60.0 * 3.55 * WHEEL_HZ / 50.0)
    assert f"{rpm:.0f} rpm" in told.instruction and "Standing still" in told.instruction
    assert f'--rate-of-turn "{rpm:.0f} rpm"' in told.reason
    assert "the engine 1x shows" in told.reason and "wheels chocked" in told.reason


def test_a_fixed_resonance_is_told_from_a_tire_by_another_speed_never_by_the_same() -> None:
    hz = WHEEL_HZ
    pair = [
        standing("tire_wheel", 1.0, 0.5, "wheel", 1.0, hz, growth=2.0),
        standing("nothing", 0.0, 0.5, "fixed", 1.0, hz, growth=0.0, check=""),
    ]
    known = circumstances_of(TRUCK, HELD)
    best = rank_drives(pair, TRUCK, known)[0].choice
    assert best.from_mps != pytest.approx(AROUND) or best.to_mps != pytest.approx(AROUND)
    assert bits_after(pair, TRUCK, DriveChoice("hold", AROUND, AROUND, (8,)), known) > 0.99
    assert "what does not turn" in advice(pair).reason


def test_a_line_that_lives_on_torque_is_told_by_load_where_its_rate_tells_nothing() -> None:
    told = advice(wheel_or_half_shaft(3.0), CAR)
    assert "pull firmly" in told.instruction
    assert "half-shaft 3x comes with the throttle" in told.reason


# ---- where no drive helps


def test_tire_and_half_shaft_are_never_promised_a_drive_but_told_to_move_the_wheels() -> None:
    told = advice(wheel_or_half_shaft(), CAR)
    assert told.instruction.startswith("No other drive: swap the wheels")
    assert told.bits_after == told.bits_before
    assert told.alternatives == ()


def test_driveshafts_of_one_ratio_are_never_promised_a_drive() -> None:
    hz = 3.55 * WHEEL_HZ
    pair = [
        standing("driveshaft", 1.0, 0.5, "wheel", 3.55, hz),
        standing("front_driveshaft", 1.0, 0.5, "wheel", 3.55, hz),
    ]
    told = advice(pair, FOUR_WHEEL)
    assert "No other drive" in told.instruction and "front driveshaft out" in told.instruction


def test_an_accessory_within_its_belts_slip_of_the_engine_is_told_by_the_belt() -> None:
    pair = [
        standing("engine", 1.0, 0.5, "engine", 1.0, 30.0),
        standing("accessory:fan", 1.0, 0.5, "engine", 1.004, 30.0, slack=0.01),
    ]
    assert never_apart(*pair)
    assert "belt off" in advice(pair).instruction


@pytest.mark.parametrize("sure", [0.93, 0.999])
def test_nothing_is_asked_where_one_suspect_or_nothing_is_sure(sure: float) -> None:
    rest = 1.0 - sure
    assert next_drive_of(direct_gear(sure, 0.5 * rest), TRUCK, HELD) is None
    calm = [replace(one, probability=sure if one.key == NOTHING else 0.5 * rest) for one in direct_gear()]
    assert next_drive_of(calm, TRUCK, HELD) is None


def test_nothing_is_asked_where_all_that_is_left_has_one_first_check() -> None:
    same = [replace(one, check="look at the mounts") for one in direct_gear()[:2]]
    assert next_drive_of(same, TRUCK, HELD) is None


def test_without_a_speed_the_next_drive_is_asked_for_with_its_speed_logged() -> None:
    told = next_drive_of(direct_gear(), TRUCK, HELD, kind="inferred")
    assert told is not None
    assert told.instruction.startswith("With the speed logged")


def test_a_speed_that_was_only_inferred_never_asks_for_a_faster_one_than_roads_allow() -> None:
    known = circumstances_of(TRUCK, np.full(30, 90.0 * MPH_MPS), "inferred")
    for one in rank_drives(direct_gear(), TRUCK, known):
        assert max(one.choice.from_mps, one.choice.to_mps) < 70.5 * MPH_MPS


def test_lines_too_close_for_the_dash_ask_for_a_logged_speed() -> None:
    hz = 4.0 * WHEEL_HZ
    pair = [
        standing("tire_wheel", 4.0, 0.5, "wheel", 4.0, hz),
        replace(standing("driveshaft", 1.0, 0.5, "wheel", 3.91, hz), scale=4.0 / 3.91),
    ]
    told = next_drive_of(pair, TRUCK, HELD, kind="given")
    assert told is not None
    assert "speed logged" in told.instruction
    assert told.bits_after == told.bits_before


# ---- what may be asked of a driver


@pytest.mark.parametrize("vehicle", [TRUCK, CAR, ELECTRIC, FOUR_WHEEL])
@pytest.mark.parametrize("around_mph", [15.0, 35.0, 60.0, 85.0])
def test_no_drive_is_faster_than_roads_allow_or_the_recording_was_and_no_engine_is_raced(
    vehicle: Vehicle, around_mph: float
) -> None:
    around = around_mph * MPH_MPS
    for choice in drive_choices(vehicle, around, engine_rpm=5200.0):
        assert max(choice.from_mps, choice.to_mps) < max(70.5, min(around_mph, 81.0) + 0.1) * MPH_MPS
        assert choice.kind != "stand"  # 5200 rpm without load is asked of nobody
        for gear in choice.gears:
            top = max(choice.from_mps, choice.to_mps) / vehicle.tire.circumference_m
            assert 60.0 * top * engine_ratio(vehicle, gear) <= 4000.0


def test_speeds_are_said_in_the_users_unit() -> None:
    assert "km/h" in advice(direct_gear(), unit="km/h").instruction
    assert "mph (" in advice(direct_gear(), unit="m/s").instruction  # no dashboard shows m/s
    sweep = DriveChoice("sweep", 20.0, 30.0, (6,), duration_s=60.0)
    assert (
        instruction_of(sweep, "km/h") == "Drive slowly from 72 to 108 km/h and back in gear 6, 60 s in all."
    )


# ---- the arithmetic


@pytest.mark.parametrize("distance", [0.5, 1.5, 3.0])
def test_two_points_a_distance_apart_leave_the_entropy_of_the_gaussian_channel(distance: float) -> None:
    p = 0.3

    def lost(x: float) -> float:
        a, b = p * norm.pdf(x), (1.0 - p) * norm.pdf(x - distance)
        return float(-sum(w * np.log2(w / (a + b)) for w in (a, b) if w > 0.0))

    expected, _ = quad(lost, -10.0, 10.0 + distance)
    gram = np.array([[0.0, 0.0], [0.0, distance**2]])
    found = expected_entropy_bits(np.array([p, 1.0 - p]), np.arange(2), np.ones(2), gram)
    assert found == pytest.approx(expected, abs=0.03)


def test_a_shake_felt_again_only_sometimes_is_an_erasure_channel() -> None:
    # Cover and Thomas 7.1.5: of H bits, a channel that erases with probability a leaves a H.
    felt = 0.7
    owner = np.array([0, 1, 0, 1])
    share = np.array([felt, felt, 1.0 - felt, 1.0 - felt])
    gram = np.diag([400.0, 400.0, 0.0, 0.0])
    assert expected_entropy_bits(np.array([0.5, 0.5]), owner, share, gram) == pytest.approx(0.3, abs=0.01)


def test_a_fault_felt_in_one_drive_is_felt_in_the_next_as_combined_drives_are_weighed() -> None:
    # E[q^2] / E[q] for the equally likely shares of analyse.combined_log_odds: 0.1, 0.3, 0.6, 1
    assert pytest.approx((0.01 + 0.09 + 0.36 + 1.0) / 2.0) == FELT_AGAIN


PARTS = (
    ("tire_wheel", 1.0, "wheel", 1.0), ("tire_wheel", 2.0, "wheel", 2.0), ("driveshaft", 1.0, "wheel", 3.55),
    ("driveshaft", 2.0, "wheel", 7.1), ("engine", 1.0, "engine", 1.0), ("engine", 4.0, "engine", 4.0),
    ("nothing", 0.0, "fixed", 1.0),
)  # fmt: skip
CHOICES = drive_choices(TRUCK, AROUND, engine_rpm=2300.0)


@st.composite
def rankings(draw: st.DrawFn) -> list[Standing]:
    picked = draw(st.lists(st.sampled_from(PARTS), min_size=2, max_size=6, unique=True))
    weights = draw(st.lists(st.floats(0.01, 1.0), min_size=len(picked), max_size=len(picked)))
    out = []
    for (part, order, basis, multiple), weight in zip(picked, weights, strict=True):
        hz, rms = draw(st.floats(8.0, 60.0)), draw(st.floats(0.0, 0.6))
        out.append(standing(part, order, weight / sum(weights), basis, multiple, hz, rms=rms))  # type: ignore[arg-type]
    return out


@settings(max_examples=40, deadline=None)
@given(rankings(), st.sampled_from(CHOICES))
def test_entropy_never_rises_in_expectation(found: list[Standing], choice: DriveChoice) -> None:
    before = entropy_bits(np.array([one.probability for one in found]))
    after = bits_after(found, TRUCK, choice, Circumstances(AROUND, 0.004))
    assert -1e-12 <= after <= before + 1e-12


@settings(max_examples=25, deadline=None)
@given(st.floats(0.05, 0.95), st.floats(0.01, 0.5), st.sampled_from(CHOICES))
def test_identical_tracks_give_no_gain_whatever_the_drive(p: float, rms: float, choice: DriveChoice) -> None:
    if choice.kind == "load":
        return
    pair = [
        standing("tire_wheel", 1.0, p, "wheel", 1.0, WHEEL_HZ, rms=rms),
        standing("half_shaft", 1.0, 1.0 - p, "wheel", 1.0, WHEEL_HZ, rms=rms),
    ]
    before = entropy_bits(np.array([p, 1.0 - p]))
    assert bits_after(pair, TRUCK, choice, Circumstances(AROUND, 0.004)) == pytest.approx(before, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(rankings(), st.randoms(use_true_random=False), st.sampled_from(CHOICES))
def test_neither_order_nor_names_of_the_suspects_matter(
    found: list[Standing], chance: object, choice: DriveChoice
) -> None:
    renamed = [replace(one, label=f"part {i}", check=f"check {i}") for i, one in enumerate(found)]
    chance.shuffle(renamed)  # type: ignore[attr-defined]
    known = Circumstances(AROUND, 0.004)
    assert bits_after(renamed, TRUCK, choice, known) == pytest.approx(
        bits_after(found, TRUCK, choice, known), abs=1e-9
    )


def test_two_drives_together_never_leave_more_doubt_than_one() -> None:
    found = direct_gear(0.4, 0.4)
    p = np.array([one.probability for one in found])
    known = circumstances_of(TRUCK, HELD)
    first, second = (expected_of(found, TRUCK, choice, known) for choice in (CHOICES[0], CHOICES[5]))
    both = joined(first, second)
    one, two = (expected_entropy_bits(p, e.owner, e.share, e.gram) for e in (first, both))
    assert two <= one + 0.01
    assert both.share[both.owner == 0].sum() == pytest.approx(1.0)


def test_a_stronger_line_and_less_noise_promise_more() -> None:
    known = circumstances_of(TRUCK, HELD)
    choice = DriveChoice("hold", AROUND, AROUND, (8,))
    left = [
        bits_after([replace(one, strength_rms=rms) for one in direct_gear()], TRUCK, choice, known)
        for rms in (0.005, 0.02, 0.3)
    ]
    assert left[0] > left[1] > left[2]


# ---- from a recording


def test_what_stands_of_a_recording_predicts_the_line_where_it_was_and_where_another_gear_takes_it() -> None:
    weighed = weigh(
        as_recording(made(TRUCK, replace(STEADY, gears=((0.0, 7),)), "driveshaft")), TRUCK, gear=7
    )
    result = told(weighed)
    found = standing_of(
        result.suspects,
        result.nothing_found_probability,
        weighed.pieces[0],
        TRUCK,
        result.speed,
        weighed.kind,
    )
    assert sum(one.probability for one in found) == pytest.approx(1.0, abs=1e-6)
    assert found[-1].key == NOTHING
    by_key = {one.key: one for one in found}
    shaft, engine = by_key["driveshaft", 1.0], by_key["engine", 1.0]
    assert shaft.frequency_hz == pytest.approx(of(result, "driveshaft", 1.0).frequency_hz)
    assert 0.01 < shaft.noise < 0.2  # road noise of 0.3 m/s^2 rms an axis, mostly below 30 Hz
    known = circumstances_of(TRUCK, result.speed.speed_mps)
    again = DriveChoice("hold", known.recorded_mps, known.recorded_mps, (7,))
    lower = replace(again, gears=(8,))  # 0.85 over 1.00
    same, other = (line_paths([shaft, engine], TRUCK, choice, known)[:, 0] for choice in (again, lower))
    assert same == pytest.approx([shaft.frequency_hz] * 2, rel=0.005)
    assert other[1] / other[0] == pytest.approx(0.85, rel=0.005)
    assert result.next_drive is not None
    assert "in gear" in result.next_drive.instruction and "gear 7" not in result.next_drive.instruction


# ---- the doors


def test_json_carries_the_promise_in_figures() -> None:
    told = NextDrive("Hold 60 mph in gear 8 for 40 s.", "why", 1.0, 0.25, (("Coast.", 0.5),))
    detail = as_dict(replace(twins(), next_drive=told))["next_drive_detail"]
    assert detail == {
        "instruction": told.instruction,
        "reason": "why",
        "bits_before": 1.0,
        "bits_after": 0.25,
        "alternatives": [{"instruction": "Coast.", "bits_after": 0.5}],
    }
    assert as_dict(replace(twins(), next_drive=None))["next_drive_detail"] is None


def test_a_vehicle_without_an_engine_is_never_asked_to_coast_in_neutral() -> None:
    assert {choice.kind for choice in drive_choices(ELECTRIC, AROUND, engine_rpm=2000.0)} == {
        "hold",
        "sweep",
        "load",
    }
    few = parse_vehicle(
        {
            "vehicle": {"name": "no gears listed", "layout": "rwd"},
            "tire": {"size": "205/55R16"},
            "axle": {"ratio": 3.7},
            "engine": {"cylinders": 4},
        }
    )
    assert {choice.kind for choice in drive_choices(few, AROUND, engine_rpm=2000.0)} >= {"coast", "stand"}

"""Marked stretches: a neutral coast and a standstill exclude what a drive in gear cannot; taps say where it is felt."""

from dataclasses import replace

import numpy as np
import pytest

from vibeorder.diagnosis import judged_together, marked_stretches, steps_from, told, weigh, weigh_marked
from vibeorder.diagnosis.drive_choices import drive_choices
from vibeorder.diagnosis.drive_words import instruction_of
from vibeorder.diagnosis.result import Diagnosis
from vibeorder.diagnosis.steps import parse_step
from vibeorder.errors import VibeorderError
from vibeorder.recording.model import Recording
from vibeorder.simulate import Drive, Fault, Road, Scenario, as_recording, road_test
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import RollingTire, Vehicle

SPEED = 60.0 * MPH_MPS
TRUCK = Vehicle(
    "invented truck",
    "rwd",
    RollingTire(2.4, 0.01, "circumference 2400 mm"),
    axle_ratio=3.4,
    gears=(2.8, 1.55, 1.0),
    cylinders=8,
)


def driven(fault: Fault, drive: Drive, seed: int, duration_s: float = 36.0) -> Recording:
    scenario = Scenario(drive, duration_s, faults=(fault,), road=Road(0.2), tire_scale=1.004)
    return as_recording(road_test(TRUCK, scenario, np.random.default_rng(seed)))


def in_two_steps(fault: Fault, seed: int) -> Recording:
    """40 s held in the 1.00 gear, then a coast in neutral, as one recording."""
    held = driven(fault, Drive("steady", (SPEED,), gears=((0.0, 3),)), seed, 40.0)
    # the shake of an engine that idles is no longer that of an engine at road speed: a weak line far below
    faint = replace(fault, rms_mps2=0.02) if fault.part == "engine" else fault
    coast = driven(faint, Drive("coast", (1.05 * SPEED, 0.75 * SPEED)), seed + 1, 30.0)
    assert held.speed is not None and coast.speed is not None
    later = held.duration_s
    speed = replace(
        held.speed,
        times_s=np.concatenate([held.speed.times_s, coast.speed.times_s + later]),
        values=np.concatenate([held.speed.values, coast.speed.values]),
    )
    count = coast.samples.shape[1]
    rate = held.rate_hz
    again = np.interp(
        np.arange(int(count * rate / coast.rate_hz)) / rate,
        np.arange(count) / coast.rate_hz,
        coast.samples[0],
    )
    samples = np.stack(
        [
            np.interp(np.arange(again.size) / rate, np.arange(count) / coast.rate_hz, axis)
            for axis in coast.samples
        ]
    )
    return replace(
        held,
        samples=np.concatenate([held.samples, samples], axis=1),
        valid=np.ones(held.samples.shape[1] + samples.shape[1], bool),
        speed=speed,
    )


STEPS = (
    (0.0, 40.0, "step 1: Hold 60 mph in gear 3 for 40 s."),
    (41.0, 69.0, "step 2: Coast from 63 to 45 mph in neutral."),
)


def probability(found: Diagnosis, part: str) -> float:
    return sum(s.probability for s in found.suspects if (s.part, s.order) == (part, 1.0))


@pytest.mark.parametrize(("guilty", "other"), [("driveshaft", "engine"), ("engine", "driveshaft")])
def test_a_neutral_coast_tells_engine_from_driveshaft_in_a_one_to_one_gear(guilty: str, other: str) -> None:
    recording = in_two_steps(Fault(guilty, 1.0, 0.3), 5)
    steps = steps_from(STEPS, recording.duration_s)
    weighed = weigh_marked(recording, TRUCK, steps)
    held = told(weighed[0])
    # in the 1.00 gear, converter locked, no spectrum tells them apart: the report says so
    assert (other, 1.0) in next(
        s for s in held.suspects if (s.part, s.order) == (guilty, 1.0)
    ).indistinct_from
    both = judged_together(weighed)
    assert (both.suspects[0].part, both.suspects[0].order) == (guilty, 1.0)
    assert probability(both, guilty) > 0.85 > 0.15 > probability(both, other)
    assert (other, 1.0) not in both.suspects[0].indistinct_from


def test_the_same_rpm_standing_still_counts_for_the_engine() -> None:
    fault = Fault("engine", 1.0, 0.3)
    drive = driven(fault, Drive("steady", (SPEED,), gears=((0.0, 3),)), 11)
    rpm = 60.0 * SPEED / 2.4 * 3.4
    standing = driven(fault, Drive("stand", engine_rpm=rpm), 12)
    alone = weigh(drive, TRUCK, gear=3)
    still = weigh(standing, TRUCK, standing=True, standing_rpm=rpm)
    both = judged_together([alone, still])
    assert probability(both, "engine") > 0.9 > probability(told(alone), "engine")
    assert any("standing, engine at" in note for note in both.notes)


def test_standing_without_the_shake_counts_for_what_the_wheels_drive() -> None:
    drive = driven(Fault("driveshaft", 1.0, 0.3), Drive("steady", (SPEED,), gears=((0.0, 3),)), 13)
    rpm = 60.0 * SPEED / 2.4 * 3.4
    standing = driven(Fault("driveshaft", 1.0, 0.3), Drive("stand", engine_rpm=rpm), 14)
    both = judged_together(
        [weigh(drive, TRUCK, gear=3), weigh(standing, TRUCK, standing=True, standing_rpm=rpm)]
    )
    assert probability(both, "driveshaft") > 0.85


def test_standing_needs_its_engine_speed_and_a_drive_beside_it() -> None:
    standing = driven(Fault("engine", 1.0, 0.3), Drive("stand", engine_rpm=1800.0), 12)
    with pytest.raises(VibeorderError, match="--standing-rpm"):
        weigh(standing, TRUCK, standing=True)
    one = weigh(standing, TRUCK, standing=True, standing_rpm=1800.0)
    with pytest.raises(VibeorderError, match="standing still"):
        judged_together([one, one])


def test_every_drive_of_the_card_is_known_again_by_its_name() -> None:
    for choice in drive_choices(TRUCK, SPEED, "mph", engine_rpm=2000.0):
        step = parse_step(0.0, 30.0, f"step 3: {instruction_of(choice, 'mph')}")
        assert step is not None
        assert step.kind == choice.kind
        if choice.kind in ("hold", "sweep", "load") and choice.gears:
            assert step.gear == choice.gears[0]
        if choice.kind == "stand":
            assert step.engine_rpm == pytest.approx(2000.0)


def test_taps_cut_the_drive_into_where_it_was_felt_and_the_rest() -> None:
    steps = marked_stretches((60.0, 63.0, 120.0), 180.0)
    assert [s.kind for s in steps] == ["rest", "felt", "rest", "felt", "rest"]
    assert steps[1].begin_s < 60.0 and steps[1].end_s > 63.0
    assert marked_stretches((), 180.0) == ()
    assert marked_stretches((10.0,), 20.0) == ()

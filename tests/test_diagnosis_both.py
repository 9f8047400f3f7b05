"""Motion and sound of one drive, judged on one clock: sound tells the gear and the fold, motion the tire."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.hearing import (
    LOUD_RMS,
    MOST_BY_LOUDNESS,
    heard_candidates,
    heard_evidence,
    heard_signal,
)
from vibeorder.diagnosis.result import Diagnosis
from vibeorder.recording.model import Recording
from vibeorder.report import as_dict, as_html, as_text
from vibeorder.simulate import Drive, Fault, Microphone, Road, Scenario, as_recording, road_test
from vibeorder.vehicle import RollingTire, Vehicle, firing_order

# At 22.5 m/s the wheel turns 9.35 times a second (tire 0.3% large), its third order is 28.0 Hz. In gear 2 the engine
# turns 9.35 x 3.38 x 1.356 = 42.8 times and an eight fires four times a turn: 171.4 Hz, which 100 samples a second
# show at 28.6 Hz. Nothing in the motion tells the two apart but half a hertz, which is what the tire is not known by.
CAR = Vehicle(
    "invented car",
    "rwd",
    RollingTire(2.4, 0.01, "circumference 2400 mm"),
    axle_ratio=3.38,
    gears=(1.7, 1.356, 1.0),
    cylinders=8,
)


def rendered(
    fault: Fault, gear: int, seed: int = 3, long_s: float = 20.0, **more: Any
) -> tuple[Recording, Recording]:
    """One drive as acceleration at 100 samples a second and as sound."""
    scenario = Scenario(
        Drive("steady", (22.5,), gears=((0.0, gear),)),
        long_s,
        rate_hz=100.0,
        faults=(fault,),
        road=Road(0.2),
        tire_scale=1.003,
        microphone=Microphone(firing=0.4),
    )
    motion = road_test(CAR, replace(scenario, **more), np.random.default_rng(seed))
    sound = road_test(CAR, replace(scenario, sensor="audio", rate_hz=8000.0), np.random.default_rng(seed))
    assert np.array_equal(motion.truth.engine_hz, sound.truth.engine_hz)
    return as_recording(motion), as_recording(sound)


def share(found: Diagnosis, part: str) -> float:
    return sum(s.probability for s in found.suspects if s.part == part)


def test_sound_tells_a_folded_engine_order_from_the_tire_order_that_it_falls_on() -> None:
    motion, sound = rendered(Fault("engine", 4.0, 0.25), gear=2)
    alone = diagnose(motion, CAR)
    assert as_dict(alone)["motion_and_sound"] is None
    # the motion leaves both standing, and says that it cannot tell them apart
    assert share(alone, "tire_wheel") > 0.3
    top = alone.suspects[0]
    assert {(top.part, top.order), *top.indistinct_from} >= {("engine", 4.0), ("tire_wheel", 3.0)}
    both = diagnose(motion, CAR, sound=sound)
    assert (both.suspects[0].part, both.suspects[0].order) == ("engine", 4.0)
    assert share(both, "tire_wheel") < 0.6 * share(alone, "tire_wheel")
    assert both.speed.gear == 2


def test_a_loud_engine_takes_no_fault_from_the_tire() -> None:
    # firing rules the sound; the tire's first order, at 9 Hz, is not in it at all
    motion, sound = rendered(Fault("tire_wheel", 1.0, 0.25), gear=3)
    both = diagnose(motion, CAR, sound=sound)
    assert (both.suspects[0].part, both.suspects[0].order) == ("tire_wheel", 1.0)
    assert both.suspects[0].probability > 0.9
    assert both.senses is not None
    assert "1x tire/wheel" in both.senses.motion
    assert ("tire_wheel", 1.0) not in {(h.part, h.order) for h in both.senses.heard}
    firing = next(h for h in both.senses.heard if (h.part, h.order) == ("engine", 4.0))
    assert firing.frequency_hz == pytest.approx(22.5 / 2.4 / 1.003 * 3.38 * 4.0, rel=0.02)


def test_who_saw_what_stands_in_every_report() -> None:
    motion, sound = rendered(Fault("driveshaft", 1.0, 0.3), gear=2)
    both = diagnose(motion, CAR, sound=sound)
    written = as_dict(both)["motion_and_sound"]
    assert isinstance(written, dict)
    assert written["sentence"] == f"motion: {written['motion']}; sound: {written['sound']}"
    assert "1x driveshaft" in str(written["motion"])
    assert "m/s²" in str(written["motion"])
    assert "Motion: 1x driveshaft" in as_text(both)
    assert "Motion, sound" in as_html(both)


def test_sound_counts_where_no_speed_is_known_too() -> None:
    # by the motion alone it may as well be a tire's first order
    motion, sound = rendered(Fault("engine", 0.5, 0.2), gear=3, long_s=30.0, rate_hz=200.0, gps=None)
    alone, both = diagnose(motion, CAR), diagnose(motion, CAR, sound=sound)
    assert share(alone, "engine") < 0.6
    assert share(both, "engine") > share(alone, "engine") + 0.1
    assert both.senses is not None
    assert "engine" in both.senses.sound


def test_sound_is_laid_on_the_samples_own_time_and_gaps_stay_gaps() -> None:
    motion, sound = rendered(Fault("driveshaft", 1.0, 0.3), gear=2)
    late = replace(sound, start_s=sound.start_s + 5.0)
    laid = heard_signal(late, motion)
    assert laid.samples.shape[1] == pytest.approx(motion.duration_s * laid.rate_hz, abs=1.0)
    assert not laid.valid[: int(4.9 * laid.rate_hz)].any()
    assert laid.valid[int(5.1 * laid.rate_hz) :].all()
    assert np.sqrt(np.mean(laid.samples[0][laid.valid] ** 2)) == pytest.approx(LOUD_RMS, rel=1e-3)


def test_a_sound_that_covers_hardly_any_of_the_drive_is_left_out() -> None:
    motion, sound = rendered(Fault("driveshaft", 1.0, 0.3), gear=2)
    found = diagnose(motion, CAR, sound=replace(sound, start_s=sound.start_s + 17.5))
    assert found.senses is None


def test_every_part_is_looked_for_at_the_same_multiples_of_its_lines() -> None:
    orders = {c.order for c in heard_candidates(CAR) if c.part == "tire_wheel"}
    assert orders == {1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 9.0, 12.0, 16.0}


def test_no_lines_say_nothing_of_any_fault() -> None:
    heard = heard_candidates(CAR)
    found = heard_evidence(heard[:3], heard, (), firing_order(CAR))
    assert np.ptp(found) == 0.0
    assert np.exp(MOST_BY_LOUDNESS) <= 2.0 + 1e-9

"""What must not change the answer: how the phone lay, in which order its axes came, a gap, a unit, a fault's own size.

The vector amplitude of a shake does not depend on the axes it is measured in (a rotation keeps lengths).
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from diagnosis_examples import FELT_MPS2, FEW_GEARS, HELD_IN_SECOND, IN_SECOND, ONCE_UP, judged, key, made, of
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from vibeorder.diagnosis import Diagnosis, SpeedFit, diagnose
from vibeorder.recording import Recording
from vibeorder.simulate import Body, Drive, Fault, Scenario, Truth, as_recording, road_test

FloatArray = NDArray[np.float64]
CASES = [("driveshaft", ONCE_UP), ("tire_wheel", IN_SECOND)]


def turned(recording: Recording, matrix: FloatArray) -> Recording:
    return replace(recording, samples=matrix @ recording.samples)


def alike(one: Diagnosis, other: Diagnosis, part: str) -> None:
    """Same first suspect, same strength of its line."""
    assert key(one.suspects[0]) == key(other.suspects[0]) == (part, 1.0)
    assert other.suspects[0].amplitude_rms == pytest.approx(one.suspects[0].amplitude_rms, rel=0.02)
    assert other.suspects[0].frequency_hz == pytest.approx(one.suspects[0].frequency_hz, rel=0.003)


@pytest.mark.parametrize(("part", "drive"), CASES, scope="module")
def test_whatever_way_the_phone_lay_the_part_is_the_same(part: str, drive: Drive) -> None:
    recording, straight = as_recording(made(FEW_GEARS, drive, part)), judged(FEW_GEARS, drive, part)
    for seed in range(3):
        matrix = Rotation.random(rng=np.random.default_rng(seed)).as_matrix()
        alike(straight, diagnose(turned(recording, matrix), FEW_GEARS), part)


@pytest.mark.parametrize(("part", "drive"), CASES, scope="module")
def test_axes_in_another_order_or_upside_down_change_nothing(part: str, drive: Drive) -> None:
    recording, straight = as_recording(made(FEW_GEARS, drive, part)), judged(FEW_GEARS, drive, part)
    for matrix in (np.eye(3)[[2, 0, 1]], np.diag([1.0, -1.0, -1.0])):
        again = diagnose(turned(recording, matrix), FEW_GEARS)
        alike(straight, again, part)
        assert again.suspects[0].probability == pytest.approx(straight.suspects[0].probability, abs=0.02)


@pytest.mark.parametrize(("part", "drive"), CASES, scope="module")
@pytest.mark.parametrize("gap_s", [0.5, 4.0])
def test_a_gap_in_the_middle_keeps_the_part(part: str, drive: Drive, gap_s: float) -> None:
    recording = as_recording(made(FEW_GEARS, drive, part))
    times = np.arange(recording.valid.size) / recording.rate_hz
    valid = (times < 10.0) | (times > 10.0 + gap_s)
    gapped = replace(recording, valid=valid, samples=recording.samples * valid)
    result = diagnose(gapped, FEW_GEARS)
    assert key(result.suspects[0]) == (part, 1.0)
    assert result.suspects[0].amplitude_rms == pytest.approx(0.3, rel=0.2)


def test_a_gap_full_of_nonsense_is_not_looked_at() -> None:
    recording = as_recording(made(FEW_GEARS, IN_SECOND, "tire_wheel"))
    valid = np.ones(recording.valid.size, bool)
    valid[1500:1800] = False
    clean = recording.samples * valid
    dirty = np.where(valid, recording.samples, 1e6)
    one = diagnose(replace(recording, valid=valid, samples=clean), FEW_GEARS)
    other = diagnose(replace(recording, valid=valid, samples=dirty), FEW_GEARS)
    assert [s.probability for s in one.suspects] == [s.probability for s in other.suspects]


def test_the_same_recording_gives_the_same_answer_twice_and_is_left_as_it_was() -> None:
    recording = as_recording(made(FEW_GEARS, IN_SECOND, "tire_wheel"))
    before = recording.samples.copy()
    one, other = judged(FEW_GEARS, IN_SECOND, "tire_wheel"), diagnose(recording, FEW_GEARS)
    assert [s.probability for s in one.suspects] == [s.probability for s in other.suspects]
    assert np.array_equal(recording.samples, before)


def test_gravity_on_any_axis_is_no_shake() -> None:
    recording = as_recording(made(FEW_GEARS, IN_SECOND, "tire_wheel"))
    lifted = replace(recording, samples=recording.samples + np.array([[9.81], [0.0], [-20.0]]))
    one, other = judged(FEW_GEARS, IN_SECOND, "tire_wheel"), diagnose(lifted, FEW_GEARS)
    alike(one, other, "tire_wheel")


def test_a_recording_that_starts_at_another_clock_reading_is_the_same_drive() -> None:
    recording = as_recording(made(FEW_GEARS, IN_SECOND, "driveshaft"))
    assert recording.speed is not None
    later = replace(
        recording,
        start_s=recording.start_s + 5000.0,
        speed=replace(recording.speed, times_s=recording.speed.times_s + 5000.0),
    )
    one, other = judged(FEW_GEARS, IN_SECOND, "driveshaft"), diagnose(later, FEW_GEARS)
    assert [s.probability for s in other.suspects] == pytest.approx([s.probability for s in one.suspects])


def test_one_axis_alone_still_names_the_part() -> None:
    recording = as_recording(made(FEW_GEARS, ONCE_UP, "driveshaft"))
    strongest = int(np.argmax([np.var(axis) for axis in recording.samples]))
    alone = replace(recording, samples=recording.samples[strongest : strongest + 1], channels=("x",))
    assert key(diagnose(alone, FEW_GEARS).suspects[0]) == ("driveshaft", 1.0)


def test_unknown_scale_still_names_the_part_and_gives_no_strength_in_metres() -> None:
    recording = as_recording(made(FEW_GEARS, ONCE_UP, "driveshaft"))
    relative = replace(recording, samples=1234.0 * recording.samples, unit="relative")
    result = diagnose(relative, FEW_GEARS)
    assert key(result.suspects[0]) == ("driveshaft", 1.0)
    assert result.suspects[0].unit == "relative"
    assert any("relative" in note for note in result.notes)


@pytest.mark.parametrize("seed", range(3))
def test_a_fault_twice_as_strong_is_measured_twice_as_strong(seed: int) -> None:
    test = made(FEW_GEARS, IN_SECOND, "tire_wheel", seed=seed)
    recording = as_recording(test)
    one = of(diagnose(recording, FEW_GEARS), "tire_wheel", 1.0)
    two = of(diagnose(replace(recording, samples=2.0 * recording.samples), FEW_GEARS), "tire_wheel", 1.0)
    assert two.amplitude_rms == pytest.approx(2.0 * one.amplitude_rms, rel=0.03)


@lru_cache
def constant(part: str, seed: int) -> tuple[float, float, float]:
    """Measured frequency, its standard error, and the truth, of one pure line at one exact rate."""
    pure = Scenario(
        replace(HELD_IN_SECOND, wobble=0.0),
        25.0,
        150.0,
        faults=(Fault(part, 1.0, FELT_MPS2),),
        body=Body(steady=True),
    )
    test = road_test(FEW_GEARS, pure, np.random.default_rng(seed))
    found = of(diagnose(as_recording(test), FEW_GEARS, gear=2), part, 1.0)
    assert found.frequency_hz is not None
    assert found.frequency_se_hz is not None
    return found.frequency_hz, found.frequency_se_hz, float(np.mean(test.truth.frequency_hz(part, 1.0)))


@pytest.mark.parametrize("part", ["driveshaft", "tire_wheel"], scope="module")
def test_a_constant_line_is_measured_within_a_tenth_of_the_records_resolution(part: str) -> None:
    for seed in range(3):
        measured, _, truth = constant(part, seed)
        assert measured == pytest.approx(truth, abs=0.1)


@pytest.mark.parametrize("part", ["driveshaft", "tire_wheel"], scope="module")
def test_nearly_every_frequency_lies_within_three_of_its_standard_errors(part: str) -> None:
    # 99.7% of Gaussian errors do; two misses in eight would be chance once in ten thousand
    off = [abs(m - t) / se for m, se, t in (constant(part, seed) for seed in range(8))]
    assert sum(z > 3.0 for z in off) <= 1


@lru_cache
def steady(part: str, seed: int) -> tuple[Truth, SpeedFit]:
    """A road test at one speed: what was so, and the speed that was fitted."""
    test = made(FEW_GEARS, HELD_IN_SECOND, part, seed=seed)
    return test.truth, diagnose(as_recording(test), FEW_GEARS, gear=2).speed


@pytest.mark.parametrize("part", ["driveshaft", "tire_wheel"], scope="module")
def test_nearly_every_wheel_scale_lies_within_three_of_its_standard_errors(part: str) -> None:
    off = []
    for seed in range(8):
        truth, fit = steady(part, seed)
        off.append(abs(fit.scale - 1.0 / truth.tire_scale) / fit.scale_se)
    assert sum(z > 3.0 for z in off) <= 1


def test_the_speed_path_is_the_speed_times_the_scale_that_was_fitted() -> None:
    # SpeedFit: scale = true wheel rate over the nominal one; the path is of that same wheel.
    for seed in range(3):
        truth, fit = steady("tire_wheel", seed)
        wheel_hz = float(np.mean(truth.wheel_hz))
        assert float(np.mean(fit.speed_mps)) / FEW_GEARS.tire.circumference_m == pytest.approx(
            wheel_hz, rel=0.005
        )

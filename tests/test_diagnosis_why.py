"""What speaks for and against a suspect is what the drive did: simulated drives, whose truth is known, and numbers
found again with scipy.signal."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from diagnosis_examples import FEW_GEARS, HELD_IN_SECOND, IN_FIRST, IN_SECOND, SHIFTING, TRUCK, key, made
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal as scipy_signal

from vibeorder.diagnosis import Diagnosis, Explanation, Finding, told, weigh
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.groups import group_suspects
from vibeorder.diagnosis.why_track import follow
from vibeorder.recording.model import Quality, Recording, Trace
from vibeorder.simulate import Drive, Fault, Road, Scenario, as_recording, road_test
from vibeorder.speed.given import parse_speed_given
from vibeorder.vehicle import Vehicle

FloatArray = NDArray[np.float64]


@lru_cache(maxsize=16)
def explained(vehicle: Vehicle, drive: Drive, part: str | None, order: float = 1.0) -> Diagnosis:
    return told(weigh(as_recording(made(vehicle, drive, part, order)), vehicle), explain=True)


def finding(one: Explanation, kind: str) -> Finding:
    return next(f for f in one.findings if f.kind == kind)


def side(one: Explanation, kind: str) -> str:
    if any(f.kind == kind for f in one.speaks_for):
        return "for"
    return "against" if any(f.kind == kind for f in one.speaks_against) else "silent"


def about(result: Diagnosis, part: str, order: float) -> Explanation:
    return next(one for one in result.explanations if (one.part, one.order) == (part, order))


# --- what is explained -------------------------------------------------------------------------------


def test_nothing_is_explained_unless_asked_for() -> None:
    assert told(weigh(as_recording(made(FEW_GEARS, HELD_IN_SECOND)), FEW_GEARS)).explanations == ()


def test_the_first_three_suspects_and_nothing_are_explained_in_their_order() -> None:
    result = explained(FEW_GEARS, IN_SECOND, "driveshaft")
    ranked = [key(one) for group in group_suspects(result.suspects) for one in group.members]
    assert [(one.part, one.order) for one in result.explanations[:-1]] == ranked[:3]
    assert result.explanations[-1].name == "nothing that turns"
    assert result.explanations[-1].probability == result.nothing_found_probability


@pytest.mark.parametrize("part", ["driveshaft", "engine", None])
def test_the_factors_of_a_suspect_multiply_to_its_odds(part: str | None) -> None:
    # log odds = sum of log factors (Bayes' rule); the part "courses" is left out where it is under 0.3
    for one in explained(TRUCK, SHIFTING, part).explanations[:-1]:
        if one.log_odds is None:
            continue
        kinds = ("prior", "strength", "harmonics", "courses")
        total = sum(f.weight or 0.0 for f in one.findings if f.kind in kinds)
        assert total == pytest.approx(one.log_odds, abs=0.31)


def test_strength_alone_carries_a_clear_fault_when_one_course_fits() -> None:
    # one course of speed and gears holds nearly all the weight, so little may be left for the others
    one = explained(FEW_GEARS, IN_SECOND, "driveshaft").explanations[0]
    left = sum(f.weight or 0.0 for f in one.findings if f.kind == "courses")
    assert abs(left) < 0.2 * (finding(one, "strength").weight or 0.0)


def test_odds_and_probabilities_of_the_suspects_agree() -> None:
    # P goes as the odds, but for the share kept for what no model foresaw (posterior.FLOOR: 0.4% in all)
    first = explained(FEW_GEARS, IN_FIRST, "driveshaft").explanations
    a, b = first[0], first[1]
    assert a.log_odds is not None
    assert b.log_odds is not None
    assert np.log(a.probability / b.probability) == pytest.approx(a.log_odds - b.log_odds, abs=0.1)


# --- rate and movement -------------------------------------------------------------------------------


def test_a_shaft_s_line_follows_its_rate() -> None:
    one = explained(FEW_GEARS, IN_SECOND, "driveshaft").explanations[0]
    said = finding(one, "movement")
    assert side(one, "movement") == "for"
    assert abs(said.value("slope") - 1.0) < 3.0 * said.value("slope_se")
    # 20 to 29 m/s (Drive), 5th to 95th percentile of a smooth sweep: well over a quarter
    assert 0.2 < said.value("span") < np.log(29.0 / 20.0) + 0.05


def test_a_held_speed_leaves_movement_silent() -> None:
    one = explained(FEW_GEARS, HELD_IN_SECOND, "driveshaft").explanations[0]
    assert side(one, "movement") == "silent"
    assert "held" in finding(one, "movement").sentence


def test_a_speed_that_was_only_said_leaves_movement_silent() -> None:
    recording = replace(as_recording(made(FEW_GEARS, HELD_IN_SECOND, "driveshaft")), speed=None)
    one = told(weigh(recording, FEW_GEARS, parse_speed_given("61 mph")), explain=True).explanations[0]
    assert side(one, "movement") == "silent"
    assert side(one, "load") == "silent"


def test_measured_over_expected_rate_is_what_the_tires_are_off() -> None:
    test = made(FEW_GEARS, IN_SECOND, "driveshaft")
    said = finding(explained(FEW_GEARS, IN_SECOND, "driveshaft").explanations[0], "rate")
    # the tires roll tire_scale times as far as nominal; the speed's lag, 0.5 to 1 s, leaves half a percent
    assert said.value("off") == pytest.approx(1.0 / test.truth.tire_scale - 1.0, abs=0.006)
    assert said.value("measured_hz") == pytest.approx(said.value("expected_hz") * (1.0 + said.value("off")))


def test_measured_track_agrees_with_a_scipy_spectrogram() -> None:
    recording = as_recording(made(FEW_GEARS, IN_SECOND, "driveshaft"))
    track = explained(FEW_GEARS, IN_SECOND, "driveshaft").explanations[0].track
    assert track is not None
    frequency, times, power = scipy_signal.spectrogram(
        recording.samples, recording.rate_hz, "hann", nperseg=256, noverlap=192, nfft=2048
    )
    total = power.sum(axis=0)
    near = (frequency > 0.9 * track.seen_hz.min()) & (frequency < 1.1 * track.seen_hz.max())
    peaks = frequency[near][total[near].argmax(axis=0)]
    found = np.interp(track.seen_s, times, peaks)
    assert np.median(np.abs(found - track.seen_hz)) < 0.15  # 0.6 of a 256-point bin


# --- a change of gear --------------------------------------------------------------------------------


def test_an_engine_order_jumps_at_the_shift() -> None:
    one = about(explained(TRUCK, SHIFTING, "engine"), "engine", 1.0)
    said = finding(one, "shift")
    assert side(one, "shift") == "for"
    # 1.28 / 1.52 of the invented gearbox, fifth to sixth at 12 s (SHIFTING)
    assert said.value("jump") == pytest.approx(1.28 / 1.52, rel=1e-6)
    assert said.value("at_s") == pytest.approx(12.0, abs=1.5)
    assert said.value("own") > 2.0 * said.value("other")


def test_a_road_part_does_not_jump_at_the_shift() -> None:
    one = about(explained(TRUCK, SHIFTING, "driveshaft"), "driveshaft", 1.0)
    said = finding(one, "shift")
    if side(one, "shift") == "silent":
        assert (
            "one gear" in said.sentence
        )  # the shift left no trace in the engine's weak lines: then it is said
        return
    assert side(one, "shift") == "for"
    assert said.value("own") > 2.0 * said.value("other")


def test_a_road_part_blamed_for_an_engine_line_has_the_shift_against_it() -> None:
    result = explained(TRUCK, SHIFTING, "engine")
    road = [one for one in result.explanations[:-1] if one.part in ("driveshaft", "tire_wheel")]
    assert all(side(one, "shift") != "for" for one in road)


# --- orders and strength -----------------------------------------------------------------------------


def test_the_shaken_order_is_seen_and_the_others_are_not_as_strong() -> None:
    one = explained(FEW_GEARS, IN_SECOND, "driveshaft", 2.0).explanations[0]
    assert (one.part, one.order) == ("driveshaft", 2.0)
    bars = {bar.order: bar for bar in one.orders}
    assert bars[2.0].seen
    assert not bars[1.0].seen or bars[1.0].amplitude < 0.3 * bars[2.0].amplitude


def test_strength_along_the_course_is_what_was_put_in() -> None:
    # diagnosis_examples.FELT_MPS2: 0.3 m/s^2 vector rms, so 0.424 peak
    one = explained(FEW_GEARS, IN_SECOND, "driveshaft").explanations[0]
    bar = next(bar for bar in one.orders if bar.order == 1.0)
    assert bar.amplitude == pytest.approx(0.3 * np.sqrt(2.0), rel=0.12)


def test_a_healthy_drive_has_its_strengths_speak_for_nothing() -> None:
    result = explained(FEW_GEARS, IN_SECOND, None)
    nothing = result.explanations[-1]
    assert side(nothing, "strength") == "for"
    assert nothing.log_odds is not None
    assert nothing.log_odds > 0.0
    assert all(side(one, "strength") == "against" for one in result.explanations[:-1])


def test_twins_at_one_rate_name_each_other_as_rivals_on_the_line() -> None:
    one = explained(FEW_GEARS, IN_FIRST, "driveshaft").explanations[0]
    said = finding(one, "rival")
    assert said.value("same_line") == 1.0
    assert "engine" in said.sentence  # first gear is 1.00: they turn alike


def test_an_order_above_half_the_rate_is_said_to_be_folded() -> None:
    scenario = Scenario(IN_SECOND, duration_s=25.0, rate_hz=100.0, faults=(Fault("driveshaft", 2.0, 0.3),))
    recording = as_recording(road_test(FEW_GEARS, scenario, np.random.default_rng(3)))
    one = about(told(weigh(recording, FEW_GEARS), explain=True), "driveshaft", 2.0)
    said = finding(one, "folding")
    true, half, seen = (said.value(name) for name in ("frequency_hz", "half_rate_hz", "shows_at_hz"))
    assert true > half == pytest.approx(recording.rate_hz / 2.0)
    assert seen == pytest.approx(
        recording.rate_hz - true
    )  # sampling theorem: the mirror image about half the rate


# --- a line followed: against independent computations --------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(st.floats(0.05, 1.0), st.floats(6.0, 60.0), st.integers(0, 1000))
def test_a_followed_tone_has_its_strength_within_its_error(
    amplitude: float, tone_hz: float, seed: int
) -> None:
    rate, n = 200.0, 6000
    times = np.arange(n) / rate
    noise = 0.3 * np.random.default_rng(seed).normal(size=(3, n))
    turns = np.asarray(tone_hz * times)
    samples = noise + amplitude * np.array([[0.6], [0.0], [0.8]]) * np.cos(2.0 * np.pi * turns)
    found = follow(samples, rate, turns, np.ones(n, bool))
    assert found is not None
    strength = found.over()
    assert strength is not None
    assert abs(strength.amplitude - amplitude) < 5.0 * strength.standard_error + 0.01


def test_noise_alone_is_not_a_line_and_its_level_is_welch_s() -> None:
    rate, n = 200.0, 12000
    samples = np.random.default_rng(5).normal(size=(3, n))
    found = follow(samples, rate, np.asarray(23.0 * np.arange(n) / rate), np.ones(n, bool))
    strength = found.over() if found is not None else None
    assert strength is not None
    assert not strength.stands
    _, density = scipy_signal.welch(samples, rate, "hann", nperseg=800)
    # peak amplitude of noise in a four-second Hann block: sqrt(2 x density x 1.5 bins), channels added
    expected = np.sqrt(2.0 * float(density.sum(axis=0)[40:160].mean()) * 0.375)
    assert strength.noise == pytest.approx(expected, rel=0.12)


def test_two_orders_that_cross_are_taken_apart() -> None:
    rate, n = 200.0, 8000
    times = np.arange(n) / rate
    first, second = 20.0 * times, 15.0 * times + 0.5 * 0.25 * times**2  # meet at 20 s
    samples = np.cos(2.0 * np.pi * first)[None] + 0.5 * np.cos(2.0 * np.pi * second)[None]
    samples = samples + 0.01 * np.random.default_rng(1).normal(size=(1, n))
    found = follow(samples, rate, second, np.ones(n, bool), rivals=[first])
    assert found is not None
    meeting = found.over(np.abs(found.times_s - 20.0) < 4.0)
    assert meeting is not None
    assert meeting.amplitude == pytest.approx(0.5, abs=0.05)


# --- strength by speed: order and resonance told apart ---------------------------------------------------


def _driven(
    speed_mps: FloatArray, times: FloatArray, line: FloatArray, road: FloatArray, rate: float
) -> Recording:
    samples = np.stack([line + road[0], 0.7 * line + road[1], road[2]])
    fixes = np.arange(0.0, times[-1], 1.0)
    return Recording(
        samples, rate, "m/s^2", "acceleration", ("x", "y", "z"), np.ones(times.size, bool), Quality(rate, rate),
        "made", speed=Trace(fixes, np.interp(fixes - 0.7, times, speed_mps), "gps", "m/s"),
    )  # fmt: skip


def _shaft_drive(mode_hz: float | None, load: float = 1.0, passes: int = 1, hz: float = 150.0) -> Recording:
    """A driveshaft that shakes with speed squared, through a body mode (Q = 8) that shakes the road noise too.

    load: how many times stronger it is when the speed rises. passes: how often up and down.
    """
    generator = np.random.default_rng(11)
    times = np.arange(0.0, 40.0 * max(1.0, passes / 2.0), 1.0 / hz)
    leg = times[-1] / (2 * passes) if passes > 1 or load != 1.0 else times[-1]
    phase = times / leg
    speed = 18.0 + 10.0 * (np.abs((phase + 1.0) % 2.0 - 1.0))
    rising = np.gradient(speed, times) > 0
    turns = np.cumsum(speed / FEW_GEARS.tire.circumference_m * 3.55) / hz
    strength = 0.25 * (speed / 23.0) ** 2 * np.where(rising, load, 1.0)
    line = strength * np.cos(2.0 * np.pi * turns)
    road = 0.25 * generator.normal(size=(3, times.size))
    if mode_hz is not None:
        b, a = scipy_signal.iirpeak(mode_hz, 8.0, fs=hz)
        line = line + 3.0 * scipy_signal.lfilter(b, a, line)
        road = road + 3.0 * scipy_signal.lfilter(b, a, road, axis=1)
    return _driven(speed, times, line, road, hz)


def _shaft(recording: Recording) -> Explanation:
    return about(told(weigh(recording, FEW_GEARS, gear=2), explain=True), "driveshaft", 1.0)


def test_an_order_that_passes_a_body_mode_peaks_there_and_is_still_the_order_s() -> None:
    one = _shaft(_shaft_drive(36.0))
    assert one.curve is not None
    found = one.curve.resonance
    assert found is not None
    assert found.frequency_hz == pytest.approx(36.0, rel=0.04)
    assert found.of_the_body  # the road noise has the same hump
    # the speed at which the shaft turns at 36 Hz: v = 36 x circumference / 3.55
    assert found.low_mps < 36.0 * FEW_GEARS.tire.circumference_m / 3.55 < found.high_mps
    assert side(one, "movement") == "for"  # and yet the line moves with the shaft: not a resonance by itself


def test_an_order_without_a_mode_grows_as_it_should_and_has_no_resonance() -> None:
    curve = _shaft(_shaft_drive(None)).curve
    assert curve is not None
    assert curve.resonance is None
    assert abs(curve.growth - 2.0) < max(3.0 * curve.growth_se, 0.3)  # unbalance: speed squared


def test_a_simulated_body_of_one_constant_gain_has_no_resonance() -> None:
    from vibeorder.simulate import Body

    scenario = Scenario(
        IN_SECOND, duration_s=30.0, rate_hz=150.0, faults=(Fault("driveshaft", 1.0, 0.4),), body=Body(steady=True),
        road=Road(level_mps2=0.15),
    )  # fmt: skip
    recording = as_recording(road_test(FEW_GEARS, scenario, np.random.default_rng(4)))
    curve = _shaft(recording).curve
    assert curve is not None
    assert curve.resonance is None
    assert abs(curve.growth) < max(3.0 * curve.growth_se, 0.4)  # Body(steady=True): the same at every speed


def test_a_tone_that_stands_still_is_not_taken_for_a_moving_part() -> None:
    recording = _shaft_drive(None)
    times = np.arange(recording.samples.shape[1]) / recording.rate_hz
    samples = (
        recording.samples - recording.samples + 0.05 * np.random.default_rng(2).normal(size=(3, times.size))
    )
    still = 0.5 * np.cos(2.0 * np.pi * 33.0 * times)
    result = told(weigh(replace(recording, samples=samples + still), FEW_GEARS, gear=2), explain=True)
    for one in result.explanations[:-1]:
        assert side(one, "movement") != "for"


# --- throttle ------------------------------------------------------------------------------------------


def test_a_shake_three_times_as_strong_on_load_is_split_so() -> None:
    one = _shaft(_shaft_drive(None, load=3.0, passes=4))
    assert one.curve is not None
    split = one.curve.load
    assert split is not None
    assert split.ratio == pytest.approx(3.0, rel=0.15)
    assert np.all(split.pulling > 1.5 * split.coasting)
    assert side(one, "load") == "against"  # a first order of a shaft follows speed, not load


def test_a_shake_that_load_does_not_touch_is_split_evenly() -> None:
    one = _shaft(_shaft_drive(None, load=1.0001, passes=4))
    assert one.curve is not None
    split = one.curve.load
    assert split is not None
    assert split.ratio == pytest.approx(1.0, rel=0.1)
    assert side(one, "load") == "for"


def test_one_pass_each_way_is_too_little_for_load() -> None:
    one = _shaft(_shaft_drive(None, load=1.3, passes=1))
    assert side(one, "load") == "silent"


def test_a_floor_without_a_hump_raises_nothing() -> None:
    from vibeorder.diagnosis.why_speed import _noise_rise

    frequency = np.linspace(0.5, 80.0, 400)
    falling = Floor(frequency, frequency**-1.2, 200.0)
    assert _noise_rise(falling, 30.0) == pytest.approx(1.0, abs=0.01)  # a straight line in log, log
    ratio = frequency / 30.0
    humped = Floor(frequency, frequency**-1.2 * (1.0 + 8.0 / (1.0 + ((ratio - 1.0) * 16.0) ** 2)), 200.0)
    assert _noise_rise(humped, 30.0) > 2.0

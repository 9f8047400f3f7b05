"""The classroom without its pages: lessons, what is heard, riddles, reasons, scores."""

import io
import tomllib
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.classroom import (
    FACTOR,
    LEVELS,
    LONGEST_NAME,
    NOTHING,
    ROADS,
    Lesson,
    Plan,
    SchoolClass,
    answer_question,
    as_dict,
    audible_orders,
    audible_shake,
    choices_of,
    class_from,
    folded,
    grade,
    join_class,
    make_round,
    measured_hz,
    moments_of,
    next_question,
    pitch_up,
    plan_drive,
    reasons_of,
    reveal_question,
    riddle_of,
    run_lesson,
    shake_view,
    standings,
    strongest,
    wav_bytes,
    why_not,
)
from vibeorder.classroom.audible import AUDIO_RATE_HZ
from vibeorder.classroom.mystery import HALF, RIGHT, WRONG
from vibeorder.errors import VibeorderError
from vibeorder.simulate import Fault
from vibeorder.simulate.samples import VEHICLES
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Vehicle, parse_vehicle

DRIVESHAFT = ("driveshaft", 1.0)


@cache
def vehicle(name: str = "truck.toml") -> Vehicle:
    return parse_vehicle(tomllib.loads(VEHICLES[name]), name)


@cache
def lesson(
    kind: str = "held",
    part: str = "driveshaft",
    order: float = 1.0,
    rms: float = 0.3,
    gear: int = 6,
    rate_hz: float = 400.0,
) -> Lesson:
    car = vehicle()
    drive = plan_drive(car, kind, 45 * MPH_MPS, 60 * MPH_MPS, gear, gear + 1, 20.0)
    return run_lesson(Plan(car, Fault(part, order, rms), drive, "smooth", 20.0, rate_hz, seed=5))


def dominant_hz(samples: np.ndarray, rate_hz: float) -> float:
    """Frequency of the highest bin of a Hann-windowed transform (numpy), to a fraction of a bin."""
    size = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
    return float(np.argmax(size) * rate_hz / samples.size)


# the shake made audible


def test_a_held_shake_is_heard_at_the_factor_times_its_frequency() -> None:
    held = lesson()
    fault = held.test.truth.fault
    assert fault is not None
    true_hz = float(fault.frequency_hz.mean())
    heard = dominant_hz(audible_shake(held).samples, AUDIO_RATE_HZ)
    assert heard == pytest.approx(FACTOR * true_hz, rel=0.01)


@given(hz=st.floats(6.0, 180.0), factor=st.sampled_from([1, 2, 7, 16]))
@settings(max_examples=12, deadline=None)
def test_any_tone_is_multiplied_and_keeps_its_length(hz: float, factor: int) -> None:
    times = np.arange(4000) / 400.0
    out = pitch_up(np.sin(2 * np.pi * hz * times), 400.0, factor)
    assert out.size == 80_000
    assert dominant_hz(out, AUDIO_RATE_HZ) == pytest.approx(factor * hz, abs=0.15)


def test_a_sweep_through_many_bands_is_one_unbroken_sweep() -> None:
    """Against scipy's analytic signal: instantaneous frequency is the factor times the sweep's own."""
    from scipy.signal import hilbert

    times = np.arange(8000) / 400.0
    own = 20.0 + 1.5 * times
    out = pitch_up(np.cos(2 * np.pi * np.cumsum(own) / 400.0), 400.0, 16)
    phase = np.unwrap(np.angle(hilbert(out)))
    heard = np.diff(phase) * AUDIO_RATE_HZ / (2 * np.pi)
    inner = slice(20_000, -20_000)
    want = 16 * np.interp(np.arange(out.size - 1) / AUDIO_RATE_HZ, times, own)
    assert np.percentile(np.abs(heard[inner] / want[inner] - 1.0), 99) < 0.03
    level = np.abs(hilbert(out))[inner]
    assert level.min() > 0.6 * level.max(), "no hole where one band hands over to the next"


def test_a_second_order_stays_an_octave_above_the_first() -> None:
    times = np.arange(4000) / 400.0
    first, second = (dominant_hz(pitch_up(np.sin(2 * np.pi * f * times), 400.0, 16), 8000) for f in (15, 30))
    assert second / first == pytest.approx(2.0, rel=2e-3)


def test_the_file_is_sixteen_bit_sound_that_any_player_reads() -> None:
    """Read back with libsndfile, through soundfile."""
    import soundfile

    sound = audible_shake(lesson())
    data, rate = soundfile.read(io.BytesIO(wav_bytes(sound)))
    assert soundfile.info(io.BytesIO(wav_bytes(sound))).subtype == "PCM_16"
    assert rate == AUDIO_RATE_HZ and data.size == 20 * AUDIO_RATE_HZ
    assert 0.8 < np.abs(data).max() < 1.0
    assert abs(data[0]) < 1e-3 and abs(data[-1]) < 1e-3, "no click at either end"


def test_alone_the_faulty_order_is_the_loudest_and_at_its_own_pitch() -> None:
    held = lesson()
    sounds = audible_orders(held, held.tracks)
    loud = {(t.part, t.order): float(s.samples.std()) for t, s in zip(held.tracks, sounds, strict=True)}
    assert max(loud, key=lambda key: loud[key]) in {DRIVESHAFT, ("engine", 1.0)}  # one rate in a 1.00 gear
    assert loud["tire_wheel", 2.0] < 0.5 * loud[DRIVESHAFT]
    i = next(i for i, t in enumerate(held.tracks) if (t.part, t.order) == DRIVESHAFT)
    want = FACTOR * float(held.tracks[i].frequency_hz.mean())
    assert dominant_hz(sounds[i].samples, AUDIO_RATE_HZ) == pytest.approx(want, rel=0.005)


def test_a_factor_beyond_the_sound_file_is_refused() -> None:
    with pytest.raises(VibeorderError, match="whole number from 1 to 20"):
        pitch_up(np.zeros(400), 400.0, 21)


# lessons


def test_the_tracks_are_the_vehicles_own_ratios() -> None:
    """Driveshaft = wheel x axle ratio, engine = driveshaft x gear: the trade's own arithmetic."""
    shift = lesson("shift", gear=6)
    by = {(t.part, t.order): t.frequency_hz for t in shift.tracks}
    assert np.allclose(by[DRIVESHAFT], 3.73 * by["tire_wheel", 1.0])
    assert np.allclose(by["driveshaft", 2.0], 2.0 * by[DRIVESHAFT])
    ratio = by["engine", 1.0] / by[DRIVESHAFT]
    assert ratio[20] == pytest.approx(1.00) and ratio[-20] == pytest.approx(0.83)


def test_a_line_above_half_the_phones_rate_is_drawn_where_it_folds() -> None:
    slow = lesson("sweep", part="engine", order=4.0, rate_hz=200.0)
    firing = next(t for t in slow.tracks if (t.part, t.order) == ("engine", 4.0))
    assert firing.folds and firing.seen_hz.max() <= 100.0 < firing.frequency_hz.max()
    view = shake_view(slow.test)
    near = measured_hz(view, 10.0, float(firing.seen_hz[40]))
    assert near == pytest.approx(float(firing.seen_hz[40]), abs=1.0)


@given(hz=st.floats(0.0, 1000.0), rate=st.sampled_from([100.0, 200.0, 400.0]))
def test_a_folded_frequency_gives_the_same_samples(hz: float, rate: float) -> None:
    n = np.arange(50)
    seen = folded(np.array([hz]), rate)[0]
    assert 0.0 <= seen <= rate / 2.0
    assert np.allclose(np.cos(2 * np.pi * hz * n / rate), np.cos(2 * np.pi * seen * n / rate), atol=1e-6)


def test_what_is_measured_off_the_map_is_what_was_put_in() -> None:
    swept = lesson("sweep")
    view = shake_view(swept.test)
    track = next(t for t in swept.tracks if t.is_fault)
    for time_s in (4.0, 10.0, 16.0):
        true = float(np.interp(time_s, track.times_s, track.frequency_hz))
        assert measured_hz(view, time_s, true) == pytest.approx(true, abs=0.6)


def test_the_table_of_the_strongest_lines_names_the_fault_in_each_piece() -> None:
    held = lesson()
    true = float(next(t for t in held.tracks if t.is_fault).frequency_hz.mean())
    pieces = strongest(shake_view(held.test))
    assert len(pieces) == 5
    assert all(any(abs(hz - true) < 0.6 for hz in seen) for _, seen in pieces)


def test_the_dash_says_speed_and_gear_and_the_rates_follow() -> None:
    first, before, after, last = moments_of(lesson("shift", gear=6))
    assert (first.gear, before.gear, after.gear, last.gear) == (6, 6, 7, 7)
    for one in (first, last):
        wheel = one.speed_mps / vehicle().tire.circumference_m
        assert one.rates_hz["tire_wheel"] == pytest.approx(wheel)
        assert one.rates_hz["driveshaft"] == pytest.approx(3.73 * wheel)


@pytest.mark.parametrize("road", sorted(ROADS))
def test_every_road_can_be_driven(road: str) -> None:
    car = vehicle("electric.toml")
    made = run_lesson(Plan(car, None, plan_drive(car, "held", 20.0, 0.0), road, 20.0))
    assert np.isfinite(made.test.samples).all()


@pytest.mark.parametrize(
    ("kind", "low", "high", "gear", "then", "sentence"),
    [
        ("sweep", 45, 46, 6, 7, "moves no line"),
        ("sweep", 5, 60, 6, 7, r"15 to 120 mph \(24 to 193 km/h\)"),
        ("held", 20, 0, 8, 0, "below idle; choose a lower gear"),
        ("held", 60, 0, 1, 0, "above 6500 rpm; choose a higher gear"),
        ("held", 60, 0, 9, 0, "gear 9 does not exist"),
        ("shift", 45, 60, 6, 6, "two that differ"),
        ("slalom", 45, 60, 6, 7, "drive 'slalom' is unknown"),
    ],
)
def test_a_drive_that_cannot_be_driven_says_what_to_change(
    kind: str, low: float, high: float, gear: int, then: int, sentence: str
) -> None:
    with pytest.raises(VibeorderError, match=sentence):
        plan_drive(vehicle(), kind, low * MPH_MPS, high * MPH_MPS, gear, then)


def test_a_part_that_the_vehicle_has_not_got_is_refused() -> None:
    car = vehicle("car.toml")
    with pytest.raises(VibeorderError, match="Ostrel Pico has no driveshaft 1x"):
        run_lesson(Plan(car, Fault("driveshaft", 1.0, 0.2), plan_drive(car, "held", 25.0, 0.0, 4)))
    with pytest.raises(VibeorderError, match="no gears to change"):
        plan_drive(vehicle("electric.toml"), "shift", 20.0, 30.0)


# riddles


@pytest.mark.parametrize("level", sorted(LEVELS))
def test_a_round_is_the_same_for_the_same_seed_and_repeats_no_fault(level: str) -> None:
    cars = [vehicle(name) for name in VEHICLES]
    plans = make_round(cars, 8, level, seed=77)
    assert plans == make_round(cars, 8, level, seed=77)
    assert plans != make_round(cars, 8, level, seed=78)
    faults = [(p.vehicle.name, p.fault.part, p.fault.order) for p in plans if p.fault]
    assert len(set(faults)) == len(faults) >= 7


def test_every_round_can_be_drawn() -> None:
    cars = [vehicle(name) for name in VEHICLES]
    for seed in range(40):
        for level in LEVELS:
            assert len(make_round(cars, 10, level, seed)) == 10


def test_some_rounds_hold_one_sound_vehicle_and_none_holds_two() -> None:
    cars = [vehicle(name) for name in VEHICLES]
    sound = [sum(p.fault is None for p in make_round(cars, 4, "usual", seed)) for seed in range(60)]
    assert set(sound) == {0, 1}
    assert 0.3 < np.mean(sound) < 0.7  # 4 x 1/8; 60 draws of one half keep within 0.3 of it


def test_the_choices_are_the_whole_catalogue_whatever_is_wrong() -> None:
    choices = choices_of(vehicle())
    assert {(c.part, order) for c in choices for order, _ in c.orders} == set(lesson().test.truth.sources)


def test_in_a_straight_gear_the_engine_counts_as_right_for_the_driveshaft() -> None:
    twin = riddle_of(lesson("held", gear=6).plan)
    assert twin.group[0] == DRIVESHAFT and ("engine", 1.0) in twin.group
    assert grade(twin.group, DRIVESHAFT).kind == "right"
    assert grade(twin.group, ("engine", 1.0)) == grade(twin.group, ("engine", 1.0))
    assert (
        grade(twin.group, ("engine", 1.0)).points == RIGHT
        and grade(twin.group, ("engine", 1.0)).kind == "twin"
    )
    parted = riddle_of(lesson("shift", gear=6).plan)
    assert parted.group == (DRIVESHAFT,)
    assert grade(parted.group, ("engine", 1.0)).points == WRONG


def test_the_right_part_at_a_wrong_order_is_half() -> None:
    group = (DRIVESHAFT,)
    assert grade(group, ("driveshaft", 2.0)).points == HALF
    assert grade(group, ("tire_wheel", 1.0)).points == WRONG
    assert grade(group, NOTHING).points == WRONG
    assert grade((), NOTHING).points == RIGHT
    assert grade((), DRIVESHAFT).points == WRONG


def test_a_fault_that_drowns_is_made_strong_enough_to_be_found() -> None:
    plan = replace(lesson().plan, fault=Fault("tire_wheel", 1.0, 0.02), road="rough")
    riddle = riddle_of(plan)
    assert riddle.lesson.plan.fault is not None and riddle.lesson.plan.fault.rms_mps2 > 0.02
    true = float(next(t for t in riddle.lesson.tracks if t.is_fault).frequency_hz.mean())
    assert measured_hz(shake_view(riddle.lesson.test), None, true) == pytest.approx(true, abs=0.3)


def test_the_reasons_say_what_the_gear_change_showed() -> None:
    for part, said in (("driveshaft", "it turns behind the gearbox"), ("engine", "it turns with the engine")):
        riddle = riddle_of(lesson("shift", part=part).plan)
        text = " ".join(reasons_of(riddle, shake_view(riddle.lesson.test)))
        assert "from gear 6 to gear 7" in text and said in text
        assert "First check:" in text


def test_the_reasons_compare_what_was_expected_with_what_was_measured() -> None:
    riddle = riddle_of(lesson("sweep").plan)
    first, movement, *_ = reasons_of(riddle, shake_view(riddle.lesson.test), "km/h")
    assert "Expected: at" in first and "Measured:" in first and "km/h" in first
    assert "as the road speed" in movement
    assert "the fault runs at" in why_not(riddle, ("tire_wheel", 1.0))
    assert why_not(riddle, riddle.truth) == ""


def test_a_sound_vehicle_has_its_reasons_too() -> None:
    riddle = riddle_of(replace(lesson().plan, fault=None))
    assert riddle.truth == NOTHING
    assert "Nothing that turns" in reasons_of(riddle, shake_view(riddle.lesson.test))[0]


# the class


def joined(*names: str) -> SchoolClass:
    school = SchoolClass(questions=2)
    for name in names:
        school = join_class(school, f"key of {name}", name)
    return school


def test_points_wait_for_the_reveal() -> None:
    choices = [DRIVESHAFT, ("driveshaft", 2.0), NOTHING]
    school = joined("Ann", "Bo", "Cy")
    school = answer_question(school, "key of Ann", 1, ("driveshaft", 2.0), choices)
    school = answer_question(school, "key of Bo", 1, NOTHING, choices)
    school = answer_question(school, "key of Bo", 1, DRIVESHAFT, choices)  # thought again
    assert [line.points for line in standings(school, {})] == [0.0, 0.0, 0.0]
    assert school.answered() == 2
    school = reveal_question(school)
    board = standings(school, {1: (DRIVESHAFT,)})
    assert [(line.place, line.name, line.points) for line in board] == [
        (1, "Bo", 1.0),
        (2, "Ann", 0.5),
        (3, "Cy", 0.0),
    ]
    with pytest.raises(VibeorderError, match="closed"):
        answer_question(school, "key of Cy", 1, DRIVESHAFT, choices)


def test_the_next_question_waits_for_the_reveal_and_the_last_one_ends_the_round() -> None:
    school = joined("Ann")
    with pytest.raises(VibeorderError, match="reveal this question"):
        next_question(school)
    school = next_question(reveal_question(school))
    assert school.current == 2 and school.is_open and not school.is_over
    school = reveal_question(school)
    assert school.is_over
    with pytest.raises(VibeorderError, match="last question"):
        next_question(school)


@pytest.mark.parametrize("name", ["", "  \n ", "x" * (LONGEST_NAME + 1), "ANN"])
def test_names_are_short_and_not_taken(name: str) -> None:
    with pytest.raises(VibeorderError):
        join_class(joined("Ann"), "new", name)


def test_nobody_answers_without_having_joined_nor_outside_the_list() -> None:
    school = joined("Ann")
    with pytest.raises(VibeorderError, match="join the class"):
        answer_question(school, "stranger", 1, DRIVESHAFT, [DRIVESHAFT])
    with pytest.raises(VibeorderError, match="join the class"):
        answer_question(school, "", 1, DRIVESHAFT, [DRIVESHAFT])
    with pytest.raises(VibeorderError, match="from the list"):
        answer_question(school, "key of Ann", 1, ("sail", 1.0), [DRIVESHAFT])


@given(
    st.lists(st.text(min_size=1, max_size=LONGEST_NAME), max_size=6, unique_by=str.casefold),
    st.lists(st.sampled_from([DRIVESHAFT, ("tire_wheel", 3.0), NOTHING]), max_size=6),
)
def test_a_class_comes_back_from_its_file_as_it_was(
    names: list[str], answers: list[tuple[str, float]]
) -> None:
    import json

    school = SchoolClass(3)
    for name in names:
        try:
            school = join_class(school, name, name)
        except VibeorderError:
            continue
    for one, answer in zip(school.students, answers, strict=False):
        school = answer_question(school, one.key, 1, answer, [DRIVESHAFT, ("tire_wheel", 3.0), NOTHING])
    school = reveal_question(school)
    assert class_from(json.loads(json.dumps(as_dict(school)))) == school

"""A speed log laid beside the phone's own acceleration: its lag, its holes. The drives are invented."""

from dataclasses import replace

import numpy as np
import pytest

from vibeorder.recording import Quality, Recording, Trace
from vibeorder.speed.clocks import recording_and_log, speed_beside
from vibeorder.speed.given import SpeedGiven
from vibeorder.speed.holes import judged_where_logged
from vibeorder.speed.late_by_pull import pulls_shift, with_own_lag
from vibeorder.speed.log_range import with_range
from vibeorder.vehicle import parse_vehicle

RATE_HZ = 50.0
PULLS = (
    0.0,
    1.0,
    0.4,
    -0.3,
    0.0,
    1.2,
    -1.0,
    -0.2,
    0.8,
    0.1,
    -1.1,
    -0.6,
    0.9,
    0.0,
    -0.4,
    0.3,
    0.7,
    -0.8,
    0.2,
    -0.1,
    0.5,
)
CAR = parse_vehicle(
    {"vehicle": {"name": "Invented", "layout": "fwd"}, "tire": {"revs_per_mile": 766}}, "invented"
)


def drive(
    late_s: float, seconds: float = 120.0, seed: int = 1, curves: float = 0.3, rate_hz: float = RATE_HZ
) -> tuple[Recording, Trace]:
    """A phone lying askew in a vehicle that pulls and coasts, under road noise, curves and a sloping road."""
    rng = np.random.default_rng(seed)
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    pulls = 0.6 * np.interp(at, 6.0 * np.arange(21), PULLS)
    speed = 20.0 + np.cumsum(pulls) / rate_hz
    own = 0.5 * rng.standard_normal((3, at.size))
    own[0] += pulls + 0.2 * np.sin(2 * np.pi * at / 80.0)
    own[1] += curves * np.sin(2 * np.pi * at / 13.0 + 1.0)
    own[2] += 9.81
    askew, _ = np.linalg.qr(rng.standard_normal((3, 3)))
    fixes = np.arange(0.0, seconds, 1.0)
    logged = np.interp(fixes, at, speed) + 0.05 * rng.standard_normal(fixes.size)
    recording = Recording(
        askew @ own, rate_hz, "m/s^2", "acceleration", ("x", "y", "z"), np.ones(at.size, bool),
        Quality(rate_hz, rate_hz), "drive.csv",
    )  # fmt: skip
    return recording, Trace(fixes + late_s, logged, "gps", "m/s")


@pytest.mark.parametrize(("late_s", "seed"), [(-7.6, 1), (0.7, 2), (12.3, 3)])
def test_the_pull_of_the_vehicle_tells_how_late_the_log_runs(late_s: float, seed: int) -> None:
    recording, trace = drive(late_s, seed=seed)
    found = pulls_shift(recording, trace, 30.0)
    assert found is not None
    assert found.clear
    assert abs(found.shift_s - late_s) < 3.0 * found.se_s
    assert found.shift_s == pytest.approx(late_s, abs=0.5)
    assert found.slope == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("late_s", [0.3, 1.6])
def test_a_speed_of_the_recordings_own_runs_as_late_as_the_pull_says(late_s: float) -> None:
    recording, trace = drive(late_s)
    assert with_own_lag(trace, recording, 0.7).lag_s == pytest.approx(late_s, abs=0.3)


def test_a_speed_that_hardly_changes_or_whose_lag_is_told_keeps_its_lag() -> None:
    recording, trace = drive(1.6)
    held = replace(trace, values=20.0 + 0.1 * np.sin(trace.times_s))
    assert with_own_lag(held, recording, 0.7) is held
    told = replace(trace, lag_s=0.0)
    assert with_own_lag(told, recording, 0.7) is told
    relative = replace(recording, unit="relative")
    assert with_own_lag(trace, relative, 0.7) is trace


def test_a_log_whose_place_is_not_known_still_tells_between_which_speeds_it_was_driven() -> None:
    recording, trace = drive(0.0)
    told, given = with_range(recording, None, trace, CAR)
    assert isinstance(given, SpeedGiven)
    assert not given.steady
    low, high = trace.values.min(), trace.values.max()
    assert low <= given.low_mps < low + 1.0
    assert high - 1.0 < given.high_mps <= high
    assert "only the range of speeds" in told.history[-1]
    assert with_range(recording, trace, trace, CAR) == (recording, trace)
    own = replace(recording, speed=trace)
    assert with_range(own, None, trace, CAR) == (own, None)
    assert with_range(recording, None, replace(trace, values=0.0 * trace.values), CAR)[1] is None


@pytest.mark.parametrize("seed", range(4))
def test_the_log_of_another_drive_fits_at_no_shift(seed: int) -> None:
    recording, _ = drive(0.0, seed=seed)
    at = np.arange(0.0, 120.0)
    other = 20.0 + np.cumsum(np.random.default_rng(seed).normal(0.0, 0.4, at.size))
    found = pulls_shift(recording, Trace(at, other, "gps", "m/s"), 30.0)
    assert found is None or not found.clear


def test_a_log_in_another_unit_than_it_is_taken_for_is_not_clear() -> None:
    """1 mile per hour is 0.447 m/s, exactly 1.609 times one km/h: the pull is then of the wrong size."""
    recording, trace = drive(0.0)
    found = pulls_shift(recording, replace(trace, values=trace.values / 1.609344), 30.0)
    assert found is not None
    assert found.slope == pytest.approx(1.609, rel=0.15)
    assert not found.clear


def test_sound_and_samples_without_a_scale_tell_nothing() -> None:
    recording, trace = drive(0.0)
    assert pulls_shift(replace(recording, kind="audio", unit="relative"), trace, 30.0) is None
    assert pulls_shift(replace(recording, unit="relative"), trace, 30.0) is None


def test_where_no_line_keeps_step_the_pull_settles_the_clock() -> None:
    recording, trace = drive(5.0)
    used, said = speed_beside(trace, recording, CAR)
    assert used is not None
    assert used.lag_s == pytest.approx(5.0, abs=0.5)
    assert "well determined by the phone's acceleration" in said
    assert "lines that keep step" not in said


def test_where_a_line_keeps_step_too_both_are_named() -> None:
    recording, trace = drive(5.0, rate_hz=100.0)
    at = np.arange(recording.samples.shape[1]) / recording.rate_hz
    turns = np.cumsum(np.interp(at, trace.times_s - 5.0, trace.values)) / recording.rate_hz
    turns /= CAR.tire.circumference_m
    shaking = recording.samples + 0.3 * np.cos(2 * np.pi * turns)
    used, said = speed_beside(trace, replace(recording, samples=shaking), CAR)
    assert used is not None
    assert used.lag_s == pytest.approx(5.0, abs=0.3)
    assert "and by the lines that keep step with the wheels" in said


def test_the_seconds_of_a_long_hole_are_a_gap_and_a_short_one_is_bridged() -> None:
    recording, trace = drive(0.0)
    kept = ~((trace.times_s > 20.0) & (trace.times_s < 24.0)) & ~(
        (trace.times_s > 50.0) & (trace.times_s < 62.0)
    )
    holed = replace(trace, times_s=trace.times_s[kept], values=trace.values[kept], lag_s=1.0)
    judged = judged_where_logged(recording, holed)
    lost = np.flatnonzero(~judged.valid) / RATE_HZ
    assert lost.min() == pytest.approx(49.0)
    assert lost.max() == pytest.approx(61.0, abs=0.05)
    assert judged.history == ("speed log gps: no reading from 49 to 61 s; the recording is not judged there",)
    assert judged_where_logged(recording, trace) is recording


def test_before_the_first_and_after_the_last_reading_nothing_is_judged() -> None:
    recording, trace = drive(0.0)
    kept = (trace.times_s >= 10.0) & (trace.times_s <= 70.0)
    judged = judged_where_logged(
        recording, replace(trace, times_s=trace.times_s[kept], values=trace.values[kept])
    )
    assert np.flatnonzero(judged.valid)[[0, -1]] / RATE_HZ == pytest.approx([8.0, 72.0], abs=0.05)
    assert "from 0 to 8 s, 72 to 120 s" in judged.history[-1]


def test_a_log_that_always_comes_rarely_has_no_hole() -> None:
    recording, trace = drive(0.0)
    rare = replace(trace, times_s=trace.times_s[::8], values=trace.values[::8])
    assert judged_where_logged(recording, rare) is recording


def test_a_hole_in_a_steady_log_costs_nothing() -> None:
    recording, trace = drive(0.0)
    kept = ~((trace.times_s > 50.0) & (trace.times_s < 62.0))
    steady = replace(trace, times_s=trace.times_s[kept], values=np.full(np.count_nonzero(kept), 22.0))
    told, used = recording_and_log(steady, recording, CAR)
    assert used is not None
    assert told.valid.all()
    assert "does not matter" in told.history[-1]


def test_hours_without_a_sample_after_the_drive_change_nothing() -> None:
    recording, trace = drive(0.7)
    empty = round(3 * 3600 * RATE_HZ)
    longer = replace(
        recording,
        samples=np.pad(recording.samples, ((0, 0), (0, empty))),
        valid=np.pad(recording.valid, (0, empty)),
    )
    plain, found = pulls_shift(recording, trace, 5.0), pulls_shift(longer, trace, 5.0)
    assert plain is not None and found is not None
    assert found.clear
    assert (found.shift_s, found.score) == pytest.approx((plain.shift_s, plain.score), rel=1e-6)

"""A second device's speed log: by stamps, by the lines that keep step with the wheels, or not used at all."""

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibeorder.errors import VibeorderError
from vibeorder.recording import Quality, Recording, Trace, read_recording
from vibeorder.speed.clocks import align, onto_clock, road_multiples, road_speed, speed_beside
from vibeorder.speed.logged import read_speed_log
from vibeorder.units import parse_time
from vibeorder.vehicle import Vehicle, parse_vehicle

DATA = Path(__file__).resolve().parents[1].parent / "shared" / "data"
shared = pytest.mark.skipif(not DATA.is_dir(), reason="the shared real recordings are not on this machine")

CIRCUMFERENCE_M = 2.1
RATE_HZ = 100.0


def recording(epoch_s: float | None, samples: np.ndarray | None = None) -> Recording:
    data = np.zeros((1, 6000)) if samples is None else samples
    return Recording(
        data, RATE_HZ, "m/s^2", "acceleration", tuple("xyz"[: data.shape[0]]),
        np.ones(data.shape[1], bool), Quality(RATE_HZ, RATE_HZ), "drive.csv", epoch_s=epoch_s,
    )  # fmt: skip


def car(tire: dict[str, object]) -> Vehicle:
    return parse_vehicle({"vehicle": {"name": "Invented", "layout": "fwd"}, "tire": tire}, "invented")


def drive(late_s: float, line: float, seconds: float = 120.0, seed: int = 1) -> tuple[np.ndarray, Trace]:
    """A wheel's first order under road noise (0.3 m/s^2 rms an axis), and its speed logged late_s late."""
    rng = np.random.default_rng(seed)
    at = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    speed = 20.0 + 5.0 * np.sin(2 * np.pi * at / 47.0) + 2.0 * np.sin(2 * np.pi * at / 13.0)
    turns = np.cumsum(speed) / RATE_HZ / (CIRCUMFERENCE_M * 0.985)
    samples = 0.3 * rng.standard_normal((3, at.size))
    samples[2] += line * np.cos(2 * np.pi * turns)
    fixes = np.arange(0.0, seconds, 1.0)
    logged = np.interp(fixes, at, speed) + 0.1 * rng.standard_normal(fixes.size)
    return samples, Trace(fixes + late_s, logged, "gps", "m/s")


TRACE = Trace(
    np.array([0.0, 1.0, 2.0]), np.array([25.0, 25.5, 26.0]), "speed", "m/s", epoch_s=1_700_000_010.0
)


def test_absolute_stamps_settle_where_the_log_lies() -> None:
    moved = onto_clock(TRACE, recording(1_700_000_000.0))
    assert moved.times_s == pytest.approx([10.0, 11.0, 12.0])
    assert moved.epoch_s == 1_700_000_000.0
    assert moved.values is TRACE.values


@given(st.floats(0.0, 59.0))
def test_the_instant_of_a_reading_stays_the_same(later_s: float) -> None:
    """Property: Unix time of each reading is kept."""
    epoch_s = 1_700_000_010.0 - later_s
    moved = onto_clock(TRACE, recording(epoch_s))
    assert moved.times_s + epoch_s == pytest.approx(TRACE.times_s + 1_700_000_010.0)


def test_without_absolute_stamps_both_start_together() -> None:
    assert onto_clock(TRACE, recording(None)) is TRACE
    loose = replace(TRACE, epoch_s=None)
    assert onto_clock(loose, recording(1_700_000_000.0)) is loose


def test_the_log_of_another_day_is_refused() -> None:
    for days in (-1, 1):
        with pytest.raises(VibeorderError, match="do not overlap"):
            onto_clock(TRACE, recording(1_700_000_000.0 + 86_400.0 * days))


@pytest.mark.parametrize("late_s", [-17.3, 0.0, 1.8, 26.0])
def test_a_log_of_unknown_clock_is_aligned_by_the_wheels_line(late_s: float) -> None:
    samples, trace = drive(late_s, line=0.2)
    found = align(samples, np.ones(samples.shape[1], bool), RATE_HZ, trace, (1.0, 2.0, 3.0), CIRCUMFERENCE_M)
    assert found.determined
    assert found.shift_s == pytest.approx(late_s, abs=0.3)
    assert abs(found.shift_s - late_s) < 3.0 * found.shift_se_s
    assert found.scale == pytest.approx(1 / 0.985, rel=0.004)
    assert ("late" in found.sentence) == (found.shift_s >= 0.0)


@pytest.mark.parametrize("seed", range(4))
def test_without_a_line_no_shift_is_made_up(seed: int) -> None:
    samples, trace = drive(1.8, line=0.0, seed=seed)
    found = align(samples, np.ones(samples.shape[1], bool), RATE_HZ, trace, (1.0, 2.0, 3.0), CIRCUMFERENCE_M)
    assert not found.determined
    assert found.sentence.startswith("cannot be aligned")


def test_a_line_of_fixed_frequency_aligns_nothing() -> None:
    """An engine that idles at a standstill, or a fan: no speed moves it."""
    samples, trace = drive(0.0, line=0.0)
    samples[0] += 3.0 * np.cos(2 * np.pi * 9.5 * np.arange(samples.shape[1]) / RATE_HZ)
    found = align(samples, np.ones(samples.shape[1], bool), RATE_HZ, trace, (1.0, 2.0, 3.0), CIRCUMFERENCE_M)
    assert not found.determined


def test_at_one_steady_speed_the_clock_does_not_matter() -> None:
    samples, trace = drive(0.0, line=0.2)
    found = align(
        samples, np.ones(samples.shape[1], bool), RATE_HZ, replace(trace, values=np.full(120, 22.0)),
        (1.0,), CIRCUMFERENCE_M,
    )  # fmt: skip
    assert found.steady
    assert not found.determined
    assert "does not matter" in found.sentence


def test_a_nearly_steady_speed_is_used_even_where_no_line_tells_its_clock() -> None:
    """A cruise that wanders by 1% a way: any shift within half a minute is right to 2%."""
    samples, trace = drive(0.0, line=0.0)
    cruise = 25.0 * (1.0 + 0.01 * np.sin(2 * np.pi * trace.times_s / 31.0))
    vehicle = car({"revs_per_mile": 1609.344 / CIRCUMFERENCE_M})
    used, said = speed_beside(replace(trace, values=cruise), recording(None, samples), vehicle)
    assert used is not None
    assert used.lag_s is None
    assert "it is used as it is" in said


def test_half_a_minute_of_crawling_is_too_little() -> None:
    samples, trace = drive(0.0, line=0.2, seconds=30.0)
    slow = replace(trace, values=trace.values * 0.02)
    found = align(samples, np.ones(samples.shape[1], bool), RATE_HZ, slow, (1.0,), CIRCUMFERENCE_M)
    assert "too little driving" in found.sentence


@cache
def not_used() -> tuple[Trace | None, str]:
    """A log beside a recording without a line."""
    silent, trace = drive(3.0, line=0.0)
    vehicle = car({"revs_per_mile": 1609.344 / CIRCUMFERENCE_M})
    return speed_beside(trace, recording(None, silent), vehicle)


def test_the_aligned_log_carries_its_lag_and_an_unaligned_one_is_not_used() -> None:
    vehicle = car({"revs_per_mile": 1609.344 / CIRCUMFERENCE_M})
    samples, trace = drive(3.0, line=0.2)
    used, said = speed_beside(trace, recording(None, samples), vehicle)
    assert used is not None
    assert used.lag_s == pytest.approx(3.0, abs=0.3)
    assert "well determined" in said
    used, said = not_used()
    assert used is None
    assert "it was not used" in said


def test_what_is_advised_for_a_log_that_is_not_used_is_taken_as_it_stands() -> None:
    _, said = not_used()
    advised = re.search(r'--log-late "([^"]*)" says so', said)
    assert advised is not None, said
    assert parse_time(advised[1]).si == 0.0


def test_stamps_are_used_where_the_lines_say_nothing() -> None:
    silent, trace = drive(0.0, line=0.0)
    vehicle = car({"revs_per_mile": 1609.344 / CIRCUMFERENCE_M})
    stamped = replace(trace, epoch_s=1_700_000_001.0)
    used, said = speed_beside(stamped, recording(1_700_000_000.0, silent), vehicle)
    assert used is not None
    assert used.times_s[0] == pytest.approx(1.0)
    assert used.lag_s is None
    assert "stamps are used" in said


def test_what_the_user_knows_of_the_clocks_is_taken() -> None:
    silent, trace = drive(0.0, line=0.0)
    vehicle = car({"revs_per_mile": 1609.344 / CIRCUMFERENCE_M})
    used, said = speed_beside(trace, recording(None, silent), vehicle, late_s=-0.5)
    assert used is not None
    assert used.lag_s == -0.5
    assert "0.5 s early, as given" in said


def test_a_wheels_turning_rate_becomes_road_speed_by_the_rolling_circumference() -> None:
    """655 revolutions per mile are 2.457 m a turn (1 mile = 1609.344 m exactly): 10 turns/s, 24.57 m/s."""
    vehicle = car({"revs_per_mile": 655})
    turning = Trace(np.array([0.0, 1.0]), np.array([5.0, 10.0]), "gyr_z", "deg/s")
    assert road_speed(turning, vehicle).values == pytest.approx([12.285, 24.570], rel=1e-3)
    assert road_speed(turning, vehicle).unit == "m/s"
    assert road_speed(TRACE, vehicle) is TRACE


def test_an_engines_speed_is_not_taken_for_a_wheels() -> None:
    engine = Trace(np.array([0.0, 1.0]), np.array([40.0, 50.0]), "rpm", "rpm")
    with pytest.raises(VibeorderError, match="no wheel's"):
        road_speed(engine, car({"revs_per_mile": 655}))


def test_a_driveshaft_counts_among_the_orders_of_the_road() -> None:
    table = {"vehicle": {"name": "Invented", "layout": "rwd"}, "tire": {"revs_per_mile": 655}}
    vehicle = parse_vehicle({**table, "axle": {"ratio": 3.73}}, "invented")
    assert road_multiples(vehicle) == pytest.approx((1.0, 2.0, 3.0, 3.73, 7.46))


@shared
def test_the_real_bus_and_its_gps_are_aligned_and_its_tires_measured() -> None:
    """PROVENANCE.md: speed read 1.75 to 2.25 s later; 1x wheel at 2.94 to 2.99 m; usual tire 3.00 m."""
    shake = read_recording(DATA / "measuring-only/bus/phone_said_200hz.txt")
    log = read_speed_log(DATA / "measuring-only/bus/phone_said_200hz_speed.gpx")
    found = align(shake.samples, shake.valid, shake.rate_hz, log, (1.0, 2.0, 3.0), 3.00)
    assert found.determined
    assert 1.5 < found.shift_s < 2.5
    assert 3.00 / found.scale == pytest.approx(2.96, rel=0.015)


@shared
def test_the_real_sparse_log_is_refused_because_it_is_sparse() -> None:
    """PROVENANCE.md: gaps to 12 s, no line at the wheel's order at any shift; tire 155/65R14."""
    shake = read_recording(DATA / "measuring-only/small_car/sparse_speed.csv")
    log = read_speed_log(DATA / "measuring-only/small_car/sparse_speed_log.csv")
    used, said = speed_beside(log, shake, car({"size": "155/65R14"}))
    assert used is None
    assert "cannot be aligned: speed too sparse, readings up to 13 s apart" in said


@shared
def test_the_real_wheel_speed_on_the_recordings_own_clock_is_found_to_be_on_it() -> None:
    """One device logged both (PROVENANCE.md): a shift of zero, found without being told."""
    shake = read_recording(DATA / "redistributable/road_drive_accel.csv")
    log = read_speed_log(DATA / "redistributable/road_drive_wheel_speed.csv")
    found = align(shake.samples, shake.valid, shake.rate_hz, log, (1.0, 2.0, 3.0), 2.2)
    assert found.determined
    assert found.shift_s == pytest.approx(0.0, abs=0.5)

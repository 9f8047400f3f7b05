"""One order's level along a drive: against the mean square of the very sine that was put in (Parseval)."""

import numpy as np
import pytest
from compare_examples import NOISE, TRUCK, drive
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.diagnosis.compare import Drive
from vibeorder.diagnosis.compare_levels import Levels, noise_bands, read_levels


def read(one: Drive, multiple: float = 3.73, doubt: float = 0.002, off: float = 1.0) -> Levels:
    speed = one.diagnosis.speed
    wheel = off * speed.speed_mps / TRUCK.tire.circumference_m
    return read_levels(one.recording, speed.times_s, wheel, speed.speed_mps, multiple, doubt, ())


@settings(max_examples=15, deadline=None)
@given(st.floats(0.05, 2.0), st.sampled_from([1.0, 2.0, 3.73, 7.46]), st.integers(0, 1000))
def test_a_line_reads_as_its_own_mean_square(rms: float, multiple: float, seed: int) -> None:
    levels = read(drive(rms, seed, multiple=multiple, noise=0.001), multiple)
    assert float(np.sqrt(levels.power.mean())) == pytest.approx(rms, rel=0.01)


def test_a_line_in_noise_reads_without_bias_and_an_absent_one_reads_zero() -> None:
    for rms in (0.0, 0.1):
        means = [float(read(drive(rms, seed)).power.mean()) for seed in range(12)]
        error = np.std(means, ddof=1) / np.sqrt(len(means))
        assert abs(np.mean(means) - rms**2) < 3.0 * error
        assert error < 0.1 * 0.1**2


def test_the_noise_beside_the_line_reads_as_what_white_noise_has_in_that_band() -> None:
    levels = read(drive(0.2, 3))
    # White noise of variance s^2 on 3 axes, one-sided density 2 s^2 / rate; 5 bins of 0.5 Hz over 1.5.
    expected = 3.0 * 2.0 * NOISE**2 / 200.0 * 5.0 * 0.5
    assert float(levels.noise.mean()) == pytest.approx(expected, rel=0.05)


def test_a_rate_that_is_off_by_its_doubt_loses_nothing() -> None:
    exact = float(read(drive(0.3, 1), doubt=0.01).power.mean())
    for off in (0.985, 1.015):
        assert float(read(drive(0.3, 1), doubt=0.01, off=off).power.mean()) == pytest.approx(exact, rel=0.05)


def test_the_order_is_followed_through_a_change_of_speed() -> None:
    levels = read(drive(0.2, 4, speed_mps=(20.0, 32.0), noise=0.01))
    assert float(np.sqrt(levels.power.mean())) == pytest.approx(0.2, rel=0.02)
    assert levels.speed_mps[-1] / levels.speed_mps[0] > 1.5


def test_an_order_above_half_the_sample_rate_is_read_at_its_mirror_image() -> None:
    levels = read(drive(0.2, 5, rate_hz=64.0, noise=0.01))  # 40 Hz, seen at 24 Hz
    assert levels.folded
    assert float(np.sqrt(levels.power.mean())) == pytest.approx(0.2, rel=0.02)


def test_gaps_and_standstill_are_left_out() -> None:
    one = drive(0.2, 6, noise=0.01)
    one.recording.valid[2000:4000] = False
    one.recording.samples[:, 2000:4000] = 0.0
    one.diagnosis.speed.speed_mps[30:] = 0.0
    levels = read(one)
    assert not ((levels.mid_s > 10.5) & (levels.mid_s < 19.5)).any()
    assert levels.mid_s.max() < 31.0


def test_road_noise_is_read_band_by_band_whatever_line_stands_in_it() -> None:
    seconds = np.arange(2.0, 38.0)
    quiet, loud = (noise_bands(drive(rms, 7).recording, seconds) for rms in (0.0, 1.0))
    for low, density in quiet.items():
        assert density == pytest.approx(3.0 * 2.0 * NOISE**2 / 200.0, rel=0.15)
        assert loud[low] == pytest.approx(density, rel=0.1)

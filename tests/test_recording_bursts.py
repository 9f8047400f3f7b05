"""Rows handed over several at a time: the rate is rows over time, and the samples' instants are found again.

The logs are invented: a sine amid noise, its rows written in bursts 0.2 ms apart, as a phone's logger writes what the
system hands over. The true instants are known, so that no outside source is needed.
"""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from vibeorder.recording import ReadOptions, read_recording
from vibeorder.recording.bursts import find_bursts
from vibeorder.recording.clock import rows_on_clock, to_uniform

FloatArray = NDArray[np.float64]
INSIDE_S = 2e-4


def written(true_s: FloatArray, sizes: NDArray[np.int64], late_s: FloatArray) -> FloatArray:
    """Stamps of samples at true_s [shape (n,)], handed over `sizes` at a time, each burst late_s after its last."""
    last = np.cumsum(sizes) - 1
    handed: FloatArray = np.repeat(true_s[last] + late_s, sizes)
    inside = np.arange(true_s.size) - np.repeat(last - sizes + 1, sizes)
    stamps: FloatArray = np.maximum.accumulate(handed + INSIDE_S * inside).astype(np.float64)
    return stamps


def bursts_of(
    size: int, count: int, rate_hz: float, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """True instants and stamps of `count` bursts of one size, up to 4 ms late."""
    true = np.arange(size * count) / rate_hz
    return true, written(true, np.full(count, size), rng.uniform(0, 0.004, count))


def shake(true_s: FloatArray, hz: float, seed: int = 0) -> FloatArray:
    """Unit sines at hz and at 3 Hz, with some noise [shape (2, n)]."""
    noise: FloatArray = np.random.default_rng(seed).normal(0, 0.1, (2, true_s.size))
    waves: FloatArray = np.stack([np.sin(2 * np.pi * hz * true_s + 1.0), np.cos(2 * np.pi * 3.0 * true_s)])
    return waves + noise


def amplitude(grid_s: FloatArray, values: FloatArray, hz: float) -> float:
    """Of the sine within 0.2% of hz that the values hold most of."""
    window = np.hanning(grid_s.size)
    comb = hz * (1.0 + np.linspace(-2e-3, 2e-3, 81))
    turns = np.exp(-2j * np.pi * comb[:, None] * grid_s)
    return float(2 * np.abs(turns @ (window * values)).max() / window.sum())


@settings(max_examples=40, deadline=None)
@given(
    rate=st.sampled_from([50.0, 100.0, 200.0, 400.0]),
    off=st.floats(-0.02, 0.02),
    usual=st.integers(2, 8),
    uneven=st.booleans(),
    whole_ms=st.booleans(),
    seed=st.integers(0, 99),
)
def test_random_bursts_are_put_back_on_the_samples_instants(
    rate: float, off: float, usual: int, uneven: bool, whole_ms: bool, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    rate_hz = rate * (1.0 + off)
    count = int(20 * rate_hz / usual)
    sizes = rng.integers(max(2, usual - 2), usual + 3, count) if uneven else np.full(count, usual)
    true = np.arange(int(sizes.sum())) / rate_hz
    stamps = written(true, sizes, rng.uniform(0, 0.004, count))
    stamps = np.floor(stamps * 1000) / 1000 if whole_ms else stamps
    samples = shake(true, 0.4 * rate_hz, seed)
    away = (rows_on_clock(stamps, samples.copy(), "log").clock.times_s - true) * rate_hz
    assert float(np.abs(away - np.median(away)).max()) < 0.5
    uniform = to_uniform(stamps, samples, "log")
    assert uniform.rate_hz == pytest.approx(rate_hz, rel=1e-3)
    grid = uniform.start_s + np.arange(uniform.valid.size) / uniform.rate_hz
    assert amplitude(grid, uniform.samples[0], 0.4 * rate_hz) == pytest.approx(1.0, abs=0.04)


def test_bursts_are_said_and_nothing_is_filled_in() -> None:
    true, stamps = bursts_of(5, 800, 100.0, np.random.default_rng(1))
    uniform = to_uniform(stamps, shake(true, 20.0), "log")
    assert "rows came in bursts of about 5, so their times were spread evenly" in uniform.history[0]
    assert uniform.history[0].startswith("100 Hz")
    assert uniform.quality.nominal_rate_hz == pytest.approx(100.0, rel=1e-3)
    assert uniform.quality.repaired == 0
    assert uniform.valid.all()


def test_rows_lost_from_bursts_are_found_and_a_timers_shorter_bursts_are_not() -> None:
    rng = np.random.default_rng(3)
    true, stamps = bursts_of(6, 2000, 200.0, rng)
    kept = rng.random(true.size) > 0.01
    found = rows_on_clock(stamps[kept], shake(true, 40.0)[:, kept], "log").clock.times_s
    away = (found - true[kept]) * 200.0
    # Which row of a burst was lost is not known.
    assert float(np.abs(away - np.median(away)).max()) < 2.5
    assert float(np.std(away)) < 0.2
    tick = 5.93 / 200.0
    sizes = np.unique(np.ceil(true / tick), return_counts=True)[1]
    ticked = written(true, sizes, np.arange(sizes.size) * tick - true[np.cumsum(sizes) - 1])
    uniform = to_uniform(ticked, shake(true, 40.0), "log")
    assert uniform.rate_hz == pytest.approx(200.0, rel=1e-3)


def test_a_gap_among_bursts_stays_empty_and_keeps_its_length() -> None:
    true, stamps = bursts_of(4, 1000, 100.0, np.random.default_rng(5))
    late = np.where(np.arange(true.size) < 1600, 0.0, 3.0)
    uniform = to_uniform(stamps + late, shake(true + late, 20.0), "log")
    (gap,) = uniform.quality.gaps
    assert gap[1] == pytest.approx(3.01, abs=0.01)
    assert uniform.rate_hz == pytest.approx(100.0, rel=1e-3)
    assert uniform.quality.repaired == 0


def test_a_logger_that_rests_between_samples_is_not_taken_for_bursts() -> None:
    """Five samples 5 ms apart, then 180 ms of rest: the shake moves on meanwhile, and the stamps are true."""
    true = (np.arange(4000) // 5) * 0.2 + (np.arange(4000) % 5) * 0.005
    samples = np.stack([np.sin(2 * np.pi * 4.0 * true), np.cos(2 * np.pi * 3.3 * true)])
    assert find_bursts(true) is not None
    assert find_bursts(true, samples) is None


def test_ordinary_clocks_are_no_bursts() -> None:
    rng = np.random.default_rng(7)
    even = np.arange(6000) / 200.0
    dropped = even[rng.random(6000) > 0.4]
    for stamps in (even, np.sort(even + rng.normal(0, 0.2 / 200, 6000)), dropped, np.floor(even),
                   np.floor(np.arange(6000) / 2000.0 * 1000) / 1000):  # fmt: skip
        assert find_bursts(stamps) is None


def test_rows_alike_by_chance_in_one_millisecond_are_all_kept() -> None:
    true, stamps = bursts_of(8, 1500, 400.0, np.random.default_rng(9))
    coarse = np.round(shake(true, 9.0) / 0.1) * 0.1  # many rows equal the one before
    rows = rows_on_clock(np.floor(stamps * 1000) / 1000, coarse, "log")
    assert rows.mended.duplicates == 0
    assert rows.clock.times_s.size == true.size


def stamp_text(kind: str, t: float) -> str:
    """A stamp at t seconds as a column of that kind holds it."""
    ms = int(t * 1000)
    if kind == "timestamp":
        return f"2026-03-01T10:{ms // 60_000:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}Z"
    whole = {"time_ms": ms, "epoch": 1_770_000_000_000 + ms, "time": int(t * 1e6)}
    return f"{whole[kind]}" if kind else f"{t:.4f}"


@pytest.mark.parametrize("kind", ["time_ms", "timestamp", "epoch", "time", ""])
@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(size=st.integers(2, 8))
def test_a_log_in_bursts_is_read_whatever_its_stamps_count(tmp_path: Path, kind: str, size: int) -> None:
    """Whole milliseconds named so, dates with milliseconds, Unix milliseconds, whole microseconds, seconds unnamed."""
    rng = np.random.default_rng(size)
    true, stamps = bursts_of(size, 4000 // size, 101.0, rng)
    values = shake(true, 20.0)
    rows = [
        f"{stamp_text(kind, t)},{x:.4f},{y:.4f},{9.8 + 0.1 * x:.4f}"
        for t, x, y in zip(stamps, *values, strict=True)
    ]
    head = [f"{'timestamp' if kind == 'epoch' else kind},ax (m/s^2),ay (m/s^2),az (m/s^2)"] if kind else []
    path = tmp_path / "drive.csv"
    path.write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")
    recording = read_recording(path, ReadOptions())
    assert recording.rate_hz == pytest.approx(101.0, rel=2e-3)
    assert recording.samples.shape[1] == pytest.approx(true.size, abs=2)


def test_stamps_that_run_back_and_forth_are_no_bursts() -> None:
    around = [602, 662, 542] * 7 + [602, 661, 662, 541, 542, 600, 601, 602, 660, 661, 662, 541, 542, 600, 601]
    stamps = (
        np.array([1, *around, 602, 660, 661]) / 1000.0
    )  # what fuzzing made of a log, as short as it shows it
    assert find_bursts(stamps) is None

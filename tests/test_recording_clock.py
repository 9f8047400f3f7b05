"""Stamps of phones: jitter, drops, bursts, held values, steps back and gaps, each undone and each said."""

import importlib.util
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import lombscargle

from vibeorder.errors import RecordingError
from vibeorder.recording.clock import Uniform, to_uniform

FloatArray = NDArray[np.float64]
RealArray = NDArray[np.floating[Any]]


def road(times_s: RealArray, seed: int = 0, top_hz: float = 60.0) -> FloatArray:
    """A band-limited shake of many random sines, strongest below 15 Hz, around gravity [shape (3, n)]."""
    rng = np.random.default_rng(seed)
    hz = rng.uniform(0.5, top_hz, 80)
    size = 1.0 / (1.0 + (hz / 12.0) ** 2)
    phase = rng.uniform(0, 2 * np.pi, (3, 80))
    waves = np.stack([(size * np.sin(2 * np.pi * hz * times_s[:, None] + p)).sum(axis=1) for p in phase])
    return np.asarray(waves * 0.3 + np.array([[0.5], [-3.0], [9.2]]))


def base(uniform: Uniform) -> FloatArray:
    return uniform.start_s + np.arange(uniform.valid.size) / uniform.rate_hz


def error(uniform: Uniform, truth: FloatArray) -> float:
    """Root mean square error relative to the shake, the first and last tenth second left out."""
    inner = uniform.valid.copy()
    edge = int(0.1 * uniform.rate_hz)
    inner[:edge] = inner[-edge:] = False
    shake = truth - truth.mean(axis=1, keepdims=True)
    return float(np.linalg.norm((uniform.samples - truth)[:, inner]) / np.linalg.norm(shake[:, inner]))


@pytest.mark.parametrize(("jitter", "dropped"), [(0.0, 0.0), (0.02, 0.0), (0.07, 0.01), (0.2, 0.02)])
def test_a_jittered_log_is_brought_onto_the_true_signal(jitter: float, dropped: float) -> None:
    rng = np.random.default_rng(4)
    times = (np.arange(8000) + rng.normal(0, jitter, 8000)) / 200.0
    times = times[rng.random(8000) >= dropped]
    uniform = to_uniform(times, road(times), "log")
    assert uniform.rate_hz == pytest.approx(200.0, rel=1e-3 if jitter < 0.1 else 1e-2)
    assert error(uniform, road(base(uniform))) < 0.03
    assert uniform.quality.gaps == ()


def test_amplitude_and_frequency_agree_with_lomb_scargle_at_eight_tenths_of_nyquist() -> None:
    """scipy.signal.lombscargle works on the raw stamps: an independent check of the uniform base."""
    rng = np.random.default_rng(9)
    times = (np.arange(6000) + rng.normal(0, 0.07, 6000)) / 200.0
    times = times[rng.random(6000) > 0.01]
    wave = 0.3 * np.sin(2 * np.pi * 80.0 * times) + 0.5 * np.sin(2 * np.pi * 12.0 * times)
    uniform = to_uniform(times, wave[None], "log")
    grid = base(uniform)
    for hz in (12.0, 80.0):
        comb = 2 * np.pi * np.linspace(hz - 0.02, hz + 0.02, 41)
        theirs = np.sqrt(4 * lombscargle(times, wave, comb) / times.size)
        ours = np.sqrt(4 * lombscargle(grid, uniform.samples[0], comb) / grid.size)
        assert float(ours.max()) == pytest.approx(float(theirs.max()), rel=0.01)
        assert abs(int(np.argmax(ours)) - int(np.argmax(theirs))) <= 1


def test_late_bursts_are_told_from_true_jitter() -> None:
    """Samples every 5 ms exactly, written in bursts up to 25 ms late: the true spacing is recovered."""
    rng = np.random.default_rng(2)
    true = np.arange(12_000) * 0.005
    written = np.ceil(true / 0.025) * 0.025 + np.arange(12_000) % 5 * 1e-4 + rng.uniform(0, 1e-3, 12_000)
    written = np.maximum.accumulate(written)
    uniform = to_uniform(written, road(true), "log")
    assert uniform.rate_hz == pytest.approx(200.0, rel=1e-4)
    lag = float(np.median(written - true))
    assert abs(lag) < 0.03
    # The constant part of the lateness cannot be known; the spacing can.
    shift = min(np.arange(0.0, 0.008, 0.0005), key=lambda s: error(uniform, road(base(uniform) - s)))
    assert error(uniform, road(base(uniform) - shift)) < 0.12


def test_a_second_in_which_the_phone_was_busy_is_caught_up() -> None:
    rng = np.random.default_rng(3)
    true = np.arange(6000) * 0.02
    written = true + rng.uniform(0, 0.008, 6000)
    written[2000:2600] = np.linspace(written[2000] + 1.5, written[2600], 600)
    uniform = to_uniform(np.maximum.accumulate(written), road(true, top_hz=20), "log")
    assert uniform.rate_hz == pytest.approx(50.0, rel=1e-4)
    assert uniform.quality.gaps == ()
    assert error(uniform, road(base(uniform) - 0.004, top_hz=20)) < 0.1


def test_a_long_gap_stays_empty_and_is_reported() -> None:
    times = np.arange(4000) / 100.0
    times[2000:] += 30.0
    uniform = to_uniform(times, road(times, top_hz=30), "log")
    (gap,) = uniform.quality.gaps
    assert list(gap) == pytest.approx([19.99, 30.01])
    hidden = (base(uniform) > 20.0) & (base(uniform) < 49.98)
    assert not uniform.valid[hidden].any()
    assert float(np.abs(uniform.samples[:, ~uniform.valid]).max()) == 0.0
    assert uniform.rate_hz == pytest.approx(100.0)
    assert any("left empty" in note for note in uniform.history)


def test_rows_that_repeat_the_row_before_show_the_sensors_own_rate() -> None:
    """A log at 200 Hz of a sensor at 51 Hz (a real bus recording does this): the rate is told within 0.1%."""
    polled = np.arange(40_000) * 0.005
    updates = np.arange(0, 200.0, 1 / 51.0)
    latest = np.searchsorted(updates, polled, side="right") - 1
    values = road(updates, top_hz=20)[:, latest]
    uniform = to_uniform(polled.astype(np.float64), values, "log")
    assert uniform.rate_hz == pytest.approx(51.0, rel=1e-3)
    assert uniform.quality.nominal_rate_hz == pytest.approx(200.0, rel=1e-3)
    assert uniform.quality.repeated == pytest.approx(40_000 - updates.size, abs=2)
    # Polling finds each update up to 5 ms late, 2.5 ms on average.
    assert error(uniform, road(base(uniform) - 0.0025, top_hz=20)) < 0.1


def test_a_coarse_sensor_at_rest_is_not_taken_for_a_slow_one() -> None:
    rng = np.random.default_rng(8)
    values = np.round(rng.normal(0, 0.4, (1, 5000)))
    uniform = to_uniform(np.arange(5000) / 100.0, values, "log")
    assert uniform.quality.repeated == 0
    assert uniform.rate_hz == pytest.approx(100.0)


def test_stamps_that_step_back_keep_their_rows_in_order() -> None:
    """Blocks of 197 samples whose stamps overlap by 5 ms (a real action camera does this)."""
    true = np.arange(11_820) / 197.0
    block = np.arange(11_820) // 197
    stamps = true - 0.0105 * (block % 5)
    uniform = to_uniform(stamps, road(true), "log")
    assert uniform.rate_hz == pytest.approx(197.0, rel=1e-3)
    assert any("ran backward" in note for note in uniform.history)
    assert uniform.quality.gaps == ()


def test_stamps_rounded_to_milliseconds_are_smoothed() -> None:
    true = np.arange(24_000) / 400.0
    uniform = to_uniform(np.round(true, 3), road(true), "log")
    assert uniform.rate_hz == pytest.approx(400.0, rel=1e-5)
    # The rounding is at most half a millisecond either way: its mean is all that can remain.
    assert error(uniform, road(base(uniform) - (uniform.start_s - 0.0))) < 0.03


def test_stamps_cut_to_the_second_still_give_the_rate() -> None:
    true = 0.37 + np.arange(9000) / 100.0
    uniform = to_uniform(np.floor(true), road(true, top_hz=30), "log")
    assert uniform.rate_hz == pytest.approx(100.0, rel=2e-3)
    assert uniform.quality.gaps == ()


def test_rows_written_twice_count_once() -> None:
    times = np.repeat(np.arange(3000) / 100.0, np.where(np.arange(3000) % 50 == 0, 2, 1))
    uniform = to_uniform(times, road(times), "log")
    assert any("60 rows were written twice" in note for note in uniform.history)
    assert uniform.valid.size == 3000


def test_dropped_samples_are_counted() -> None:
    times = np.delete(np.arange(3000) / 100.0, [500, 900, 901, 2000])
    uniform = to_uniform(times, road(times, top_hz=30), "log")
    assert uniform.quality.repaired == 4
    wrong = np.abs(uniform.samples - road(base(uniform), top_hz=30)).max(axis=0)
    # A single lost sample is found again within a tenth of the shake (0.74 m/s^2 rms), the others stay.
    assert wrong[[500, 2000]].max() < 0.1
    assert wrong[1000:1900].max() < 0.005


def test_flat_tops_are_counted_as_clipping() -> None:
    times = np.arange(4000) / 100.0
    wave = np.clip(30 * np.sin(2 * np.pi * 3.0 * times), -19.6, 19.6)
    uniform = to_uniform(times, wave[None], "log")
    assert uniform.quality.clipped > 1000
    assert to_uniform(times, road(times), "log").quality.clipped == 0


def test_two_sittings_in_one_file_give_the_longer_one() -> None:
    times = np.concatenate((np.arange(1000) / 100.0, 90_000 + np.arange(3000) / 100.0))
    uniform = to_uniform(times, road(times), "log")
    assert uniform.valid.size == 3000
    assert any("2 sittings" in note for note in uniform.history)


def test_stamps_that_run_back_and_forth_are_refused() -> None:
    """Once a step of nothing was divided by: sixteen rows on, most stamps were what they had been."""
    times = np.array([0.0, 0.02] * 25)
    with pytest.raises(RecordingError, match="back and forth"):
        to_uniform(times, road(times), "log")
    # Written in pairs, the later one first, they move on.
    times = (np.arange(50) + np.tile([1.0, -1.0], 25)) * 0.02
    assert to_uniform(times, road(times), "log").rate_hz == pytest.approx(50.0, rel=0.05)


def test_stamps_that_stand_still_are_refused() -> None:
    with pytest.raises(RecordingError, match="stands still"):
        to_uniform(np.zeros(100), road(np.zeros(100) + np.arange(100)), "log")


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.floats(-0.05, 0.4, allow_nan=False), min_size=3, max_size=300),
    st.integers(0, 5),
)
def test_any_stamps_give_a_finite_uniform_base_or_one_sentence(steps: list[float], seed: int) -> None:
    """Property: whatever the stamps do, samples are finite, and empty where invalid."""
    times = np.cumsum(steps)
    values = np.random.default_rng(seed).normal(0, 1, (2, times.size))
    try:
        uniform = to_uniform(times, values, "log")
    except RecordingError:
        return
    assert np.isfinite(uniform.samples).all()
    assert (uniform.samples[:, ~uniform.valid] == 0).all()
    assert uniform.rate_hz > 0
    assert uniform.samples.shape[1] == uniform.valid.size


def test_an_hour_at_200_hz_is_brought_onto_the_base_with_flat_memory() -> None:
    import tracemalloc

    rng = np.random.default_rng(1)
    count = 3600 * 200
    times = (np.arange(count) + rng.normal(0, 0.05, count)) / 200.0
    values = rng.normal(0, 1, (3, count))
    tracemalloc.start()
    uniform = to_uniform(times, values, "log")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert uniform.valid.size == pytest.approx(count, abs=2)
    # The log itself is 23 MB; numpy reports its own buffers to tracemalloc.
    assert peak < 150e6


def test_the_clock_benchmark_runs_and_finds_ours_better_than_a_cubic_near_the_top() -> None:
    path = Path(__file__).parent / "benchmarks" / "clock.py"
    spec = importlib.util.spec_from_file_location("clock_benchmark", path)
    assert spec is not None
    assert spec.loader is not None
    benchmark = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(benchmark)
    times, values, hz = benchmark.draw(0.8, 0.07, 0.01, np.random.default_rng(1))
    ours = benchmark.measure(benchmark.ours, times, values, hz)
    cubic = benchmark.measure(benchmark.cubic, times, values, hz)
    ignored = benchmark.measure(benchmark.stamps_ignored, times, values, hz)
    assert abs(ours[0] - 1) < 0.01 < abs(cubic[0] - 1)
    assert ours[1] < 0.3 * cubic[1]
    assert abs(ours[2]) < 0.01 * abs(ignored[2])

"""A recording read along a phase track, against scipy.signal, which knows nothing of tracks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from vibeorder.spectrum.baseband import FILTER_SPAN, block_spectra, demodulate, filter_gain

FloatArray = NDArray[np.float64]
RATE_HZ = 200.0


def turns_of(frequency_hz: FloatArray) -> FloatArray:
    """Phase in turns of a line of that frequency at the samples."""
    return np.concatenate([[0.0], np.cumsum(0.5 * (frequency_hz[1:] + frequency_hz[:-1])) / RATE_HZ])


def line(turns: FloatArray, amplitude: float = 0.7, phase: float = 0.9) -> NDArray[np.float32]:
    return (amplitude * np.cos(2.0 * np.pi * turns + phase))[None].astype(np.float32)


def test_the_gain_of_the_decimation_filter_is_that_of_the_squared_hann_window() -> None:
    step = 50
    length = FILTER_SPAN * step
    # Hann at half-sample offsets: every second value of one twice as long
    window = signal.windows.hann(2 * length + 1)[1::2] ** 2
    offset_hz = np.linspace(0.0, 2.0, 21)  # decimated rate 4 Hz
    _, response = signal.freqz(window / window.sum(), worN=offset_hz, fs=RATE_HZ)
    assert filter_gain(offset_hz, RATE_HZ / step) == pytest.approx(np.abs(response), abs=2e-4)


@pytest.mark.parametrize("seconds", [20, 40])
def test_a_sweeping_line_reads_its_amplitude_and_phase_all_along(seconds: int) -> None:
    turns = turns_of(np.linspace(20.0, 45.0, int(seconds * RATE_HZ)))
    band = demodulate(line(turns), np.ones(turns.size, bool), RATE_HZ, turns, 8.0)
    middle = band.z[0, 10:-10]
    assert np.abs(middle) == pytest.approx(0.7, rel=0.01)
    assert np.angle(middle) == pytest.approx(0.9, abs=0.01)


def test_a_line_above_half_the_sample_rate_reads_the_same_at_its_folded_place() -> None:
    turns = turns_of(np.linspace(118.0, 148.0, 4000))  # half the rate is 100 Hz
    band = demodulate(line(turns), np.ones(turns.size, bool), RATE_HZ, turns, 8.0)
    assert np.abs(band.z[0, 10:-10]) == pytest.approx(0.7, rel=0.02)


def test_missing_samples_are_counted_as_missing() -> None:
    valid = np.ones(4000, bool)
    valid[1500:2100] = False
    turns = turns_of(np.full(4000, 30.0))
    band = demodulate(line(turns) * valid, valid, RATE_HZ, turns, 8.0)
    inside = (band.times_s > 8.0) & (band.times_s < 10.0)
    assert band.cover[inside] == pytest.approx(0.0, abs=1e-6)
    assert band.cover[band.times_s < 6.5] == pytest.approx(1.0)
    well_covered = band.cover > 0.99
    assert np.abs(band.z[0, well_covered]) == pytest.approx(0.7, rel=0.01)


def test_jittered_samples_read_as_a_lomb_scargle_periodogram_reads_them() -> None:
    rng = np.random.default_rng(3)
    times = np.arange(4000) / RATE_HZ + rng.normal(0.0, 0.1 / RATE_HZ, 4000)
    noisy = line(31.0 * times) + rng.normal(0.0, 0.3, 4000).astype(np.float32)
    band = demodulate(noisy, np.ones(4000, bool), RATE_HZ, 31.0 * times, 8.0)
    # unnormalised Lomb-Scargle of a sine of amplitude a over n samples: a^2 n / 4 (scipy's documentation)
    power = signal.lombscargle(times, noisy[0].astype(float), np.array([2.0 * np.pi * 31.0]))
    reference = float(np.sqrt(4.0 * np.squeeze(power) / times.size))
    assert abs(band.z[0].mean()) == pytest.approx(reference, rel=0.02)


def test_a_line_beside_the_track_stands_at_its_offset_with_its_amplitude() -> None:
    turns = turns_of(np.full(8000, 30.0))
    band = demodulate(line(turns_of(np.full(8000, 30.75))), np.ones(8000, bool), RATE_HZ, turns, 8.0)
    spectra = block_spectra(band, 4.0, np.array([10.0, 20.0, 30.0]), 2.0, pad=4)
    peaks = np.abs(spectra.spectra[0]).argmax(axis=-1)
    assert spectra.offset_hz[peaks] == pytest.approx(0.75, abs=0.07)
    assert np.abs(spectra.spectra[0]).max(axis=-1) == pytest.approx(0.7, rel=0.02)
    assert spectra.cover == pytest.approx(1.0, abs=1e-3)


def test_few_offsets_and_many_are_computed_alike() -> None:
    # few are summed directly, many by a fast transform
    rng = np.random.default_rng(5)
    noise = rng.normal(size=(2, 6000)).astype(np.float32)
    band = demodulate(noise, np.ones(6000, bool), RATE_HZ, turns_of(np.full(6000, 25.0)), 40.0)
    mid_s = np.array([10.0, 15.0])
    few = block_spectra(band, 4.0, mid_s, 2.0, pad=1)
    many = block_spectra(band, 4.0, mid_s, 15.0, pad=1)
    shared = np.searchsorted(many.offset_hz, few.offset_hz - 1e-9)
    assert many.spectra[:, :, shared] == pytest.approx(few.spectra, abs=1e-5)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.05, 5.0), st.floats(-3.0, 3.0), st.floats(5.0, 90.0), st.floats(-1.5, 1.5))
def test_any_line_on_its_track_reads_amplitude_and_phase(
    a: float, phase: float, hz: float, rise: float
) -> None:
    turns = turns_of(np.asarray(hz + rise * np.arange(4000) / RATE_HZ, float))
    band = demodulate(line(turns, a, phase), np.ones(4000, bool), RATE_HZ, turns, 8.0)
    found = band.z[0, 20:-20].mean()
    image = np.abs(np.exp(4j * np.pi * turns).mean())  # what the mirror line at twice the rate leaves behind
    assert abs(found - a * np.exp(1j * phase)) < a * (0.02 + 2.0 * image)

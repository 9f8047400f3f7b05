"""The averaged spectrum against Welch's of a general library, and a floor that neither lines nor gaps
lift."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import csd, welch

from vibeorder.errors import RecordingError
from vibeorder.spectrum import averaged_spectrum, noise_floor

FloatArray = NDArray[np.float64]
RATE_HZ = 200.0


def everywhere(n: int) -> NDArray[np.bool_]:
    return np.ones(n, dtype=np.bool_)


def test_densities_and_cross_densities_are_those_of_welch() -> None:
    rng = np.random.default_rng(1)
    samples = rng.normal(size=(3, 12_000)) + np.array([[0.0], [0.0], [9.8]])
    samples[1] += 0.5 * samples[0]
    spectrum = averaged_spectrum(samples, everywhere(12_000), RATE_HZ, 0.25)
    for i in range(3):
        frequency, density = welch(samples[i], RATE_HZ, nperseg=800)
        assert spectrum.frequency_hz == pytest.approx(frequency)
        assert spectrum.cross[:, i, i].real == pytest.approx(density, rel=1e-9, abs=1e-15)
    # scipy's cross density is conj(X) Y.
    _, cross = csd(samples[1], samples[0], RATE_HZ, nperseg=800)
    assert np.abs(spectrum.cross[:, 0, 1] - cross).max() < 1e-12


def test_a_line_on_a_bin_reads_its_vector_peak_amplitude() -> None:
    time_s = np.arange(12_000) / RATE_HZ
    direction = np.array([0.6, 0.0, 0.8])
    samples = 0.3 * direction[:, None] * np.cos(2 * np.pi * 12.0 * time_s + 0.4)
    spectrum = averaged_spectrum(samples, everywhere(12_000), RATE_HZ)
    assert spectrum.amplitude[np.argmin(np.abs(spectrum.frequency_hz - 12.0))] == pytest.approx(0.3, rel=1e-6)


def test_blocks_that_touch_a_gap_are_left_out() -> None:
    rng = np.random.default_rng(2)
    samples = rng.normal(size=(3, 12_000))
    valid = everywhere(12_000)
    valid[5000:5200] = False
    samples[:, ~valid] = 1e6
    spectrum = averaged_spectrum(samples, valid, RATE_HZ)
    assert spectrum.density.max() < 1.0
    assert spectrum.blocks == (5000 - 800) // 400 + 1 + (6800 - 800) // 400 + 1


def test_samples_that_are_no_numbers_count_as_a_gap() -> None:
    samples = np.random.default_rng(3).normal(size=(3, 4000))
    samples[1, 2000] = np.nan
    spectrum = averaged_spectrum(samples, everywhere(4000), RATE_HZ)
    assert np.isfinite(spectrum.density).all()


def test_record_shorter_than_a_block_gives_the_resolution_it_can() -> None:
    spectrum = averaged_spectrum(np.random.default_rng(4).normal(size=(3, 100)), everywhere(100), RATE_HZ)
    assert np.diff(spectrum.frequency_hz) == pytest.approx(2.0)
    assert spectrum.blocks == 1


@pytest.mark.parametrize(("n", "rate_hz", "resolution_hz", "said"), [
    (10, 200.0, 0.25, "10 samples"),
    (1000, 0.0, 0.25, "sample rate"),
    (1000, 200.0, 0.0, "resolution"),
])  # fmt: skip
def test_a_spectrum_that_cannot_be_is_refused_in_words(
    n: int, rate_hz: float, resolution_hz: float, said: str
) -> None:
    with pytest.raises(RecordingError, match=said):
        averaged_spectrum(np.zeros((3, n)), everywhere(n), rate_hz, resolution_hz)


def test_a_mask_of_another_length_is_refused() -> None:
    with pytest.raises(RecordingError, match="do not fit"):
        averaged_spectrum(np.zeros((3, 100)), everywhere(99), RATE_HZ)


def coloured(rng: np.random.Generator, n: int) -> tuple[FloatArray, FloatArray]:
    """Road-like noise of three channels, and its true density at the bins of a 4 s block."""

    def gain(f: FloatArray) -> FloatArray:
        mode = 1.0 / np.abs(1 - (f / 14.0) ** 2 + 2j * 0.12 * f / 14.0)
        return np.asarray(0.05 + mode / np.maximum(f, 0.5) ** 0.6, dtype=np.float64)

    white = rng.normal(size=(3, n))
    samples = np.fft.irfft(np.fft.rfft(white) * gain(np.arange(n // 2 + 1) * RATE_HZ / n), n)
    density = 3 * 2 / RATE_HZ * gain(np.arange(401) * RATE_HZ / 800) ** 2
    return samples, density


def test_floor_follows_road_noise_and_a_damped_body_mode() -> None:
    samples, density = coloured(np.random.default_rng(5), 24_000)
    spectrum = averaged_spectrum(samples, everywhere(24_000), RATE_HZ)
    band = (spectrum.frequency_hz > 2.0) & (spectrum.frequency_hz < 95.0)
    error_db = 10 * np.log10(noise_floor(spectrum)[band] / density[band])
    assert abs(error_db.mean()) < 0.3
    assert np.abs(error_db).max() < 2.0


def test_floor_is_not_lifted_by_a_comb_of_strong_lines() -> None:
    samples, _ = coloured(np.random.default_rng(6), 24_000)
    plain = noise_floor(averaged_spectrum(samples, everywhere(24_000), RATE_HZ))
    time_s = np.arange(24_000) / RATE_HZ
    comb = sum(np.cos(2 * np.pi * 6.13 * k * time_s + k) for k in range(1, 15))
    spectrum = averaged_spectrum(samples + 0.5 * comb, everywhere(24_000), RATE_HZ)
    # A quarter of all bins hold a line that stands some 20 to 40 dB out of the noise.
    change_db = 10 * np.log10(noise_floor(spectrum) / plain)[8:380]
    assert abs(np.median(change_db)) < 0.5
    assert np.abs(change_db).max() < 3.0


@pytest.mark.parametrize("channels", [1, 3])
def test_floor_of_white_noise_is_unbiased_however_few_the_blocks(channels: int) -> None:
    rng = np.random.default_rng(7)
    ratios = []
    for _ in range(20):
        spectrum = averaged_spectrum(rng.normal(size=(channels, 1600)), everywhere(1600), RATE_HZ)
        ratios.append(np.mean(noise_floor(spectrum)[4:-4]) / (channels * 2 / RATE_HZ))
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.05)

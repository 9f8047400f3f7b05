"""Without a speed: what is read of noise must be noise, however steep the chirp and however near the strong line.

The expected power of coloured noise under a window is the classical periodogram's (Priestley 1981, ch. 6): its density
averaged over what the window reaches. Noise is drawn here by its density, so that the truth is known.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from vibeorder.diagnosis.along import TrackReader
from vibeorder.diagnosis.colour import Colour, colour_of
from vibeorder.diagnosis.ridge import SLOPES, line_table, smeared
from vibeorder.diagnosis.signal import Signal

RATE_HZ, SECONDS = 200.0, 75.0


def _signal(samples: NDArray[np.float64]) -> Signal:
    return Signal(samples.astype(np.float32), np.ones(samples.shape[1], bool), RATE_HZ, False)


def _noise(rng: np.random.Generator, seconds: float, heave: float = 0.0) -> NDArray[np.float64]:
    """White noise of variance 1 on three axes, and below 2.5 Hz `heave` times as much amplitude."""
    count = round(seconds * RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal((3, count)))
    spectrum[:, np.fft.rfftfreq(count, 1.0 / RATE_HZ) < 2.5] *= 1.0 + heave
    return np.fft.irfft(spectrum, count)


def test_noise_dechirped_has_the_power_that_its_density_under_the_chirp_has() -> None:
    rng = np.random.default_rng(1)
    size, chirp = 600, 9.0
    u = (np.arange(size) - 0.5 * size) / RATE_HZ
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
    at_hz = np.arange(13, 49) * RATE_HZ / size
    kernel = window * np.exp(-1j * np.pi * chirp * u**2)
    usual, steep = np.zeros(at_hz.size), np.zeros(at_hz.size)
    for _ in range(300):
        frame = _noise(rng, size / RATE_HZ * 4.0, heave=5.0)[:, size : 2 * size]
        usual += (np.abs(np.fft.fft(frame * window)) ** 2).sum(axis=0)[13:49]
        steep += (np.abs(np.fft.fft(frame * kernel)) ** 2).sum(axis=0)[13:49]
    frequency = np.arange(301) * RATE_HZ / size
    density = np.where(frequency < 2.5, 36.0, 1.0)
    shape = np.repeat(np.eye(3)[None], frequency.size, axis=0)
    colour = Colour(frequency, density, shape, np.zeros(1), np.ones(1), RATE_HZ)
    said = smeared(colour, at_hz, np.array([-chirp, 0.0, chirp]), window)
    assert said[1] == pytest.approx(1.0)
    assert said[2] == pytest.approx(steep / usual, rel=0.25)
    assert said[2].max() > 3.0


def test_heaving_below_the_lowest_lines_is_no_folded_line_that_moves_steeply() -> None:
    signal = _signal(_noise(np.random.default_rng(2), SECONDS, heave=8.0))
    table = line_table(signal, colour_of(signal))
    near_fold = (np.abs(table.cells - RATE_HZ) < 9.0) & table.readable
    steep = np.abs(SLOPES) >= 6
    found = table.score[:, steep][:, :, near_fold]
    assert (found > 8.0).mean() < 2e-4


def test_a_bump_that_rings_the_body_is_no_line_in_its_frames() -> None:
    rng = np.random.default_rng(3)
    samples = _noise(rng, SECONDS)
    times = np.arange(round(2.0 * RATE_HZ)) / RATE_HZ
    for at_s in (20.0, 50.0):
        first = round(at_s * RATE_HZ)
        for hz in rng.uniform(24.0, 40.0, 12):
            ring = np.exp(-12.0 * times) * np.sin(2.0 * np.pi * hz * times + rng.uniform(0.0, 6.0))
            samples[:, first : first + times.size] += 4.0 * rng.standard_normal((3, 1)) * ring
    signal = _signal(samples)
    table = line_table(signal, colour_of(signal))
    near = (table.cells > 24.0) & (table.cells < 40.0)
    assert table.score[:, :, near].max() < 12.0


@pytest.mark.parametrize("apart_hz", [-1.0, -0.9, 0.9, 1.0])
def test_where_the_strong_line_was_taken_out_the_noise_beside_another_is_not_less(apart_hz: float) -> None:
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(4):
        noise = _noise(rng, SECONDS)
        turns = np.asarray(30.0 * np.arange(noise.shape[1]) / RATE_HZ, float)
        strong = _signal(noise + 0.5 * np.cos(2.0 * np.pi * turns))
        reader = TrackReader(strong, colour_of(strong))
        rest = reader.without(turns, np.ones(reader.mid_s.size))
        plain = TrackReader(_signal(noise), colour_of(_signal(noise)))
        beside = turns * (30.0 + apart_hz) / 30.0
        ratios.append(
            np.mean(rest.read(beside, 0.0).noise ** 2) / np.mean(plain.read(beside, 0.0).noise ** 2)
        )
    assert 0.95 < np.mean(ratios) < 1.5

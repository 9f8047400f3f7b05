"""Two nearly equal rates beat; one rate, or noise, does not."""

import numpy as np
import pytest
from numpy.typing import NDArray

from vibeorder.diagnosis.beats import Beat, find_beat
from vibeorder.spectrum.baseband import demodulate

RATE_HZ = 200.0
SECONDS = 60


def _beat(lines: list[tuple[float, float]], noise: float = 0.05) -> Beat | None:
    rng = np.random.default_rng(4)
    t = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    samples = noise * rng.normal(size=(3, t.size))
    for frequency_hz, amplitude in lines:
        samples[2] += amplitude * np.cos(2 * np.pi * frequency_hz * t + 0.3 * frequency_hz)
    turns: NDArray[np.float64] = 12.0 * t
    band = demodulate(samples.astype(np.float32), np.ones(t.size, bool), RATE_HZ, turns, 24.0)
    return find_beat(band, np.zeros(band.z.shape[1]), 12.0)


def test_two_tires_of_different_size_beat_at_the_difference_of_their_rates() -> None:
    # Beat rate = difference of the two rates (identity of the sum of two cosines; any acoustics textbook).
    beat = _beat([(12.0, 0.3), (12.13, 0.2)])
    assert beat is not None
    assert beat.apart_hz == pytest.approx(0.13, abs=0.005)
    assert beat.share == pytest.approx(0.2 / 0.3, abs=0.06)
    assert beat.period_s == pytest.approx(1 / 0.13, rel=0.05)


def test_one_line_does_not_beat() -> None:
    assert _beat([(12.0, 0.3)]) is None


def test_noise_does_not_beat() -> None:
    assert _beat([]) is None


def test_a_second_line_too_weak_to_be_felt_is_not_a_beat() -> None:
    assert _beat([(12.0, 0.3), (12.13, 0.05)]) is None


def test_lines_nearer_than_the_record_resolves_are_one() -> None:
    assert _beat([(12.0, 0.3), (12.02, 0.3)]) is None

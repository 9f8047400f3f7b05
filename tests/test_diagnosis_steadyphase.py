"""What keeps step is a part's line, however wildly its strength changes; what forgets its phase is noise.

Invented data. That the phase of a band of noise of width B is forgotten in 1 / (pi B) is from Rice 1945 (Mathematical
analysis of random noise, Bell System Technical Journal 24), from memory. That a joint's shake follows the throttle is
common practice, no source.
"""

import numpy as np
import pytest
from compare_examples import recording_of
from numpy.typing import NDArray

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.steadyphase import MOST_BY_PHASE, phase_log_odds
from vibeorder.speed.given import parse_speed_given
from vibeorder.vehicle import parse_vehicle

ComplexArray = NDArray[np.complexfloating]
BLOCKS, EVERY = 60, np.ones(60)


def noise(rng: np.random.Generator) -> ComplexArray:
    return np.asarray((rng.standard_normal(BLOCKS) + 1j * rng.standard_normal(BLOCKS)) / np.sqrt(2.0))


def band(rng: np.random.Generator, width_hz: float) -> ComplexArray:
    """A complex Gaussian process that forgets in 1 / (pi width), a second a block, 20 dB over the noise."""
    kept = np.exp(-np.pi * width_hz)
    out, fresh = np.empty(BLOCKS, complex), noise(rng)
    out[0] = fresh[0]
    for i in range(1, BLOCKS):
        out[i] = kept * out[i - 1] + np.sqrt(1.0 - kept**2) * fresh[i]
    return np.asarray(10.0 * out + noise(rng))


@pytest.mark.parametrize("width_hz", [0.3, 0.6, 1.0])
def test_a_band_of_noise_forgets_its_phase(width_hz: float) -> None:
    rng = np.random.default_rng(1)
    assert min(phase_log_odds(band(rng, width_hz), EVERY) for _ in range(4)) > 5.0


def test_a_line_whose_strength_follows_the_throttle_keeps_step() -> None:
    rng = np.random.default_rng(2)
    for _ in range(4):
        strength = 10.0 * np.exp(0.8 * rng.standard_normal(BLOCKS))
        turned = np.exp(1j * np.cumsum(0.03 * rng.standard_normal(BLOCKS) + 0.2))  # a little off its ratio
        odds = phase_log_odds(strength * turned + noise(rng), EVERY)
        assert -MOST_BY_PHASE <= odds < -3.0


def test_where_no_line_stands_out_or_few_blocks_speak_the_phase_says_nothing() -> None:
    rng = np.random.default_rng(3)
    assert max(abs(phase_log_odds(noise(rng), EVERY)) for _ in range(6)) < 4.0
    assert phase_log_odds(band(rng, 0.6), np.where(np.arange(BLOCKS) < 8, 1.0, 0.0)) == 0.0


def test_a_half_shaft_that_shakes_with_the_throttle_is_nothing_loose() -> None:
    rate_hz, count = 100.0, 7000
    rng = np.random.default_rng(4)
    at = np.arange(count) / rate_hz
    throttle = np.exp(1.3 * np.interp(at, np.arange(0.0, 74.0, 2.0), rng.standard_normal(37)))
    hz = (
        3.0
        * (80.0 / 3.6)
        / 2.0
        * (1.0 + 0.004 * np.interp(at, np.arange(0.0, 76.0, 4.0), rng.standard_normal(19)))
    )
    shake = throttle * np.sin(2.0 * np.pi * np.cumsum(hz) / rate_hz)
    samples = 0.2 * rng.standard_normal((3, count)) + np.outer([0.3, 0.2, 0.93], 0.3 * shake / shake.std())
    car = parse_vehicle(
        {"vehicle": {"name": "Northwind wagon", "layout": "fwd"}, "tire": {"circumference_mm": 2000}}
    )
    found = diagnose(recording_of(samples, rate_hz), car, speed=parse_speed_given("81.6 km/h"))
    assert found.suspects[0].order == 3.0
    assert found.nothing_found_probability < 0.5

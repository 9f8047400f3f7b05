"""Without a speed: one tire that rolls less far than its set is read where it runs, on a course of the driveshaft's.

Invented data. That tires of one set differ by some tenths of a percent is common practice, no source.
"""

import numpy as np
import pytest
from diagnosis_examples import VAN
from numpy.typing import NDArray

from vibeorder.diagnosis.along import TrackReader, likelihoods
from vibeorder.diagnosis.candidates import candidates_of
from vibeorder.diagnosis.colour import colour_of
from vibeorder.diagnosis.rolls import Rolls
from vibeorder.diagnosis.signal import Signal

FloatArray = NDArray[np.float64]
RATE_HZ, SECONDS = 200.0, 60
CANDIDATES = candidates_of(VAN)
SHAFT = next(i for i, c in enumerate(CANDIDATES) if c.key == ("driveshaft", 1.0))
TIRE = next(i for i, c in enumerate(CANDIDATES) if c.key == ("tire_wheel", 3.0))


def wheel_turns(change: float) -> FloatArray:
    """Of a speed that changes by this share, up and down again."""
    at = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    rate = 11.0 * (1.0 + change * np.sin(np.pi * at / SECONDS))
    return np.asarray(np.cumsum(rate) / RATE_HZ, np.float64)


def reader_of(turns: FloatArray, off: float, rms: float) -> TrackReader:
    samples = 0.1 * np.random.default_rng(4).standard_normal((3, turns.size))
    line = np.sqrt(2.0) * rms * np.cos(2.0 * np.pi * 3.0 * (1.0 + off) * turns)
    samples += np.array([[0.2], [0.4], [0.9]]) * line
    signal = Signal(samples.astype(np.float32), np.ones(turns.size, bool), RATE_HZ, False)
    return TrackReader(signal, colour_of(signal))


def read(reader: TrackReader, turns: FloatArray, anchor: int) -> tuple[float, float, float]:
    """Best log evidence of the tire's third order on the course, with a size of its own, and that size's log prior."""
    rolls = Rolls(reader, turns, CANDIDATES, anchor)
    straight = reader.read(turns * CANDIDATES[TIRE].multiple, CANDIDATES[TIRE].source.growth)
    own = rolls.read(TIRE, straight)
    alike = np.zeros(reader.mid_s.size)
    on_course, where_it_runs = likelihoods([(straight, alike), (own, alike)], reader.mid_s)
    return on_course.best, where_it_runs.best, rolls.log_prior


def test_a_tire_that_rolls_half_a_percent_less_is_read_where_it_runs_at_the_cost_of_its_size() -> None:
    turns = wheel_turns(0.5)
    straight, own, log_prior = read(reader_of(turns, 0.005, 0.1), turns, SHAFT)
    assert own > straight + 15.0
    assert log_prior == pytest.approx(-0.5 * (0.005 / 0.002) ** 2, rel=0.25)


@pytest.mark.parametrize(
    ("change", "off", "anchor"), [(0.5, 0.0, SHAFT), (0.02, 0.005, SHAFT), (0.5, 0.005, TIRE)]
)
def test_no_size_is_sought_where_it_fits_the_speed_is_held_or_a_wheels_own_line_led(
    change: float, off: float, anchor: int
) -> None:
    turns = wheel_turns(change)
    straight, own, log_prior = read(reader_of(turns, off, 0.1), turns, anchor)
    assert own == straight
    assert log_prior == 0.0

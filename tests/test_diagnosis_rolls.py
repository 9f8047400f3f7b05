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
from vibeorder.diagnosis.rolls import Driven, Rolls
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


RATIO = 3.9


def driven(change: float, off: float, anchor: int, rms: float = 0.1) -> Driven:
    """What was sought by two lines of the driven wheels' mean, which a wheel's course is off by so much."""
    turns = wheel_turns(change)
    samples = 0.1 * np.random.default_rng(4).standard_normal((3, turns.size))
    multiples = (RATIO, 2.0 * RATIO)
    for multiple in multiples:
        line = np.sqrt(2.0) * rms * np.cos(2.0 * np.pi * multiple * (1.0 + off) * turns)
        samples += np.array([[0.2], [0.4], [0.9]]) * line
    signal = Signal(samples.astype(np.float32), np.ones(turns.size, bool), RATE_HZ, False)
    reader = TrackReader(signal, colour_of(signal))
    found = Driven(reader, turns, CANDIDATES, anchor)
    found.seek([[(m, 0.0, reader.read(turns * m, 0.0)) for m in multiples]])
    return found


@pytest.mark.parametrize("change", [0.02, 0.5])
@pytest.mark.parametrize("off", [-0.003, 0.002])
def test_what_the_driven_wheels_turn_is_found_off_one_wheels_own_course_at_a_held_speed_too(
    change: float, off: float
) -> None:
    found = driven(change, off, TIRE)
    assert found.sought
    assert found.off == pytest.approx(off, abs=0.0006)
    assert found.log_prior == pytest.approx(-0.5 * (off / 0.002) ** 2, rel=0.5)


def test_a_course_of_the_shafts_own_is_the_driven_wheels_mean() -> None:
    assert not driven(0.5, 0.002, SHAFT).sought


def test_noise_gives_the_driven_wheels_no_size_of_their_own() -> None:
    assert driven(0.5, 0.002, TIRE, rms=0.0).off == 0.0
    assert driven(0.5, 0.0, TIRE).off == 0.0

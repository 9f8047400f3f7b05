"""What the phone's slow acceleration says of a course without a speed. Invented drives."""

import numpy as np
import pytest
from numpy.typing import NDArray

from vibeorder.diagnosis.pulls import NOT_FELT, felt
from vibeorder.diagnosis.signal import Signal

FloatArray = NDArray[np.float64]
RATE_HZ, SECONDS = 50.0, 75.0
FRAMES = np.arange(0.0, SECONDS, 0.5)
PULLS = 0.6 * np.array([0.0, 1.0, 0.4, -0.3, 0.0, 1.2, -1.0, -0.2, 0.8, 0.1, -1.1, -0.6, 0.9, 0.0])


def drive(feels: float = 1.0, seed: int = 1, relative: bool = False) -> tuple[Signal, FloatArray]:
    """A phone that lies askew and feels `feels` of the vehicle's pull under road noise and curves; speed at FRAMES."""
    rng = np.random.default_rng(seed)
    at = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    pull = np.interp(at, 6.0 * np.arange(PULLS.size), PULLS)
    own = 0.5 * rng.standard_normal((3, at.size))
    own[0] += feels * pull
    own[1] += 0.3 * np.sin(2 * np.pi * at / 13.0 + 1.0)
    askew, _ = np.linalg.qr(rng.standard_normal((3, 3)))
    samples = (askew @ own).astype(np.float32)
    speed = np.interp(FRAMES, at, 20.0 + np.cumsum(pull) / RATE_HZ)
    return Signal(samples, np.ones(at.size, bool), RATE_HZ, relative), speed


def log_odds(signal: Signal, speed: FloatArray) -> float:
    found = felt(signal)
    assert found is not None
    return found.log_odds(FRAMES, speed)


@pytest.mark.parametrize("seed", range(3))
def test_the_course_that_was_driven_is_told_from_its_multiples_and_from_other_courses(seed: int) -> None:
    signal, speed = drive(seed=seed)
    right = log_odds(signal, speed)
    assert right > 5.0
    assert right > log_odds(signal, 2.0 * speed) + 4.0  # or half of the pull was felt, which is rare
    assert right > log_odds(signal, 0.4 * speed)
    assert right > log_odds(signal, speed[::-1]) + 5.0


@pytest.mark.parametrize("seed", range(3))
def test_a_phone_that_feels_no_pull_says_next_to_nothing(seed: int) -> None:
    """Slow changes may have been filtered off: a course loses ln(1/NOT_FELT) at most, and gains nothing by noise."""
    signal, speed = drive(feels=0.0, seed=seed)
    assert np.log(NOT_FELT) - 1e-9 <= log_odds(signal, speed) < 0.5
    assert log_odds(signal, np.full(FRAMES.size, 20.0)) == pytest.approx(0.0, abs=1e-9)


def test_sound_says_nothing() -> None:
    assert felt(drive(relative=True)[0]) is None

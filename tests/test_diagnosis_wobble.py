"""How restless a line is tells one that folds from one that does not.

Densities are held against scipy.stats.multivariate_normal; a held speed's wobble of a few tenths of a percent is common
practice, no source.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from vibeorder.diagnosis.locking import WOBBLE
from vibeorder.diagnosis.wobble import MOST_FOR, fold_log_odds
from vibeorder.diagnosis.wobble import _log_density as log_density
from vibeorder.diagnosis.wobble import _smooth_courses as smooth_courses

FloatArray = NDArray[np.float64]
RATE_HZ = 200.0
TIMES = np.asarray(np.arange(0.5, 70.0, 0.5), float)
STEP_SD_HZ = 0.05


def measured(line_hz: float, wobble: float, seed: int, sweep: float = 0.0) -> FloatArray:
    """Frequencies of a line whose wheel wobbles with a memory of three seconds, and is driven faster by `sweep`."""
    rng = np.random.default_rng(seed)
    keep = np.exp(-0.5 / 3.0)
    e = np.zeros(TIMES.size)
    for i in range(1, e.size):
        e[i] = keep * e[i - 1] + wobble * np.sqrt(1.0 - keep**2) * rng.normal()
    course = 1.0 + sweep * np.sin(np.pi * TIMES / TIMES[-1])
    return np.asarray(line_hz * course * (1.0 + e) + STEP_SD_HZ * rng.normal(size=e.size), float)


def odds(hz: FloatArray) -> float:
    return fold_log_odds((TIMES, hz, np.full(TIMES.size, STEP_SD_HZ**2)), RATE_HZ)


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 10_000), st.floats(0.0, 0.1))
def test_a_line_as_restless_as_its_true_frequency_has_it_folds(seed: int, sweep: float) -> None:
    assert odds(measured(222.0, WOBBLE, seed, sweep * 0.3)) > 0.0


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 10_000), st.floats(0.0, 0.3))
def test_a_line_as_quiet_as_where_it_shows_does_not(seed: int, sweep: float) -> None:
    """Seen at 22 Hz: called 222 Hz, folded, its wobble would be a tenth of what drivers make."""
    assert odds(200.0 + measured(22.0, WOBBLE, seed, sweep)) < 0.0


def test_a_line_below_half_the_rate_need_not_fold_and_few_steps_say_nothing() -> None:
    assert odds(measured(22.0, WOBBLE, 1)) == 0.0
    few = 10
    hz = measured(222.0, WOBBLE, 1)[:few]
    assert fold_log_odds((TIMES[:few], hz, np.full(few, 0.01)), RATE_HZ) == 0.0


def test_the_odds_are_bounded_for_a_resonance_is_restless_too() -> None:
    assert odds(measured(222.0, 4.0 * WOBBLE, 3)) == pytest.approx(MOST_FOR)


def test_a_step_at_a_change_of_gear_is_no_restlessness() -> None:
    hz = 200.0 + measured(22.0, WOBBLE, 5)
    stepped = np.where(TIMES < 30.0, hz, hz + 4.0)
    noise = np.full(TIMES.size, STEP_SD_HZ**2)
    assert fold_log_odds((TIMES, stepped, noise), RATE_HZ, [30.0]) < -1.5


def test_the_density_is_that_of_what_no_smooth_course_explains() -> None:
    """N(r; 0, s^2 F K F + R) on the orthogonal complement of the courses, by scipy, summed over the restlessness."""
    times = np.asarray(np.arange(30.0), float)
    rng = np.random.default_rng(2)
    hz = 40.0 + rng.normal(0.0, 0.2, 30)
    variance = rng.uniform(0.001, 0.01, 30)
    smooth = smooth_courses(times, [])
    full = np.linalg.svd(smooth, full_matrices=True)[0][:, smooth.shape[1] :]
    apart = np.abs(times[:, None] - times)
    kernel = 0.5 * (np.exp(-apart / 3.0) + np.exp(-apart / 15.0))
    scales = np.exp(np.linspace(-2.1, 2.1, 7))
    weights = np.exp(-0.5 * (np.log(scales) / 0.7) ** 2)
    expected = np.logaddexp.reduce(
        [
            np.log(w / weights.sum())
            + multivariate_normal.logpdf(
                full.T @ hz,
                cov=full.T @ ((s * WOBBLE) ** 2 * np.outer(hz, hz) * kernel + np.diag(variance)) @ full,
            )
            for s, w in zip(scales, weights, strict=True)
        ]
    )
    constant = 0.5 * full.shape[1] * np.log(2.0 * np.pi)
    assert log_density(times, hz, variance, smooth) == pytest.approx(expected + constant, abs=1e-6)

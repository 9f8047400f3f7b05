"""The small numerics that do without a large library, against that library (scipy) and against numpy's own."""

import numpy as np
import pytest
from scipy.fft import next_fast_len
from scipy.ndimage import maximum_filter1d, percentile_filter

from vibeorder.spectrum.lengths import fast_length
from vibeorder.spectrum.middle import log_total, middle, within
from vibeorder.spectrum.sliding import largest_within, ranked_within


@pytest.mark.parametrize("count", [1, 2, 5, 40, 157])
@pytest.mark.parametrize("reach", [0, 1, 2, 3, 4, 9, 60])
def test_largest_and_ranked_values_of_a_window_are_those_of_the_filters(count: int, reach: int) -> None:
    values = np.random.default_rng(count).normal(size=(3, count)).astype(np.float32)
    size = 2 * reach + 1
    largest = maximum_filter1d(values, size, axis=1, mode="nearest")
    np.testing.assert_array_equal(largest_within(values, reach), largest)
    assert largest_within(values, reach).dtype == np.float32
    for percentile in (0.0, 40.0, 50.0, 99.0):
        ranked = percentile_filter(values, percentile, (1, size), mode="nearest")
        np.testing.assert_array_equal(ranked_within(values, percentile, reach), ranked)
        np.testing.assert_array_equal(ranked_within(values[0], percentile, reach), ranked[0])


def test_lengths_that_transform_fast_are_the_library_s() -> None:
    for least in [*range(1, 700), 59_999, 60_001, 1_234_567]:
        assert fast_length(least) == next_fast_len(least, real=True)
        even = fast_length(least, even=True)
        assert even % 2 == 0 and even >= least and even == next_fast_len(even, real=True)
        assert all(next_fast_len(n, real=True) != n for n in range(least + least % 2, even, 2))


def test_median_bounds_and_sum_of_logarithms_are_numpy_s() -> None:
    rng = np.random.default_rng(3)
    for count in (1, 2, 7, 12):
        values = rng.normal(size=(4, count)) * 300.0
        np.testing.assert_array_equal(middle(values), np.median(values, axis=-1))
        np.testing.assert_array_equal(within(values, -1.0, 2.0), np.clip(values, -1.0, 2.0))
        assert log_total(values) == pytest.approx(float(np.logaddexp.reduce(values.ravel())), rel=1e-12)
    assert log_total(np.array([-np.inf, -2.0])) == -2.0

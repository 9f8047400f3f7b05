"""Windows against Harris's table and against the window functions of a general-purpose library."""

import numpy as np
import pytest

from vibeorder.errors import VibeorderError
from vibeorder.spectrum.windows import (
    COSINE_TERMS,
    cosine_window,
    effective_averages,
    noise_bandwidth_bins,
    overlap_correlation,
)

# Harris, Proc. IEEE 66(1), 1978, Table 1: noise bandwidth (bins), overlap correlation at 75% and 50% (%).
# Values from memory; half a unit of the last digit.
HARRIS = {
    "rectangular": (1.00, 75.0, 50.0),
    "hann": (1.50, 65.9, 16.7),
    "hamming": (1.36, 70.7, 23.4),
    "blackman": (1.73, 56.7, 9.0),
    "blackman_harris": (2.00, 46.0, 3.8),
}


@pytest.mark.parametrize("name", HARRIS)
def test_window_has_the_figures_of_harris_table(name: str) -> None:
    weights = cosine_window(name, 4096)
    bandwidth, three_quarters, half = HARRIS[name]
    assert noise_bandwidth_bins(weights) == pytest.approx(bandwidth, abs=0.006)
    assert 100 * overlap_correlation(weights, 0.75) == pytest.approx(three_quarters, abs=0.06)
    assert 100 * overlap_correlation(weights, 0.50) == pytest.approx(half, abs=0.06)


@pytest.mark.parametrize(
    ("name", "length", "rate_hz", "printed_hz"),
    [
        # Printed examples of a public signal-processing manual (symmetric windows), as in our list of check
        # values.
        ("hamming", 1000, 1000.0, 1.3638),
        ("flat_top", 10000, 44100.0, 16.6285),
        ("hann", 128, 1000.0, 11.8110),
        ("hann", 1000, 10000.0, 15.0150),
    ],
)
def test_noise_bandwidth_of_symmetric_windows_is_the_printed_one(
    name: str, length: int, rate_hz: float, printed_hz: float
) -> None:
    bandwidth_hz = noise_bandwidth_bins(cosine_window(name, length, periodic=False)) * rate_hz / length
    assert bandwidth_hz == pytest.approx(printed_hz, abs=6e-5)


@pytest.mark.parametrize("name", COSINE_TERMS)
def test_window_is_the_one_of_a_general_library(name: str) -> None:
    from scipy.signal import get_window

    library = {"rectangular": "boxcar", "blackman_harris": "blackmanharris", "flat_top": "flattop"}
    expected = get_window(library.get(name, name), 257)
    assert cosine_window(name, 257) == pytest.approx(expected, abs=1e-12)


def test_half_overlapped_hann_blocks_average_nearly_like_independent_ones() -> None:
    # Welch, IEEE Trans. AU-15, 1967: 1 / (1 + 2 / 36) of their number for many blocks.
    weights = cosine_window("hann", 1000)
    assert effective_averages(weights, 500, 1000) / 1000 == pytest.approx(1 / (1 + 2 / 36), rel=1e-3)
    assert effective_averages(weights, 500, 1) == 1.0


def test_unknown_window_is_refused_with_the_known_ones() -> None:
    with pytest.raises(VibeorderError, match="hann"):
        cosine_window("welch", 16)


def test_scallop_loss_is_seen_on_a_real_line() -> None:
    n = 4096
    weights = cosine_window("hann", n)
    on, between = (
        np.abs(np.fft.rfft(weights * np.cos(2 * np.pi * f * np.arange(n) / n))).max() for f in (500.0, 500.5)
    )
    assert 20 * np.log10(on / between) == pytest.approx(1.42, abs=0.01)

"""Samples at uneven instants -> the uniform signal that would have given them, by least squares."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["band_limited_grid"]

FloatArray = NDArray[np.float64]

# Half length of the Kaiser-windowed sinc, in steps, and its shape: flat to 0.85 of Nyquist within 1e-3.
HALF_WIDTH = 10
KAISER_BETA = 5.5
PHASES = 8192
# What is known of a shake before it is measured, as weights of a least-squares fit: hardly anything above
# 0.92 of Nyquist (PENALTY), less the faster it is (SMOOTHNESS, on fourth differences), and near zero where
# nothing was measured (RIDGE). Together they fill a dropped sample from its neighbours; where every sample
# is there they change nothing that counts. Chosen on tests/benchmarks/clock.py: more smoothness fills
# runs of drops better and loses amplitude near the top of the band.
RIDGE = 1e-5
SMOOTHNESS = 3e-6
PENALTY = 0.03
PENALTY_HALF = 9
BAND_SHARE = 0.92
BLOCK = 32_768
OVERLAP = 64


def band_limited_grid(positions: FloatArray, samples: FloatArray, count: int) -> FloatArray:
    """The uniform signal u [shape (channels, count)] at 0, 1, ... whose interpolation meets the samples.

    positions: rising instants of the samples in grid steps [shape (n,)], within 0 to count - 1.
    samples: [shape (channels, n)], about zero mean.

    Minimises |A u - y|^2 + RIDGE |u|^2 + SMOOTHNESS |D u|^2 + PENALTY |H u|^2, with A the Kaiser-windowed
    sinc interpolation from the grid to the instants, D fourth differences and H a high-pass at 0.92 Nyquist.
    The normal equations are banded and solved directly (Cholesky), in overlapping blocks: memory stays flat.
    Least squares from irregular samples: Feichtinger, Groechenig & Strohmer 1995, Numer. Math. 69, 423.
    """
    out = np.zeros((samples.shape[0], count))
    for start in range(0, count, BLOCK):
        stop = min(start + BLOCK, count)
        low, high = max(start - OVERLAP, 0), min(stop + OVERLAP, count)
        first, last = np.searchsorted(positions, (low - 0.5, high - 0.5))
        if last - first < 1:
            continue
        block = _solve(positions[first:last] - low, samples[:, first:last], high - low)
        out[:, start:stop] = block[:, start - low : stop - low]
    return out


def _solve(positions: FloatArray, samples: FloatArray, count: int) -> FloatArray:
    from scipy.linalg import solveh_banded  # slow to import, needed for uneven clocks only

    taps = 2 * HALF_WIDTH
    length = count + 1 + taps  # the grid is lengthened by the kernel at both ends
    base = np.floor(positions).astype(np.int64) + 1
    phase = np.rint((positions - base + 1) * PHASES).astype(np.int64)
    bands = np.zeros((taps, length))
    target = np.zeros((length, samples.shape[0]))
    for layer in _layers(base):
        weights = np.zeros((taps, length - taps))
        weights[:, base[layer]] = _kernel()[phase[layer]].T
        values = np.zeros((samples.shape[0], length - taps))
        values[:, base[layer]] = samples[:, layer]
        _add_normal_equations(bands, target, weights, values)
    bands[0] += RIDGE
    bands += _penalty_taps()[:, None]
    solution = solveh_banded(
        bands, target, lower=True, overwrite_ab=True, overwrite_b=True, check_finite=False
    )
    inner: FloatArray = solution[HALF_WIDTH : HALF_WIDTH + count].T
    return inner


def _layers(base: NDArray[np.int64]) -> list[NDArray[np.intp]]:
    """Samples sorted into layers in which no two stand between the same two grid points."""
    first = np.concatenate(([True], np.diff(base) > 0))
    start = np.maximum.accumulate(np.where(first, np.arange(base.size), 0))
    rank = np.arange(base.size) - start
    return [np.flatnonzero(rank == layer) for layer in range(int(rank.max()) + 1)]


def _add_normal_equations(
    bands: FloatArray, target: FloatArray, weights: FloatArray, values: FloatArray
) -> None:
    """Adds A^T A (lower bands) and A^T y of one layer; a sample at base b weighs on b to b + taps - 1."""
    taps, length = weights.shape
    for first in range(taps):
        for second in range(first, taps):
            bands[second - first, first : first + length] += weights[first] * weights[second]
        target[first : first + length] += (weights[first] * values).T


@lru_cache(maxsize=1)
def _kernel() -> FloatArray:
    """Weights of the 2 HALF_WIDTH nearest grid points for each of PHASES + 1 places between two of them."""
    place = np.linspace(0.0, 1.0, PHASES + 1)[:, None]
    offset = np.arange(1 - HALF_WIDTH, HALF_WIDTH + 1)[None, :] - place
    window = np.i0(KAISER_BETA * np.sqrt(np.clip(1.0 - (offset / HALF_WIDTH) ** 2, 0.0, 1.0))) / np.i0(
        KAISER_BETA
    )
    table: FloatArray = np.sinc(offset) * window
    return table


def _penalty_taps() -> FloatArray:
    """Lower bands of PENALTY H^T H + SMOOTHNESS D^T D: autocorrelations of both from their middle on."""
    offset = np.arange(-PENALTY_HALF, PENALTY_HALF + 1)
    low_pass = BAND_SHARE * np.sinc(BAND_SHARE * offset) * np.kaiser(2 * PENALTY_HALF + 1, 4.0)
    high_pass = -low_pass / low_pass.sum()
    high_pass[PENALTY_HALF] += 1.0
    taps = np.zeros(2 * HALF_WIDTH)
    half = np.convolve(high_pass, high_pass)[2 * PENALTY_HALF :]
    taps[: half.size] = PENALTY * half
    differences = np.array([1.0, -4.0, 6.0, -4.0, 1.0])
    taps[:5] += SMOOTHNESS * np.convolve(differences, differences)[4:]
    return taps

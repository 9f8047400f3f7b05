"""The noise floor under a spectrum: follows road noise and body resonances, not lifted by the lines on it.

The frequency axis is cut into half-overlapping cells whose width grows with frequency (a body mode's width
does); in each, the median, which up to half a cell of lines cannot move far, is corrected for its bias; bins
that stand out are then left out and the medians taken once more; between cell centres the floor is a straight
line in log-log.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Cells", "floor_level", "make_cells", "matrix_shape", "median_to_mean", "spread_over_bins"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]

# A bin is taken for a line, and left out of the second median, when it stands this many standard deviations
# of noise's own scatter above the first floor: about one noise bin in a thousand does.
STANDS_OUT_SIGMA = 3.0
# Nor is it a line when it stands less than 3 dB out: road noise bends as much in a cell.
LEAST_RATIO = 2.0
# Slope of the floor below the first cell centre, in log-log: road noise rises towards low frequency, but
# never steeper than this (a displacement-like 1/f^3).
STEEPEST_SLOPE = 3.0


@dataclass(frozen=True, slots=True)
class Cells:
    """Half-overlapping stretches of bins: first bin, end bin, and centre bin of each."""

    low: NDArray[np.int64]
    high: NDArray[np.int64]
    centre: FloatArray


def make_cells(first_bin: int, end_bin: int, least_bins: int, relative_width: float) -> Cells:
    """Cells over bins first_bin..end_bin, each the wider of least_bins and relative_width x its frequency."""
    lows, highs = [], []
    low = first_bin
    while True:
        width = max(least_bins, round(relative_width * low))
        high = low + width
        if high >= end_bin:
            lows.append(max(first_bin, end_bin - width))
            highs.append(end_bin)
            break
        lows.append(low)
        highs.append(high)
        low += max(1, width // 2)
    low_bins, high_bins = np.array(lows, dtype=np.int64), np.array(highs, dtype=np.int64)
    # The median of a power that rises or falls through a cell is the power at its middle bin.
    return Cells(low_bins, high_bins, np.asarray((low_bins + high_bins - 1.0) / 2.0, dtype=np.float64))


def floor_level(power: FloatArray, cells: Cells, shape: float | FloatArray) -> tuple[FloatArray, BoolArray]:
    """Mean noise power per bin [shape (bins,)] and which bins hold noise alone [shape (bins,)].

    shape: of the gamma distribution that a noise bin's power follows about its mean, one figure or one for
    each cell: independent averages x channels that move independently.
    """
    shapes = np.broadcast_to(np.asarray(shape, dtype=np.float64), cells.low.shape)
    to_mean = median_to_mean(shapes)
    quiet = np.ones(power.size, dtype=np.bool_)
    level = np.empty(0)
    for _ in range(2):
        medians = np.array([_median(power, quiet, a, b) for a, b in zip(cells.low, cells.high, strict=True)])
        level = spread_over_bins(medians * to_mean, cells, power.size)
        # Wilson and Hilferty's cube root makes a gamma variate nearly normal, so one limit suits any shape.
        scatter = np.interp(np.arange(power.size), cells.centre, 1.0 / (9.0 * shapes))
        limit = level * np.maximum(LEAST_RATIO, (1.0 - scatter + STANDS_OUT_SIGMA * np.sqrt(scatter)) ** 3)
        loud = power > limit
        # A windowed line reaches two bins to either side.
        for shift in (1, 2):
            loud[shift:] |= power[:-shift] > limit[:-shift]
            loud[:-shift] |= power[shift:] > limit[shift:]
        quiet = ~loud
    return level, quiet


def median_to_mean(shape: FloatArray) -> FloatArray:
    """Mean over median of gamma variates of these shapes."""
    from scipy.special import gammaincinv

    return np.asarray(shape / gammaincinv(shape, 0.5), dtype=np.float64)


def _median(power: FloatArray, quiet: BoolArray, low: int, high: int) -> float:
    """Median of the quiet bins of a cell; of all of them where fewer than a third are quiet."""
    part = power[low:high]
    kept = part[quiet[low:high]]
    kept = kept if 3 * kept.size >= part.size else part
    # np.median spends most of its time on what a thousand short calls do not need.
    middle = kept.size // 2
    if kept.size % 2:
        return float(np.partition(kept, middle)[middle])
    return float(np.partition(kept, (middle - 1, middle))[middle - 1 : middle + 1].mean())


def spread_over_bins(levels: FloatArray, cells: Cells, bins: int) -> FloatArray:
    """Cell levels (positive) to every bin: straight in log-log, the first cells' slope carried downwards."""
    tiny = np.finfo(np.float64).tiny
    x, y = np.log(np.maximum(cells.centre, 0.5)), np.log(np.maximum(levels, tiny))
    at = np.log(np.maximum(np.arange(bins), 0.5))
    out = np.interp(at, x, y)
    few = min(4, x.size)
    if few >= 2 and x[few - 1] > x[0]:
        slope = float(np.clip(np.polyfit(x[:few], y[:few], 1)[0], -STEEPEST_SLOPE, 0.0))
        below = at < x[0]
        out[below] += slope * (at[below] - x[0])
    return np.asarray(np.exp(out), dtype=np.float64)


def matrix_shape(fourier: ComplexArray, level: FloatArray, quiet: BoolArray, cells: Cells) -> ComplexArray:
    """How noise is shared between the channels in each cell: mean of X X^H / level, trace 1 [shape (cells, c,
    c)].

    fourier: [shape (c, bins)]. Averaged over a cell and both its neighbours, for a matrix needs more looks
    than a level; a hundredth of an even share is added so that a dead channel leaves it invertible.
    """
    channels = fourier.shape[0]
    scaled = np.where(quiet, fourier / np.sqrt(level), 0.0)
    out = np.empty((cells.low.size, channels, channels), dtype=np.complex128)
    for i in range(cells.low.size):
        low, high = cells.low[max(0, i - 1)], cells.high[min(cells.low.size - 1, i + 1)]
        part = scaled[:, low:high]
        matrix = part @ part.conj().T
        power = float(np.trace(matrix).real)
        even = np.eye(channels) / channels
        out[i] = 0.99 * matrix / power + 0.01 * even if power > 0.0 else even
    return out

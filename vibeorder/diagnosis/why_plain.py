"""A line sought in a plain spectrogram, without the fitted course: does it move as the part's rate does?

The course that the judgement fitted follows the line, so it cannot be its own witness. Here every path
f0 (r / r0) ** s is tried, r the wheel's rate by the speed source alone: s = 1 turns with the part, s = 0
stands still. Peaks near the best path then give s by regression, with the error that their scatter shows.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.evidence import frame_evidence
from vibeorder.diagnosis.signal import folded
from vibeorder.diagnosis.why_case import Case
from vibeorder.spectrum.middle import log_spread

__all__ = ["LEAST_SPAN", "Movement", "SpectrogramPeaks", "movement_of", "peaks_along", "rate_span"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SLOPES: FloatArray = np.round(np.arange(-0.5, 2.001, 0.02), 2)
LEAST_SPAN = 0.05
"""Spread of ln(rate), 5 to 95%, below which the speed was held and movement says nothing."""

BLOCK_RANGE_S = (0.5, 3.0)
NOISE_HALF_HZ = 3.0
FRAME_CAP = 10.0
LEAST_EVIDENCE = 10.0
"""Log evidence of the best path, over all blocks, from which a line is taken to be there: thousands are tried."""

CLEAR = 9.0
"""Power over noise, summed over channels, that a peak needs beyond the number of channels."""

LEAST_PEAKS = 6
WINDOW_BINS = 1.5
START_WINDOW = 0.02


@dataclass(frozen=True, slots=True)
class SpectrogramPeaks:
    """Peaks that stand clear: instants, true frequency, and ln(rate over its median) there [shape (m,)]."""

    times_s: FloatArray
    frequency_hz: FloatArray
    log_rate: FloatArray


@dataclass(frozen=True, slots=True)
class Movement:
    """slope of ln(frequency) against ln(rate) with its error; span: of ln(rate); peaks it rests on, of `blocks`."""

    slope: float
    slope_se: float
    span: float
    peaks: SpectrogramPeaks
    blocks: int


@dataclass(frozen=True, slots=True)
class _Grid:
    """A spectrogram over its noise: ratio [shape (blocks, bins)] summed over channels, and the path's rate."""

    times_s: FloatArray
    bin_hz: float
    ratio: FloatArray
    log_rate: FloatArray
    line_hz: FloatArray
    block_s: float
    channels: int


def rate_span(case: Case) -> float:
    """5 to 95% spread of ln(wheel rate) by the speed source while the line has a rate."""
    held = case.held(case.candidate.order)
    if not held.any():
        return 0.0
    rate = _nominal_hz(case)[held]
    return log_spread(np.maximum(rate, 0.1))


def movement_of(case: Case) -> Movement | None:
    """How the line that crosses the suspect's place at the median rate moves; None where none stands there."""
    grid = _grid(case)
    if grid is None:
        return None
    own = grid.line_hz * case.fitted_scale
    at_hz = float(np.median(own))
    reach = max(1.0 / grid.block_s, START_WINDOW * at_hz)
    starts = np.arange(-reach, reach + 1e-9, 0.25 / grid.block_s) / at_hz
    best, at = -np.inf, (1.0, 0.0)
    for start in starts:
        paths = own * (1.0 + start) * np.exp((SLOPES[:, None] - 1.0) * grid.log_rate)
        total = _evidence(grid, case, paths)
        if total.max() > best:
            best, at = float(total.max()), (float(SLOPES[int(total.argmax())]), float(start))
    if best < LEAST_EVIDENCE:
        return None
    slope, start = at
    path = own * (1.0 + start) * np.exp((slope - 1.0) * grid.log_rate)
    peaks = _peaks(grid, case, path)
    if peaks.times_s.size < LEAST_PEAKS or np.ptp(peaks.log_rate) < LEAST_SPAN:
        return None
    # within one gear: a shift moves an engine line by itself, which is another finding
    y = np.log(peaks.frequency_hz) - np.interp(peaks.times_s, grid.times_s, np.log(own) - grid.log_rate)
    fitted, se = _regression(peaks.log_rate, y)
    return Movement(fitted, se, float(np.ptp(peaks.log_rate)), peaks, grid.times_s.size)


def peaks_along(case: Case, path_hz: FloatArray, path_s: FloatArray) -> SpectrogramPeaks:
    """Clear peaks within a bin and a half of a path (true frequency at path_s)."""
    grid = _grid(case)
    if grid is None:
        empty = np.zeros(0)
        return SpectrogramPeaks(empty, empty, empty)
    return _peaks(grid, case, np.interp(grid.times_s, path_s, path_hz))


def _nominal_hz(case: Case) -> FloatArray:
    return np.interp(case.times_s, case.hypothesis.scan.clock.mid_s, case.hypothesis.scan.clock.rate_hz)


def _grid(case: Case) -> _Grid | None:
    held = case.held(case.candidate.order)
    if not held.any():
        return None
    rate = _nominal_hz(case)
    line = rate * case.per_wheel * case.candidate.order
    block_s = _block_s(line, held, case.rate_hz)
    size = round(block_s * case.rate_hz)
    first = np.arange(0, held.size - size + 1, max(1, size // 2))
    first = first[[bool(held[s : s + size].all()) for s in first]] if first.size else first
    if first.size < LEAST_PEAKS:
        return None
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
    cut = case.samples[:, first[:, None] + np.arange(size)]
    power = np.abs(np.fft.rfft((cut - cut.mean(axis=-1, keepdims=True)) * window, 2 * size, axis=-1)) ** 2
    bin_hz = case.rate_hz / (2 * size)
    middle = first + size // 2
    log_rate = np.log(np.maximum(rate[middle], 0.1))
    return _Grid(
        middle / case.rate_hz,
        bin_hz,
        _over_noise(power, bin_hz),
        log_rate - np.median(log_rate),
        np.maximum(line[middle], 0.1),
        block_s,
        case.samples.shape[0],
    )


def _block_s(line_hz: FloatArray, held: BoolArray, rate_hz: float) -> float:
    """Block in which a moving line smears least: about 1 / sqrt(its change in Hz per second)."""
    stride = max(1, round(0.5 * rate_hz))
    change = np.abs(np.diff(line_hz[::stride])) * rate_hz / stride
    steady = held[::stride][1:] & held[::stride][:-1]
    fast = float(np.percentile(change[steady], 75)) if steady.any() else 0.0
    return float(np.clip(1.0 / np.sqrt(max(fast, 1e-3)), *BLOCK_RANGE_S))


def _over_noise(power: FloatArray, bin_hz: float) -> FloatArray:
    """Sum over channels of power over the running median beside it, brought to mean 1 per channel of noise."""
    from scipy.ndimage import median_filter

    half = max(4, round(NOISE_HALF_HZ / bin_hz))
    noise = median_filter(power, size=(1, 1, 2 * half + 1), mode="nearest") / np.log(2.0) + 1e-20
    return np.asarray((power / noise).sum(axis=0), float)


def _evidence(grid: _Grid, case: Case, paths_hz: FloatArray) -> FloatArray:
    """Log evidence of a line along each path [shape (paths,)]."""
    bins = np.round(folded(paths_hz, case.sensor_hz) / grid.bin_hz).astype(int)
    bins = np.clip(bins, 0, grid.ratio.shape[1] - 1)
    ratio = grid.ratio[np.arange(bins.shape[1]), bins].T
    return np.asarray(frame_evidence(ratio, grid.channels, FRAME_CAP).sum(axis=0) * 0.5, float)


def _peaks(grid: _Grid, case: Case, path_hz: FloatArray) -> SpectrogramPeaks:
    """The highest bin near the path in each block, put between bins by a parabola, where it stands clear."""
    reach = max(1, round(WINDOW_BINS / grid.block_s / grid.bin_hz))
    seen = folded(path_hz, case.sensor_hz)
    centre = np.round(seen / grid.bin_hz).astype(int)
    index = centre[:, None] + np.arange(-reach, reach + 1)
    safe = np.clip(index, 1, grid.ratio.shape[1] - 2)
    local = np.take_along_axis(grid.ratio, safe, axis=1)
    top = np.take_along_axis(safe, local.argmax(axis=1)[:, None], axis=1)[:, 0]
    rows = np.arange(top.size)
    low, mid, high = (np.log(grid.ratio[rows, top + d] + 1e-12) for d in (-1, 0, 1))
    bend = low - 2.0 * mid + high
    shift = np.where(bend < 0.0, 0.5 * (low - high) / np.minimum(bend, -1e-9), 0.0)
    found = (top + np.clip(shift, -0.5, 0.5)) * grid.bin_hz
    mirrored = np.where(path_hz - case.sensor_hz * np.round(path_hz / case.sensor_hz) < 0.0, -1.0, 1.0)
    true = path_hz + mirrored * (found - seen)
    inside = (local.argmax(axis=1) > 0) & (local.argmax(axis=1) < local.shape[1] - 1)
    clear = (grid.ratio[rows, top] > grid.channels + CLEAR) & inside & (true > 0.0)
    return SpectrogramPeaks(grid.times_s[clear], true[clear], grid.log_rate[clear])


def _regression(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope of y on x and its standard error from the scatter; blocks overlap by half, so each counts 1/sqrt 2."""
    keep = np.ones(x.size, bool)
    slope = intercept = 0.0
    for _ in range(3):
        slope, intercept = (float(v) for v in np.polyfit(x[keep], y[keep], 1))
        off = np.abs(y - slope * x - intercept)
        keep = off <= max(4.0 * float(np.median(off)) / 0.6745, 1e-9)
    residual = (y - slope * x - intercept)[keep]
    scatter = float(np.sqrt((residual**2).sum() / max(int(keep.sum()) - 2, 1)))
    spread = float(np.sqrt(((x[keep] - x[keep].mean()) ** 2).sum()))
    return slope, float(np.sqrt(2.0)) * scatter / spread

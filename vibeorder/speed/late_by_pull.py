"""How late a speed log runs, told by the phone's own slow acceleration: where the speed rises the vehicle pulls."""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording import Recording, Trace
from vibeorder.recording.store import excerpt

__all__ = ["Pulls", "pulls_shift", "with_own_lag"]

FloatArray = NDArray[np.float64]

BLOCK_S, WINDOW_S = 0.5, 2.0
"""Samples are averaged over half a second, and compared with the change of speed over two: a GPS's own noise of 0.1 m/s
is then 0.07 m/s^2, less than a gentle pull."""

SHIFT_S, BEYOND_S, APART_S = 0.25, 30.0, 5.0
"""Grid of the shifts, how far beyond the search they go as a control, and how far off a shift is another one."""

OWN_SEARCH_S, OWN_LAG_SD_S = 2.0, 0.4
"""How far the speed that the recording's own device logged may be off its usual lag, and the sd of that: a position fix
is filtered, and handed on when the device sees fit (common practice, no source)."""

OWN_LEAST_LOG = 25.0
"""Log likelihood ratio from which the pull is heeded there: below, gentle hills may shift it by most of a second (as
on two invented drives of eleven)."""

OWN_CONTROLS_S = 2.0
CHANGES_MPS = 3.0
"""Spread of a speed, 5 to 95%, below which no lag is looked for."""

HOLE_S = 3.5
DRIFT_S, MOST_DRIFTS = 60.0, 24
"""Changes slower than a minute are tilt, hills and warmth, and are taken off both."""

LEAST_WINDOWS = 40
LEAST_LOG, LEAST_OVER = 18.0, 7.0
SLOPE = (0.7, 1.5)
MOST_REST_MPS2 = 0.12
BEYOND_DOUBT_LOG, BEYOND_DOUBT_TIMES = 60.0, 3.0
"""The best shift's log likelihood ratio and how far it lies over all others; how many m/s^2 a rise of 1 m/s^2 may show;
and what may be left unexplained: a GPS's noise and a gentle hill. A long drive over hills leaves more (0.19 m/s^2 in a
real city bus, log likelihood 157 against 11 elsewhere), so a shift beyond doubt may. Measured on invented drives: of 29
that are not steady and whose accelerometer keeps slow changes, 28 were clear and off by 0.5 s at most; of 183 pairings
with the log of another drive none was."""

SE_FLOOR_S, MOST_SE_S = 0.2, 1.0


@dataclass(frozen=True, slots=True)
class Pulls:
    """shift_s, se_s: the recording's instant t has the log's speed of t + shift_s, and its standard error.

    score, runner_up: log likelihood ratio there, and the best one elsewhere. correlation: of speed change and
    acceleration there. slope: acceleration seen for each m/s^2 of the log's. rest_mps2: what it leaves, rms.
    """

    shift_s: float
    se_s: float
    score: float
    runner_up: float
    correlation: float
    slope: float
    rest_mps2: float

    @property
    def clear(self) -> bool:
        """Whether the shift stands out, with an acceleration of the size that the speed implies."""
        stands = self.score >= LEAST_LOG and self.score - self.runner_up >= LEAST_OVER
        beyond = self.score >= max(BEYOND_DOUBT_LOG, BEYOND_DOUBT_TIMES * self.runner_up)
        fits = SLOPE[0] <= self.slope <= SLOPE[1] and (beyond or self.rest_mps2 <= MOST_REST_MPS2)
        return stands and fits and self.se_s <= MOST_SE_S


@dataclass(frozen=True, slots=True)
class _Fit:
    score: float = 0.0
    correlation: float = 0.0
    slope: float = 0.0
    rest_mps2: float = 0.0


def with_own_lag(trace: Trace, recording: Recording, usual_s: float) -> Trace:
    """A speed that came with the recording, on its clock, with the lag that the pull tells, where it tells one.

    trace: times from sample 0. usual_s: its lag where nothing is known of it, which counts by OWN_LAG_SD_S.
    """
    if trace.lag_s is not None or float(np.ptp(np.percentile(trace.values, [5.0, 95.0]))) < CHANGES_MPS:
        return trace
    usual = replace(trace, times_s=trace.times_s - usual_s)
    found = pulls_shift(recording, usual, OWN_SEARCH_S, OWN_CONTROLS_S)
    if found is None or not found.clear or found.score < OWN_LEAST_LOG:
        return trace
    further_s = found.shift_s / (1.0 + (found.se_s / OWN_LAG_SD_S) ** 2)
    return replace(trace, lag_s=usual_s + further_s)


def pulls_shift(
    recording: Recording, trace: Trace, search_s: float, controls_s: float = SHIFT_S
) -> Pulls | None:
    """The shift within search_s at which the log's change of speed is the phone's slow acceleration.

    trace: road speed in m/s, its times from sample 0 as well as they are known. controls_s: grid of the shifts beyond
    it, tried as a control. However the phone lies, some mix of its three axes is the way forward: at every shift the
    best one is fitted (least squares). The score is n/2 ln(1 / (1 - R^2)), the log likelihood ratio of a regression, n
    the independent windows that the autocorrelations leave (Bartlett 1946, from memory). None for sound and for
    samples of unknown scale.
    """
    if recording.kind != "acceleration" or recording.unit != "m/s^2":
        return None
    middles, means = _windows(recording)
    steps = np.arange(-round((search_s + BEYOND_S) / SHIFT_S), round((search_s + BEYOND_S) / SHIFT_S) + 1)
    sought = np.abs(steps) <= search_s / SHIFT_S
    steps = steps[sought | (steps % max(round(controls_s / SHIFT_S), 1) == 0)]
    shifts: FloatArray = np.asarray(SHIFT_S * steps, float)
    fits = [_fit(middles, means, trace, float(shift)) for shift in shifts]
    scores = np.array([fit.score for fit in fits])
    within = np.abs(shifts) <= search_s + SHIFT_S / 2
    best = int(np.argmax(np.where(within, scores, -1.0)))
    if scores[best] <= 0.0:
        return None
    elsewhere = np.abs(shifts - shifts[best]) > APART_S
    mean_s, se_s = _mean(shifts, scores, best)
    found = fits[best]
    runner_up = float(scores[elsewhere].max(initial=0.0))
    return Pulls(mean_s, se_s, found.score, runner_up, found.correlation, found.slope, found.rest_mps2)


def _windows(recording: Recording) -> tuple[FloatArray, FloatArray]:
    """Middles of the windows that hold samples enough, and means over them [shape (channels, windows)]."""
    edges = np.round(np.arange(0.0, recording.duration_s, BLOCK_S) * recording.rate_hz).astype(int)
    width, channels = round(WINDOW_S / BLOCK_S), len(recording.channels)
    if edges.size <= width:
        return np.zeros(0), np.zeros((channels, 0))
    counts = np.diff(np.concatenate([[0], np.cumsum(recording.valid)])[edges])
    sums = np.zeros((channels, counts.size))
    for i in np.flatnonzero(counts).tolist():  # a clock that leapt may leave days without a sample
        a, b = int(edges[i]), int(edges[i + 1])
        valid = recording.valid[a:b]
        sums[:, i] = excerpt(recording.samples, a, b)[:, valid].sum(axis=1, dtype=np.float64)
    ones = np.ones(width)
    number = np.convolve(counts, ones, "valid")
    held = number > 0.8 * WINDOW_S * recording.rate_hz
    means = np.array([np.convolve(row, ones, "valid")[held] for row in sums]) / number[held]
    return np.asarray((BLOCK_S * np.arange(number.size) + WINDOW_S / 2.0)[held], float), means


def _fit(middles: FloatArray, means: FloatArray, trace: Trace, shift_s: float) -> _Fit:
    """Regression of the change of speed on the axes with the log read shift_s later."""
    times, steps = trace.times_s, np.diff(trace.times_s)
    first, last = middles + shift_s - WINDOW_S / 2.0, middles + shift_s + WINDOW_S / 2.0
    near = [steps[np.clip(np.searchsorted(times, at), 1, times.size - 1) - 1] for at in (first, last)]
    good = (first >= times[0]) & (last <= times[-1]) & (np.maximum(*near) <= HOLE_S)
    if np.count_nonzero(good) < LEAST_WINDOWS:
        return _Fit()
    change = (
        np.interp(last[good], times, trace.values) - np.interp(first[good], times, trace.values)
    ) / WINDOW_S
    span = max(float(np.ptp(middles[good])), 1.0)
    drift = _slow_changes(middles[good].tobytes(), min(int(2.0 * span / DRIFT_S), MOST_DRIFTS))
    change = change - drift @ (drift.T @ change)
    axes = means[:, good] - (means[:, good] @ drift) @ drift.T
    power = float(change @ change)
    if power <= 1e-9 * change.size:
        return _Fit()
    forward, *_ = np.linalg.lstsq(axes.T, change, rcond=None)
    rest = change - forward @ axes
    explained = float(np.clip(1.0 - rest @ rest / power, 0.0, 1.0 - 1e-6))
    count = max(_independent(change, rest) - 3.0 - drift.shape[1], 0.0)  # what was fitted
    slope = float(np.linalg.norm(axes @ change)) / power
    rest_mps2 = float(np.sqrt(np.mean(rest**2)))
    return _Fit(-0.5 * count * float(np.log1p(-explained)), float(np.sqrt(explained)), slope, rest_mps2)


@lru_cache(maxsize=4)
def _slow_changes(instants: bytes, halves: int) -> FloatArray:
    """Orthonormal slow changes: a constant, and cosines of up to so many half periods [shape (n, halves + 1)].

    instants: of the windows, as bytes: nearly all shifts have the same.
    """
    at_s = np.frombuffer(instants)
    span = max(float(at_s[-1] - at_s[0]), 1.0)
    shape = np.cos(np.pi * np.outer((at_s - at_s[0]) / span, np.arange(halves + 1)))
    return np.asarray(np.linalg.qr(shape)[0], float)


def _independent(one: FloatArray, other: FloatArray) -> float:
    """Number of independent windows, by the product of the two autocorrelations; windows overlap, so no more than one
    for each three quarters of their length."""
    kept = min(round(20.0 / BLOCK_S), one.size // 3)
    both = _autocorrelation(one)[1:kept] * _autocorrelation(other)[1:kept]
    return one.size / max(1.0 + 2.0 * float(both.sum()), 0.75 * WINDOW_S / BLOCK_S)


def _autocorrelation(values: FloatArray) -> FloatArray:
    power = np.abs(np.fft.rfft(values, 2 * values.size)) ** 2
    found = np.fft.irfft(power)[: values.size]
    return np.asarray(found / max(float(found[0]), 1e-30))


def _mean(shifts: FloatArray, scores: FloatArray, best: int) -> tuple[float, float]:
    """Mean and standard error of the shift, all about the best one weighted by their likelihood: tops may be flat."""
    near = np.abs(shifts - shifts[best]) <= APART_S
    weight = np.exp(scores[near] - scores[best])
    mean = float(np.average(shifts[near], weights=weight))
    spread = float(np.average((shifts[near] - mean) ** 2, weights=weight))
    return mean, float(np.hypot(np.sqrt(spread), SE_FLOOR_S))

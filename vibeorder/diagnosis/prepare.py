"""From a recording and a speed to what is judged: samples without their mean, and a nominal wheel clock."""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import COMMERCIAL_RIDE
from vibeorder.diagnosis.evened import evened
from vibeorder.diagnosis.hearing import READ_AT_HZ
from vibeorder.diagnosis.propose import Followed, RateDoubt
from vibeorder.diagnosis.scan import HOP_S, Clock
from vibeorder.diagnosis.signal import Signal
from vibeorder.recording.decimate import decimated, decimation_factor
from vibeorder.recording.model import Recording, Trace
from vibeorder.recording.store import excerpt, spans, stored
from vibeorder.speed.given import DASH_READS_HIGH, SpeedGiven
from vibeorder.vehicle import Vehicle

__all__ = ["NOMINAL_GPS_LAG_S", "judged_signal", "lag_of", "signal_of", "steady_clock", "trace_clock"]

FloatArray = NDArray[np.float64]

NOMINAL_GPS_LAG_S = 0.7
"""A phone's position fix runs late by 0.5 to 1 s (common practice, no source); fitted afterwards."""

SENSOR_SPEED_SE = 0.004
"""Relative scale error of a logged speed (GPS Doppler; common practice, no source)."""

HELD_SD = 0.012
"""How well a driver holds a speed by the dash over half a minute, relative (common practice, no source)."""

EPSILON_STEP = 0.001
ENGINE_AHEAD = 0.065
"""How far a slipping converter lets the engine run ahead, relative (common practice, no source)."""

FIX_NOISE_MPS = 0.1
SPEED_BEND_MPS2 = 0.15
"""Noise of a logged speed, and how much a vehicle's acceleration changes in a second (common practice, no source)."""

SMOOTHED_SE_MPS, LAG_SE_S, WHEEL_SE = 0.05, 0.2, 0.001
"""What is left of that noise after smoothing, of the lag, and how evenly a wheel rolls, relative."""

HELD_WANDER = 0.008
"""How far a speed held by eye strays from its mean over a minute, relative (common practice, no source)."""

HELD_SLOWLY = 0.015
"""The same where hills last: what a driver without a speed control loses on a rise and has again after it, relative
(common practice, no source)."""

GRID_S = 0.25
LEAST_READINGS = 5
HOLD = 1e-9
"""Grid of a smoothed speed, the readings needed for one, and what keeps the equations regular over a long gap."""

AROUND_S = 600.0
"""How far before and after the recording a log of the speed is read."""

RELATIVE_NOISE_RMS = 0.3
"""Recordings of unknown scale are brought to this rms: that of road noise in m/s^2, as a starting point."""


def signal_of(recording: Recording) -> Signal:
    """Samples ready for demodulation: mean removed over what is valid, float32; of a long recording on disk too."""
    samples, valid = recording.samples, recording.valid
    channels, total = samples.shape
    cut = spans(total)
    sums = np.zeros((channels, 1))
    for a, b in cut:
        sums += excerpt(samples, a, b)[:, valid[a:b]].sum(axis=1, keepdims=True, dtype=np.float64)
    mean = sums / max(int(np.count_nonzero(valid)), 1)
    relative = recording.unit == "relative"
    factor = 1.0
    if relative:
        power = sum(float((_centred(recording, mean, a, b) ** 2).sum()) for a, b in cut)
        factor = RELATIVE_NOISE_RMS / (float(np.sqrt(power / max(samples.size, 1))) + 1e-30)
    ready = stored((_centred(recording, mean, a, b) * factor for a, b in cut), channels)
    return Signal(ready, valid, recording.rate_hz, relative)


def judged_signal(recording: Recording, vehicle: Vehicle) -> Signal:
    """Samples as they are judged: those of sound thinned, and brought to a scale by their own noise (`evened`)."""
    ride = COMMERCIAL_RIDE if vehicle.tire.commercial else 1.0
    signal = replace(signal_of(recording), ride=ride)
    if recording.kind != "audio":
        return signal
    step = decimation_factor(signal.rate_hz, READ_AT_HZ)
    if step > 1:  # under the same name, so that what was thinned is not held beside what is evened
        thin = decimated(signal.samples, step)
        signal = signal.of(thin, signal.valid[::step][: thin.shape[1]], signal.rate_hz / step)
    return replace(signal, samples=evened(signal.samples, signal.valid, signal.rate_hz), folds=False)


def _centred(recording: Recording, mean: FloatArray, first: int, last: int) -> FloatArray:
    """Samples of a stretch without the mean, zero where they are not valid."""
    return np.where(recording.valid[first:last], excerpt(recording.samples, first, last) - mean, 0.0)


def steady_clock(signal: Signal, given: SpeedGiven, vehicle: Vehicle) -> tuple[Clock, RateDoubt]:
    """Nominal wheel at the speed that the speedometer is said to have shown, less what it usually overreads."""
    overread = 0.5 * (DASH_READS_HIGH[0] + DASH_READS_HIGH[1])
    overread_sd = (DASH_READS_HIGH[1] - DASH_READS_HIGH[0]) / np.sqrt(12.0)
    speed = 0.5 * (given.low_mps + given.high_mps) / (1.0 + overread)
    sd = float(np.sqrt(overread_sd**2 + vehicle.tire.relative_se**2 + HELD_SD**2 + (0.6 * given.loose) ** 2))
    rate_hz = speed / vehicle.tire.circumference_m
    return _clock(signal, lambda times: np.full(times.size, rate_hz), 0.05 + 1.3 * given.loose), RateDoubt(
        0.0, sd, HELD_WANDER, 0.002, Followed(0.0, 0.0, HELD_WANDER, HELD_SLOWLY)
    )


def trace_clock(signal: Signal, trace: Trace, vehicle: Vehicle, lag_s: float) -> tuple[Clock, RateDoubt]:
    """Nominal wheel from a logged speed that runs `lag_s` late."""
    end_s = signal.samples.shape[1] / signal.rate_hz
    own, values = _smoothed(_about(trace, end_s + lag_s))
    first, last = np.interp([0.0, end_s], own - lag_s, values)
    mean_mps = max(float(np.interp(np.linspace(0.0, end_s, 200), own - lag_s, values).mean()), 1.0)
    # in a pull a lag adds to the distance all through
    late = LAG_SE_S * abs(float(last - first)) / (mean_mps * end_s)
    sd = float(np.sqrt(vehicle.tire.relative_se**2 + SENSOR_SPEED_SE**2 + late**2))

    def rate_hz(times: FloatArray) -> FloatArray:
        speed = np.interp(times, own - lag_s, values)
        return np.asarray(np.maximum(speed, 0.0) / vehicle.tire.circumference_m)

    followed = Followed(SMOOTHED_SE_MPS / vehicle.tire.circumference_m, LAG_SE_S, WHEEL_SE)
    return _clock(signal, rate_hz, 0.045), RateDoubt(0.0, sd, 0.0045, 0.002, followed)


def _about(trace: Trace, end_s: float) -> Trace:
    """What a trace has about the signal (from 0 to end_s), where it goes on for long before or after.

    A logger may have been left on for months: a smooth course through all of them would not fit into memory.
    """
    times_s = trace.times_s
    begin_s, end_s = -AROUND_S, end_s + AROUND_S
    if times_s[0] >= begin_s and times_s[-1] <= end_s:
        return trace
    inside = times_s[(times_s > begin_s) & (times_s < end_s)]
    ends = np.clip([begin_s, end_s], times_s[0], times_s[-1])
    times = np.unique(np.concatenate((ends[:1], inside, ends[1:])))
    return replace(trace, times_s=times, values=np.interp(times, times_s, trace.values))


def lag_of(trace: Trace) -> float:
    """How late the trace runs: as it was measured or told, else as a position fix usually does."""
    return NOMINAL_GPS_LAG_S if trace.lag_s is None else trace.lag_s


def _smoothed(trace: Trace) -> tuple[FloatArray, FloatArray]:
    """Times and speeds of the smoothest course that the noise of the logged speed allows (Whittaker 1923).

    On a grid finer than the readings, which lie between its points, so that it bends between them as well: the change
    of acceleration over a step is what is penalised.
    """
    from scipy.linalg import solveh_banded

    times, values = trace.times_s, trace.values
    if values.size < LEAST_READINGS or times[-1] - times[0] < GRID_S * LEAST_READINGS:
        return times, values
    hop_s = max(float(np.median(np.diff(times))), 1e-3)
    n = int(np.ceil((times[-1] - times[0]) / GRID_S)) + 1
    place = (times - times[0]) / GRID_S
    low = np.minimum(place.astype(int), n - 2)
    share = place - low
    # ten readings a second are no better than one: their errors go together
    stiffness = (FIX_NOISE_MPS / (SPEED_BEND_MPS2 * GRID_S**1.5)) ** 2 * max(1.0, 1.0 / hop_s)
    bands = np.zeros((3, n))
    bands[2] = stiffness * np.concatenate([[1.0, 5.0], np.full(n - 4, 6.0), [5.0, 1.0]]) + HOLD
    bands[1, 1:] = stiffness * np.concatenate([[-2.0], np.full(n - 3, -4.0), [-2.0]])
    bands[0, 2:] = stiffness
    right = np.zeros(n)
    for at, weight in ((low, 1.0 - share), (low + 1, share)):
        np.add.at(bands[2], at, weight**2)
        np.add.at(right, at, weight * values)
    np.add.at(bands[1], low + 1, share * (1.0 - share))
    return times[0] + GRID_S * np.arange(n), np.asarray(solveh_banded(bands, right))


def _clock(signal: Signal, rate_hz: Callable[[FloatArray], FloatArray], reach: float) -> Clock:
    """rate_hz: of the nominal wheel at any instants."""
    total = signal.samples.shape[1]
    count = max(2, int(total / signal.rate_hz / HOP_S))
    mid_s = np.asarray((np.arange(count) + 0.5) * HOP_S, float)
    cells = round(reach / EPSILON_STEP)
    epsilon = np.asarray(np.arange(-cells, cells + 1) * EPSILON_STEP, float)
    turns = stored(_turns(total, signal.rate_hz, rate_hz), 1, np.float64)[0]
    # the rate at the frames is read between the samples' own
    place = np.minimum(mid_s * signal.rate_hz, total - 1.0)
    low = np.minimum(place.astype(int), max(total - 2, 0))
    before, after = rate_hz(low / signal.rate_hz), rate_hz((low + 1) / signal.rate_hz)
    at_frames = before + (place - low) * (after - before)
    there = _there(signal, count)
    return Clock(turns, mid_s, at_frames, epsilon, epsilon.size + round(ENGINE_AHEAD / EPSILON_STEP), there)


def _there(signal: Signal, frames: int) -> FloatArray:
    """Share of each frame that was recorded; empty where all was."""
    if signal.valid.all():
        return np.zeros(0)
    at = np.minimum((np.arange(frames) * HOP_S * signal.rate_hz).astype(int), signal.valid.size - 1)
    return np.asarray(
        np.add.reduceat(signal.valid.astype(float), at) / np.diff(at, append=signal.valid.size).clip(1)
    )


def _turns(
    total: int, sample_rate_hz: float, rate_hz: Callable[[FloatArray], FloatArray]
) -> Iterator[FloatArray]:
    """Turns of the wheel at the samples, by trapezoids, in blocks [shape (1, n)]."""
    done = 0.0
    for first, last in spans(total):
        rate = rate_hz(np.arange(max(first - 1, 0), last) / sample_rate_hz)
        turns = done + np.cumsum(0.5 * (rate[1:] + rate[:-1])) / sample_rate_hz
        if first == 0:
            turns = np.concatenate([[0.0], turns])
        done = float(turns[-1])
        yield turns[None]

"""From a recording and a speed to what is judged: samples without their mean, and a nominal wheel clock."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.propose import Followed, RateDoubt
from vibeorder.diagnosis.scan import HOP_S, Clock
from vibeorder.diagnosis.signal import Signal
from vibeorder.recording.model import Recording, Trace
from vibeorder.speed.given import DASH_READS_HIGH, SpeedGiven
from vibeorder.vehicle import Vehicle

__all__ = ["NOMINAL_GPS_LAG_S", "lag_of", "signal_of", "steady_clock", "trace_clock"]

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

GRID_S = 0.25
LEAST_READINGS = 5
HOLD = 1e-9
"""Grid of a smoothed speed, the readings needed for one, and what keeps the equations regular over a long gap."""

RELATIVE_NOISE_RMS = 0.3
"""Recordings of unknown scale are brought to this rms: that of road noise in m/s^2, as a starting point."""


def signal_of(recording: Recording) -> Signal:
    """Samples ready for demodulation: mean removed over what is valid, float32."""
    valid = recording.valid
    samples = recording.samples
    mean = samples[:, valid].mean(axis=1, keepdims=True) if valid.any() else 0.0
    centred = np.where(valid, samples - mean, 0.0)
    relative = recording.unit == "relative"
    if relative:
        centred = centred * (RELATIVE_NOISE_RMS / (float(np.sqrt((centred**2).mean())) + 1e-30))
    return Signal(centred.astype(np.float32), valid, recording.rate_hz, relative)


def steady_clock(signal: Signal, given: SpeedGiven, vehicle: Vehicle) -> tuple[Clock, RateDoubt]:
    """Nominal wheel at the speed that the speedometer is said to have shown, less what it usually overreads."""
    overread = 0.5 * (DASH_READS_HIGH[0] + DASH_READS_HIGH[1])
    overread_sd = (DASH_READS_HIGH[1] - DASH_READS_HIGH[0]) / np.sqrt(12.0)
    speed = 0.5 * (given.low_mps + given.high_mps) / (1.0 + overread)
    sd = float(np.sqrt(overread_sd**2 + vehicle.tire.relative_se**2 + HELD_SD**2 + (0.6 * given.loose) ** 2))
    rate = np.full(signal.samples.shape[1], speed / vehicle.tire.circumference_m)
    return _clock(signal, rate, 0.05 + 1.3 * given.loose), RateDoubt(
        0.0, sd, HELD_WANDER, 0.002, Followed(0.0, 0.0, HELD_WANDER)
    )


def trace_clock(signal: Signal, trace: Trace, vehicle: Vehicle, lag_s: float) -> tuple[Clock, RateDoubt]:
    """Nominal wheel from a logged speed that runs `lag_s` late."""
    times = np.arange(signal.samples.shape[1]) / signal.rate_hz
    own, values = _smoothed(trace)
    speed = np.interp(times, own - lag_s, values)
    sd = float(np.hypot(vehicle.tire.relative_se, SENSOR_SPEED_SE))
    rate = np.maximum(speed, 0.0) / vehicle.tire.circumference_m
    followed = Followed(SMOOTHED_SE_MPS / vehicle.tire.circumference_m, LAG_SE_S, WHEEL_SE)
    return _clock(signal, rate, 0.045), RateDoubt(0.0, sd, 0.0045, 0.002, followed)


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


def _clock(signal: Signal, rate_hz: FloatArray, reach: float) -> Clock:
    count = max(2, int(signal.samples.shape[1] / signal.rate_hz / HOP_S))
    mid_s = np.asarray((np.arange(count) + 0.5) * HOP_S, float)
    cells = round(reach / EPSILON_STEP)
    epsilon = np.asarray(np.arange(-cells, cells + 1) * EPSILON_STEP, float)
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (rate_hz[1:] + rate_hz[:-1])) / signal.rate_hz])
    at = np.arange(rate_hz.size) / signal.rate_hz
    return Clock(
        turns,
        mid_s,
        np.interp(mid_s, at, rate_hz),
        epsilon,
        epsilon.size + round(ENGINE_AHEAD / EPSILON_STEP),
    )

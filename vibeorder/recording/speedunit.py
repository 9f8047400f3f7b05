"""The unit of a speed that does not state it, told by the acceleration logged beside it."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording.scale import speed_factor

__all__ = ["speed_unit_by_motion"]

FloatArray = NDArray[np.float64]

WINDOW_S = 2.0
# GPS speed comes late by up to a second or two, and a logger may be off by as much.
LAGS_S = np.arange(-1.0, 4.01, 0.5)
MIN_WINDOWS = 30
MIN_CORRELATION = 0.5
# Units differ by 1.6 at least (km/h and mph): half of that on a log scale, less a little.
CLOSE = 0.2


def speed_unit_by_motion(
    speed_times_s: FloatArray, written: FloatArray, times_s: FloatArray, samples_mps2: FloatArray
) -> tuple[str, float] | None:
    """The unit in which the written speed changes as the acceleration says, and the correlation.

    Over windows of 2 s the change of speed must equal the mean acceleration along the road, whatever way
    the phone lies: a regression on the three axes gives the ratio of the two, which is 1 for m/s, 2.24 for
    mph, 3.6 for km/h. Gravity and the phone's tilt are constant and drop out. None where it does not show.
    """
    if speed_times_s.size < 10 or times_s.size < 100 or not np.all(np.diff(times_s) >= 0):
        return None
    middles = np.arange(
        max(times_s[0], speed_times_s[0]) + 5.0, min(times_s[-1], speed_times_s[-1]) - 5.0, 1.0
    )
    if middles.size < MIN_WINDOWS:
        return None
    found = [_ratio(middles, lag, speed_times_s, written, times_s, samples_mps2) for lag in LAGS_S]
    correlation, ratio = max(found)
    if correlation < MIN_CORRELATION:
        return None
    for unit in ("m/s", "mph", "km/h"):
        if abs(np.log(ratio * speed_factor(unit))) < CLOSE:
            return unit, correlation
    return None


def _ratio(
    middles: FloatArray, lag_s: float, speed_times_s: FloatArray, written: FloatArray, times_s: FloatArray,
    samples: FloatArray,
) -> tuple[float, float]:  # fmt: skip
    """Correlation of speed change and acceleration, and the written speed per m/s that it implies."""
    half = WINDOW_S / 2.0
    after = np.interp(middles + lag_s + half, speed_times_s, written)
    before = np.interp(middles + lag_s - half, speed_times_s, written)
    change = (after - before) / WINDOW_S
    ends = np.searchsorted(times_s, middles + half)
    starts = np.searchsorted(times_s, middles - half)
    sums = np.concatenate((np.zeros((samples.shape[0], 1)), np.cumsum(samples, axis=1)), axis=1)
    held = np.maximum(ends - starts, 1)
    means = (sums[:, ends] - sums[:, starts]) / held
    near = np.searchsorted(speed_times_s, middles + lag_s)
    near = np.clip(near, 1, speed_times_s.size - 1)
    fresh = (ends - starts > 3) & (speed_times_s[near] - speed_times_s[near - 1] < 3.0)
    if fresh.sum() < MIN_WINDOWS:
        return 0.0, 1.0
    change, means = change[fresh], means[:, fresh]
    change = change - change.mean()
    means = means - means.mean(axis=1, keepdims=True)
    if float((change**2).sum()) <= 0:
        return 0.0, 1.0
    forward, *_ = np.linalg.lstsq(means.T, change, rcond=None)
    explained = forward @ means
    correlation = float(np.sqrt(max(0.0, 1.0 - ((change - explained) ** 2).sum() / (change**2).sum())))
    backward = means @ change / float((change**2).sum())
    low, high = float(np.linalg.norm(forward)), 1.0 / max(float(np.linalg.norm(backward)), 1e-12)
    # The regression of either on the other is weakened by noise: the truth lies between the two.
    return correlation, float(np.sqrt(low * high)) if low > 0 else 1.0

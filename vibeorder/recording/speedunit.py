"""The unit of a speed that does not state it, told by the acceleration logged beside it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording.scale import speed_factor

__all__ = ["MotionRatio", "ratio_by_motion", "unit_log_weights"]

FloatArray = NDArray[np.float64]

WINDOW_S = 2.0
# GPS speed comes late by up to a second or two, and a logger may be off by as much.
LAGS_S = np.arange(-1.0, 4.01, 0.5)
MIN_WINDOWS = 20
MIN_CORRELATION = 0.7
"""Three axes and eleven lags reach 0.6 by chance in half a minute."""
JACKKNIFE = 10

UNIT_SHARE = {"m/s": 0.5, "km/h": 0.3, "mph": 0.195, "knots": 0.005}
"""How often a log that does not say it is in each: phones hand over m/s, cars what the dash shows, knots stand in
files that say so (a judgement, no source)."""

TOP_USUAL_MPS, TOP_LOG_SD = 25.0, 0.45
"""Top speed of a road test, 36 to 140 km/h in two of three (a judgement, no source)."""

SQUAT = 0.96
"""The body squats as it speeds up, by some 2 to 4 degrees per g (common practice, no source): gravity then adds a
twentieth to the acceleration that a fixed phone reads, and the ratio comes out so much low."""

SLOPE_SD = 0.06
"""How far slopes of the road, the phone's scale and the smoothing of the speed leave ln(ratio) off otherwise (nine in
ten of 40 simulated drives with a correlation above 0.95 lay within)."""

ASTRAY, ASTRAY_RANGE = 0.05, 4.0
"""How often the ratio says nothing (a phone that was moved, a long hill), and over what width of ln(ratio) it then
falls."""


@dataclass(frozen=True, slots=True)
class MotionRatio:
    """Written speed per m/s, as the acceleration has it.

    ratio: 1 for m/s, 2.24 for mph, 3.6 for km/h. log_se: standard error of ln(ratio), noise on either side included.
    """

    correlation: float
    ratio: float
    log_se: float


def ratio_by_motion(
    speed_times_s: FloatArray, written: FloatArray, times_s: FloatArray, samples_mps2: FloatArray
) -> MotionRatio | None:
    """By how much more the written speed changes than the acceleration says it should; None where it does not show.

    Over windows of 2 s the change of speed must equal the mean acceleration along the road, whatever way
    the phone lies. Gravity and the phone's tilt are constant and drop out.
    """
    if speed_times_s.size < 10 or times_s.size < 100 or not np.all(np.diff(times_s) >= 0):
        return None
    middles = _seconds(
        times_s, max(times_s[0], speed_times_s[0]) + 5.0, min(times_s[-1], speed_times_s[-1]) - 5.0
    )
    if middles.size < MIN_WINDOWS:
        return None
    at_lags = [_changes(middles, lag, speed_times_s, written, times_s, samples_mps2) for lag in LAGS_S]
    at_lags = [pair for pair in at_lags if pair[0].size >= MIN_WINDOWS]
    if not at_lags:
        return None
    change, means = max(at_lags, key=lambda pair: _slope(*pair)[0])
    correlation, log_ratio = _slope(change, means)
    if correlation < MIN_CORRELATION:
        return None
    return MotionRatio(correlation, float(np.exp(log_ratio)), _log_se(change, means, correlation))


def unit_log_weights(written: FloatArray, motion: MotionRatio | None) -> dict[str, float]:
    """Log weight of each unit (most: 0), by its usualness, the top speed it implies and the acceleration.

    motion: as `ratio_by_motion` found it, or None.
    """
    top = max(float(np.percentile(written, 99)), 0.1)
    found: dict[str, float] = {}
    for unit, share in UNIT_SHARE.items():
        off = np.log(top * speed_factor(unit) / TOP_USUAL_MPS) / TOP_LOG_SD
        found[unit] = float(np.log(share) - 0.5 * off**2)
        if motion is not None:
            sd = float(np.hypot(SLOPE_SD, motion.log_se))
            z = np.log(motion.ratio * speed_factor(unit) / SQUAT) / sd
            meant = np.exp(-0.5 * z**2) / (sd * np.sqrt(2.0 * np.pi))
            found[unit] += float(np.log((1.0 - ASTRAY) * meant + ASTRAY / ASTRAY_RANGE))
    most = max(found.values())
    return {unit: weight - most for unit, weight in found.items()}


def _seconds(times_s: FloatArray, begin_s: float, end_s: float) -> FloatArray:
    """Instants a second apart from begin_s on, before end_s, where there are samples [shape (n,)].

    A file may hold two sittings months apart: every second between them would not fit into memory.
    """
    inside = times_s[(times_s >= begin_s) & (times_s < end_s)]
    return np.asarray(begin_s + np.unique(np.floor(inside - begin_s)), dtype=np.float64)


def _changes(
    middles: FloatArray, lag_s: float, speed_times_s: FloatArray, written: FloatArray, times_s: FloatArray,
    samples: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Change of the written speed per second in each window, and the mean acceleration there [shapes (n,), (c, n)]."""
    half = WINDOW_S / 2.0
    after = np.interp(middles + lag_s + half, speed_times_s, written)
    before = np.interp(middles + lag_s - half, speed_times_s, written)
    ends = np.searchsorted(times_s, middles + half)
    starts = np.searchsorted(times_s, middles - half)
    sums = np.concatenate((np.zeros((samples.shape[0], 1)), np.cumsum(samples, axis=1)), axis=1)
    means = (sums[:, ends] - sums[:, starts]) / np.maximum(ends - starts, 1)
    near = np.searchsorted(speed_times_s, middles + lag_s)
    near = np.clip(near, 1, speed_times_s.size - 1)
    fresh = (ends - starts > 3) & (speed_times_s[near] - speed_times_s[near - 1] < 3.0)
    return ((after - before) / WINDOW_S)[fresh], means[:, fresh]


def _slope(change: FloatArray, means: FloatArray) -> tuple[float, float]:
    """Correlation of the change of speed with the acceleration along it, and ln of their ratio.

    Where the change y = k x + e and the axes m = u x + f, x the true acceleration and u the way forward, cov(m, y) =
    k var(x) u points along u; noise in axes that hardly move does not grow in it, as it does in the regression of y on
    all axes. Along u, y on a = u.m has the slope k var(x) / (var(x) + var(f)), below k, and a on y turned over has
    k (1 + var(e) / (k^2 var(x))), above k: k lies between r s and s / r, s = sd(y) / sd(a) being their geometric mean
    (reduced major axis).
    """
    y = change - change.mean()
    m = means - means.mean(axis=1, keepdims=True)
    together = m @ y
    size = float(np.linalg.norm(together))
    if size <= 0.0:
        return 0.0, 0.0
    along = (together / size) @ m
    yy, aa = float(y @ y), float(along @ along)
    return float(along @ y / np.sqrt(yy * aa)), float(0.5 * np.log(yy / aa))


def _log_se(change: FloatArray, means: FloatArray, correlation: float) -> float:
    """Standard error of ln(ratio): of chance by the jackknife, and of which side the noise is on.

    The jackknife leaves out tenths of the drive, as slopes of the road last longer than a window; nothing says where
    between r s and s / r the ratio lies, so a uniform spread over ln(1 / r) either way is added.
    """
    left_out = np.array_split(np.arange(change.size), JACKKNIFE)
    logs = [_slope(np.delete(change, gone), np.delete(means, gone, axis=1))[1] for gone in left_out]
    chance = (JACKKNIFE - 1) * float(np.var(logs))
    return float(np.sqrt(chance + np.log(correlation) ** 2 / 3.0))

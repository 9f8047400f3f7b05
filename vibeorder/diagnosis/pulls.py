"""No speed given: what the phone's slow acceleration says of a course. Where it speeds up, the phone is pulled along.

Its size tells a speed in m/s^2: a wrong name's course is the right one times a factor, and so is its pull.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.namings import Naming
from vibeorder.diagnosis.signal import Signal
from vibeorder.speed.slow_changes import slow_changes

__all__ = ["Felt", "felt", "pull_log_odds"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BLOCK_S, WINDOW_S = 0.5, 3.0
"""Means over three seconds: the body's own sway, and shakes that fold near 0 Hz, are gone."""

NOISE_MPS2 = 0.2
"""What hills and a phone that tilts add along the road, rms: 0.19 m/s^2 in a real city bus beside its GPS; more where
the recording shows more across the road."""

INDEPENDENT_S = 5.0
"""Seconds that count as one reading: hills and curves last."""

FELT_SHARE = 0.5
"""How often a recording shows the pull at all: slow changes may have been filtered off, or the phone have been held."""

DRIFT_S = 60.0
"""Half a period of the fastest change that is taken for tilt, hills and warmth, and taken off."""

LEAST_WINDOWS = 40


@dataclass(frozen=True, slots=True)
class Felt:
    """Mean acceleration about `at_s`, its slow changes taken off [shape (channels, n)]; drift: what was taken off
    [shape (n, k)]; noise_mps2: what a course cannot explain, for each channel."""

    at_s: FloatArray
    means: FloatArray
    drift: FloatArray
    noise_mps2: float

    def log_odds(self, frame_s: FloatArray, speed_mps: FloatArray) -> float:
        """Log odds of the course of speed against a steady one; ln(1 - FELT_SHARE) at the least.

        With the way forward free and of unit length, the residual is least along sum(a dv): the log likelihood ratio
        is (2 |sum(a dv)| - sum(dv^2)) / (2 noise^2). What it gains by that freedom in noise alone is taken off.
        """
        before, after = self.at_s - WINDOW_S / 2.0, self.at_s + WINDOW_S / 2.0
        change = (np.interp(after, frame_s, speed_mps) - np.interp(before, frame_s, speed_mps)) / WINDOW_S
        change = change - self.drift @ (self.drift.T @ change)
        each = INDEPENDENT_S / BLOCK_S
        power = float(change @ change) / each / self.noise_mps2**2
        along = float(np.linalg.norm(self.means @ change)) / each / self.noise_mps2**2
        by_chance = power * len(self.means)  # mean square of what noise alone puts along a free direction
        ratio = np.sqrt(max(along**2 - by_chance, 0.0)) - 0.5 * power
        return float(np.logaddexp(np.log(1.0 - FELT_SHARE), np.log(FELT_SHARE) + ratio))


def felt(signal: Signal) -> Felt | None:
    """The slow acceleration of a recording in m/s^2; None for sound, and where there is too little."""
    if signal.relative:
        return None
    size = max(1, round(BLOCK_S * signal.rate_hz))
    count = signal.samples.shape[1] // size
    width = round(WINDOW_S / BLOCK_S)
    if count < LEAST_WINDOWS + width:
        return None
    held = signal.valid[: count * size].reshape(count, size).mean(axis=1)
    sums = signal.samples[:, : count * size].reshape(-1, count, size).mean(axis=2, dtype=np.float64)
    ones = np.ones(width)
    share = np.convolve(held, ones, "valid")
    means = np.array([np.convolve(row, ones, "valid") for row in sums]) / np.maximum(share, 1e-9)
    good = share > 0.9 * width
    if np.count_nonzero(good) < LEAST_WINDOWS:
        return None
    at_s = np.asarray(BLOCK_S * np.arange(share.size) + WINDOW_S / 2.0, float)[good]
    drift = slow_changes(at_s, int(float(at_s[-1] - at_s[0]) / DRIFT_S))
    slow = means[:, good] - (means[:, good] @ drift) @ drift.T
    across = np.linalg.eigvalsh(slow @ slow.T / slow.shape[1])[:-1]
    noise = max(NOISE_MPS2, float(np.sqrt(max(across.max(initial=0.0), 0.0))))
    return Felt(at_s, slow, drift, noise)


def pull_log_odds(pulls: Felt | None, naming: Naming, circumference_m: float) -> float:
    """`Felt.log_odds` of a naming's course, 0 where nothing is felt."""
    return 0.0 if pulls is None else pulls.log_odds(naming.frame_s, naming.rate_hz * circumference_m)

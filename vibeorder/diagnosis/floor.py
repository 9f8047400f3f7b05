"""The floor under the lines: road noise shaped by the body's resonances, at fixed frequencies.

A resonance of the body at a fixed frequency is broader than a line and does not move with speed. Its shape,
the median over time and over a band wider than any line, tells how much higher the noise is on a track than
beside it.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.signal import Signal, folded
from vibeorder.spectrum.middle import middle, power_of, within
from vibeorder.spectrum.sliding import ranked_within

__all__ = ["GENTLE", "RANK", "SMOOTH_HZ", "STEEP", "Floor", "either_side", "floor_of"]

FloatArray = NDArray[np.float64]

FRAME_S = 6.0
LEAST_FRAMES = 5
SMOOTH_HZ = 1.0
"""Half width of the median over frequency: lines are narrower, body resonances broader, and so are the humps a
wheelbase apart in time that the rear axle's echo of the road makes."""

RANK = 40.0
"""Percentile taken instead of the median: a strong line that wanders raises nearly half of what is near it."""

GENTLE, STEEP = 0.8, 8.0
"""Bounds of the correction that the floor's shape may make."""


@dataclass(frozen=True, slots=True)
class Floor:
    """Noise power density summed over channels, [shape (n,)] on frequency_hz; arbitrary unit."""

    frequency_hz: FloatArray
    density: FloatArray
    sample_rate_hz: float

    def rise(self, frequency_hz: FloatArray, near_hz: float, far_hz: float) -> FloatArray:
        """Floor on the track over the floor beside it, from `near_hz` to `far_hz` either side [-]."""
        around = middle(self.at(frequency_hz + either_side(near_hz, far_hz)), axis=0)
        return np.asarray(within(self.at(frequency_hz) / around, GENTLE, STEEP))

    def at(self, frequency_hz: FloatArray) -> FloatArray:
        """Density where a line of that frequency shows."""
        return np.interp(folded(frequency_hz, self.sample_rate_hz), self.frequency_hz, self.density)


@lru_cache(maxsize=512)
def either_side(near_hz: float, far_hz: float) -> FloatArray:
    """Five places on either side of a track, from near to far [shape (10, 1)]: the same for a line on every course."""
    offsets = np.linspace(near_hz, far_hz, 5)
    return np.concatenate([-offsets, offsets])[:, None]


def floor_of(signal: Signal) -> Floor:
    """Median over frames, then over a band, of the power spectrum of all channels."""
    size = min(
        signal.samples.shape[1],
        max(
            16, round(min(FRAME_S, signal.samples.shape[1] / signal.rate_hz / LEAST_FRAMES) * signal.rate_hz)
        ),
    )
    first = np.arange(0, signal.samples.shape[1] - size + 1, max(1, size // 2))
    whole = np.array([signal.valid[s : s + size].all() for s in first])
    first = first[whole] if whole.any() else first
    window = (np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2).astype(np.float32)
    power = np.stack(
        [power_of(np.fft.rfft(signal.samples[:, s : s + size] * window, axis=-1)).sum(axis=0) for s in first]
    )
    level = np.median(power, axis=1, keepdims=True) + 1e-20
    middle = np.median(power / level, axis=0)
    half = max(1, round(SMOOTH_HZ * size / signal.rate_hz))
    density = ranked_within(middle, RANK, half)
    density = np.convolve(np.pad(density, half, mode="edge"), np.ones(half + 1) / (half + 1), mode="same")[
        half:-half
    ]
    frequency = np.asarray(np.fft.rfftfreq(size, 1.0 / signal.rate_hz), float)
    return Floor(frequency, np.asarray(density + 1e-20, float), signal.rate_hz)

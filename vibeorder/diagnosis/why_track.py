"""The strength of one line along any phase, by the Vold-Kalman tracker, over the noise beside it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.spectrum import narrowest_bandwidth_hz, track_orders

__all__ = ["BLOCK_NOISE_HZ", "Followed", "Strength", "follow"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BANDWIDTH_HZ = 0.8
"""Whole -3 dB width of the tracker: its envelope follows changes over about a second and a quarter, and a line
up to 0.4 Hz off the course still counts."""

BESIDE_HZ = (-2.4, -1.6, 1.6, 2.4)
"""Where beside the line the same tracker reads noise: three and four half widths off, where it passes 1%."""

POLES = 2
READ_HZ = 5.0
NOISE_SMOOTH_S = 4.0
LEAST_S = 3.0
"""Shortest time in which a line is said to have been followed."""

STANDS_DB = 3.0
"""Road noise is not even: what stands less than this over its neighbours may be a hump of it."""

BLOCK_NOISE_HZ = 0.375
"""Noise bandwidth of a four-second Hann block (1.5 bins; Harris 1978): the resolution of every 'over noise'."""


@dataclass(frozen=True, slots=True)
class Strength:
    """Vector peak amplitude over some part of the record, noise taken off, with its standard error.

    noise: peak amplitude that noise alone shows in a four-second block; snr_db: the line's power over it.
    seconds: how long it was read.
    """

    amplitude: float
    standard_error: float
    noise: float
    snr_db: float
    seconds: float

    @property
    def stands(self) -> bool:
        """Whether there is a line: three standard errors, and twice the power of the noise beside it in a block."""
        return self.amplitude > 3.0 * self.standard_error and self.snr_db > STANDS_DB


@dataclass(frozen=True, slots=True)
class Followed:
    """A line followed: squared vector peak with its noise, and that noise, five times a second [shape (m,)]."""

    times_s: FloatArray
    power: FloatArray
    noise: FloatArray
    held: BoolArray
    channels: int
    noise_hz: float

    def over(self, where: BoolArray | None = None) -> Strength | None:
        """The strength over those instants (all where it is held if None); None where too short."""
        use = self.held if where is None else self.held & where
        count = int(use.sum())
        if count < LEAST_S * READ_HZ and (where is None or count < READ_HZ):
            return None
        noise = float(self.noise[use].mean())
        power = float(self.power[use].mean()) - noise
        independent = max(1.0, count / READ_HZ * self.noise_hz)
        variance = (noise**2 + 2.0 * noise * max(power, 0.0)) / self.channels / independent
        # the level of the noise itself is read from four neighbours over the same time
        power_se = float(np.sqrt(variance + noise**2 / self.channels / independent / len(BESIDE_HZ))) + 1e-30
        amplitude = float(np.sqrt(max(power, 0.0)))
        se = power_se / (2.0 * max(amplitude, 0.5 * np.sqrt(power_se)))
        in_block = noise * BLOCK_NOISE_HZ / self.noise_hz
        snr = 10.0 * np.log10(max(power / (in_block + 1e-30), 1e-2))
        return Strength(amplitude, float(se), float(np.sqrt(in_block)), float(snr), count / READ_HZ)


def follow(
    samples: FloatArray,
    rate_hz: float,
    turns: FloatArray,
    held: BoolArray,
    rivals: Sequence[FloatArray] = (),
) -> Followed | None:
    """Follow the line whose phase is `turns` [shape (n,)] where `held`; None where that is too short.

    rivals: phases of lines that cross it, solved for together with it. Noise is read on four tracks beside it,
    after all these lines are taken out.
    """
    if held.sum() < LEAST_S * rate_hz:
        return None
    width = max(BANDWIDTH_HZ, 1.01 * narrowest_bandwidth_hz(rate_hz, POLES))
    first, last = (int(i) for i in np.flatnonzero(held)[[0, -1]])
    cut = slice(first, last + 1)
    data, mask = samples[:, cut], held[cut]
    phases = np.stack([turns[cut], *(r[cut] for r in rivals)])
    phases = phases - np.floor(phases[:, :1])
    found = track_orders(data, rate_hz, phases, width, poles=POLES, valid=mask)
    step = max(1, round(rate_hz / READ_HZ))
    beside = []
    for offset_hz in BESIDE_HZ:
        turns_there = phases[0] + offset_hz * np.arange(data.shape[1]) / rate_hz
        there = track_orders(found.rest, rate_hz, turns_there, width, poles=POLES, valid=mask)
        beside.append(there.amplitude[0, ::step] ** 2)
    return Followed(
        np.arange(first, last + 1, step) / rate_hz,
        np.asarray(found.amplitude[0, ::step] ** 2),
        _noise(np.stack(beside), mask[::step]),
        np.asarray(mask[::step]),
        samples.shape[0],
        _noise_width(width),
    )


def _noise(beside: FloatArray, held: BoolArray) -> FloatArray:
    """Median over the tracks beside the line of their smoothed power [shape (m,)]."""
    size = max(1, round(NOISE_SMOOTH_S * READ_HZ))
    size = min(size, beside.shape[1])
    weight = np.convolve(held.astype(float), np.ones(size), mode="same") + 1e-9
    smooth = np.stack([np.convolve(row * held, np.ones(size), mode="same") / weight for row in beside])
    return np.asarray(np.median(smooth, axis=0) + 1e-30, float)


def _noise_width(bandwidth_hz: float) -> float:
    """Integral of 1 / (1 + (sqrt2 - 1) (2f/b)^4)^2 over all f: the two-pole filter's noise bandwidth."""
    x = np.linspace(-12.0, 12.0, 4001)
    gain = 1.0 / (1.0 + (np.sqrt(2.0) - 1.0) * x**4)
    return float(np.sum(gain**2) * (x[1] - x[0]) * bandwidth_hz / 2.0)

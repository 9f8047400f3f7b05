"""The part of the floor that keeps step with the wheel without being a line.

Both axles roll over the same road, a wheelbase apart: the noise repeats itself after wheelbase / speed, so its
spectrum carries ripples that run with the speed. They are broader than a line, and read against what lies beside
them their crests look like orders. Their shape over wheel orders, the median over a band wider than any line, averaged
over frames, tells how much higher the noise is on a track than beside it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.floor import GENTLE, RANK, SMOOTH_HZ, STEEP, Floor, either_side
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.wheelframes import LEAST_TURNS, WheelFrames, wheel_frames
from vibeorder.spectrum.middle import middle, power_of, within
from vibeorder.spectrum.sliding import ranked_within

__all__ = ["NOTHING_MOVES", "MovingFloor", "moving_floor", "road_frames"]

FloatArray = NDArray[np.float64]

FRAME_S, HOP_S = 6.0, 3.0
TOP_HZ = 70.0
"""Beyond this ripples of a wheelbase lie closer than the wander of a line over a frame."""

HELD = 0.06
"""Spread of ln(speed) below which nothing moves: what keeps step with the wheel stands in the fixed floor too."""

STEP_ORDERS = 0.03
LEAST_FRAMES = 6
"""Fewer frames leave the shape itself too noisy to divide by."""


@dataclass(frozen=True, slots=True)
class MovingFloor:
    """Noise density over wheel orders, the fixed floor taken out: ln, arbitrary level [shape (orders,) both].

    Empty where there was too little to tell.
    """

    order: FloatArray
    log_density: FloatArray

    def at(self, order: FloatArray) -> FloatArray:
        """Density at so many shakes a wheel turn, 1 where nothing is known [same shape]."""
        if self.order.size == 0:
            return np.ones(np.shape(order))
        return np.asarray(np.exp(np.interp(order, self.order, self.log_density, left=0.0, right=0.0)))

    def rise(self, order: FloatArray, rate_hz: FloatArray, near_hz: float, far_hz: float) -> FloatArray:
        """Density on the track over that beside it, from `near_hz` to `far_hz` either side [-]."""
        if self.order.size == 0:
            return np.ones(np.shape(order))
        away = either_side(near_hz, far_hz) / np.maximum(rate_hz, 0.1)
        return np.asarray(within(self.at(order) / middle(self.at(order + away), axis=0), GENTLE, STEEP))


NOTHING_MOVES = MovingFloor(np.zeros(0), np.zeros(0))


def road_frames(signal: Signal, turns: FloatArray) -> WheelFrames | None:
    """Long frames against the wheel's angle, for what the road does; None where there are too few."""
    duration_s = signal.samples.shape[1] / signal.rate_hz
    mid_s = np.arange(0.5 * FRAME_S, duration_s - 0.5 * FRAME_S + 1e-6, HOP_S)
    if mid_s.size < LEAST_FRAMES:
        return None
    return wheel_frames(signal, turns, mid_s, FRAME_S, min(TOP_HZ, 0.45 * signal.rate_hz))


def moving_floor(frames: WheelFrames | None, floor: Floor) -> MovingFloor:
    """Mean over frames of the log spectrum against wheel angle, lines taken out by a median over frequency."""
    if frames is None:
        return NOTHING_MOVES
    top_hz = min(TOP_HZ, 0.45 * floor.sample_rate_hz)
    use = (frames.cover > 0.9) & (frames.turns > max(LEAST_TURNS, FRAME_S))
    if use.sum() < LEAST_FRAMES or np.ptp(np.log(frames.turns[use])) < HELD:
        return NOTHING_MOVES
    frequency = frames.frequency_hz
    keep = (frequency > 1.0) & (frequency < top_hz)
    power = power_of(frames.spectra[:, use][:, :, keep]).sum(axis=0) / floor.at(frequency[keep])
    half = max(1, round(SMOOTH_HZ * FRAME_S))
    log_power = np.log(ranked_within(power, RANK, half) + 1e-20)
    log_power -= np.median(log_power, axis=1, keepdims=True)
    order = frequency[keep] * FRAME_S / frames.turns[use][:, None]
    grid = np.arange(0.3, float(order[:, -1].max()), STEP_ORDERS)
    held = np.stack(
        [np.interp(grid, o, p, left=np.nan, right=np.nan) for o, p in zip(order, log_power, strict=True)]
    )
    count = np.isfinite(held).sum(axis=0)
    known = count >= LEAST_FRAMES
    if not known.any():
        return NOTHING_MOVES
    return MovingFloor(grid[known], np.asarray(np.nansum(held[:, known], axis=0) / count[known]))

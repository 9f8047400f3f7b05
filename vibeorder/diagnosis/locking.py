"""From a course of the wheel rate to a phase: the anchor line's own phase steps, smoothed.

The course from the frames is good to a fraction of a percent; a line's phase from block to block is good to
hundredths of a turn. The correction is the smoothest one that the steps allow: (W + s D'D) g = W d, with
weights W from each step's signal to noise and s from the wobble of a speed held by a driver.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from vibeorder.spectrum.baseband import Baseband

__all__ = ["STEP_SE", "WOBBLE", "WOBBLE_MEMORY_S", "in_step", "lock_block_s", "locked_phase", "phase_steps"]

FloatArray = NDArray[np.float64]

WOBBLE = 0.003
"""Relative speed wobble of a drive (sd), with a memory of about 3 s (common practice, no source)."""
WOBBLE_MEMORY_S = 3.0
PHASE_STEP_VARIANCE = 1.0 / (4.0 * np.pi**2)
STEP_SE = 0.01
"""A phase step of the strongest line is good to this many turns: what is left is the line's own doing."""


def locked_phase(band: Baseband, correction: FloatArray, frequency_hz: float, passes: int = 2) -> FloatArray:
    """Further phase correction in turns at band's instants, on top of `correction` [shape (m,)]."""
    total = np.zeros(correction.size)
    for _ in range(passes):
        total = total + _one_pass(correction + total, band, frequency_hz)
    return total


def in_step(ahead: NDArray[np.complexfloating], advance: FloatArray, off: FloatArray) -> FloatArray:
    """How much of a line's blocks keep step where it runs off its track by each of these (relative) [shape of off].

    ahead: each block times another's conjugate, all axes together; advance: turns of the track between the two.
    """
    return np.asarray((ahead * np.exp(-2j * np.pi * off[:, None] * advance)).real.sum(axis=1))


def lock_block_s(frequency_hz: float) -> float:
    """Length of the blocks whose phases are followed: short for what turns fast, longer where lines lie close."""
    return 2.0 if frequency_hz < 18.0 else 1.0


def phase_steps(
    band: Baseband, correction: FloatArray, frequency_hz: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middles of half-overlapped blocks [shape (b,)], the phase steps between them in turns, and their weights.

    correction: turns to take off at band's instants; weights: 1 / variance [shape (b - 1,) both].
    """
    z = band.z * _turned_back(correction)
    length = max(4, round(lock_block_s(frequency_hz) * band.rate_hz))
    first = np.arange(0, z.shape[1] - length + 1, max(1, length // 2))
    if first.size < 4:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    window = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
    beside = np.exp(2j * np.pi * np.arange(length) / length * 3.0)
    weights = np.stack([window, window * beside, window * beside.conj()], axis=1) / window.sum()
    read = z.take(first[:, None] + np.arange(length), axis=1) @ weights.astype(np.complex64)
    centre = read[:, :, 0]
    noise = 0.5 * (np.abs(read[:, :, 1:]) ** 2).sum(axis=(0, 2))
    noise = np.exp(np.convolve(np.pad(np.log(noise + 1e-20), 4, mode="edge"), np.ones(9) / 9.0, mode="valid"))
    step = (centre[:, 1:] * centre[:, :-1].conj()).sum(axis=0)
    ratio = np.abs(step) / noise[1:]
    weight = ratio**2 / (1.0 + ratio) / PHASE_STEP_VARIANCE
    mid_s = band.start_s + (first + (length - 1) / 2.0) / band.rate_hz
    return mid_s, np.angle(step) / (2.0 * np.pi), np.asarray(weight, float)


def _turned_back(turns: FloatArray) -> NDArray[np.complex64]:
    """exp(-2 pi i turns), made in double precision; quicker than by the complex exponential, and the same."""
    angle = -2.0 * np.pi * turns
    carrier = np.empty(turns.size, np.complex64)
    carrier.real, carrier.imag = np.cos(angle), np.sin(angle)
    return carrier


def _one_pass(correction: FloatArray, band: Baseband, frequency_hz: float) -> FloatArray:
    mid_s, turn, weight = phase_steps(band, correction, frequency_hz)
    if turn.size == 0:
        return np.zeros(correction.size)
    hop_s = float(mid_s[1] - mid_s[0])
    change_sd = frequency_hz * WOBBLE * np.sqrt(2.0 * hop_s / WOBBLE_MEMORY_S) * hop_s
    weight = weight / (1.0 + weight * STEP_SE**2) + 1e-6
    smooth = _smoothed(turn, weight, 1.0 / change_sd**2)
    phase = np.concatenate([[0.0], np.cumsum(smooth)])
    return np.asarray(np.interp(band.times_s, mid_s, phase), float)


def _smoothed(steps: FloatArray, weight: FloatArray, stiffness: float) -> FloatArray:
    diagonal = weight.copy()
    diagonal[:-1] += stiffness
    diagonal[1:] += stiffness
    upper = np.concatenate([[0.0], np.full(steps.size - 1, -stiffness)])
    return np.asarray(solveh_banded(np.stack([upper, diagonal]), weight * steps))

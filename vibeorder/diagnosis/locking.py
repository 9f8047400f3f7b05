"""From a course of the wheel rate to a phase: the anchor line's own phase steps, smoothed.

The course from the frames is good to a fraction of a percent; a line's phase from block to block is good to
hundredths of a turn. The correction is the smoothest one that the steps allow: (W + s D'D) g = W d, with
weights W from each step's signal to noise and s from the wobble of a speed held by a driver.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from vibeorder.spectrum.baseband import Baseband

__all__ = ["locked_phase"]

FloatArray = NDArray[np.float64]

WOBBLE = 0.003
"""Relative speed wobble of a drive (sd), with a memory of about 3 s (common practice, no source)."""
WOBBLE_MEMORY_S = 3.0
PHASE_STEP_VARIANCE = 1.0 / (4.0 * np.pi**2)


def locked_phase(band: Baseband, correction: FloatArray, frequency_hz: float, passes: int = 2) -> FloatArray:
    """Further phase correction in turns at band's instants, on top of `correction` [shape (m,)]."""
    total = np.zeros(correction.size)
    for _ in range(passes):
        z = band.z * np.exp(-2j * np.pi * (correction + total)).astype(np.complex64)
        total = total + _one_pass(z, band, frequency_hz)
    return total


def _one_pass(z: NDArray[np.complexfloating], band: Baseband, frequency_hz: float) -> FloatArray:
    block_s = 2.0 if frequency_hz < 18.0 else 1.0
    length = max(4, round(block_s * band.rate_hz))
    hop = max(1, length // 2)
    first = np.arange(0, z.shape[1] - length + 1, hop)
    if first.size < 4:
        return np.zeros(z.shape[1])
    window = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
    cut = z[:, first[:, None] + np.arange(length)] * (window / window.sum())
    centre = cut.sum(axis=-1)
    beside = np.exp(2j * np.pi * np.arange(length) / length * 3.0)
    noise = 0.5 * sum((np.abs((cut * b).sum(axis=-1)) ** 2).sum(axis=0) for b in (beside, beside.conj()))
    noise = np.exp(np.convolve(np.pad(np.log(noise + 1e-20), 4, mode="edge"), np.ones(9) / 9.0, mode="valid"))
    step = (centre[:, 1:] * centre[:, :-1].conj()).sum(axis=0)
    turn = np.angle(step) / (2.0 * np.pi)
    ratio = np.abs(step) / noise[1:]
    weight = np.minimum(ratio**2 / (1.0 + ratio), 30.0) / PHASE_STEP_VARIANCE + 1e-6
    hop_s = hop / band.rate_hz
    change_sd = frequency_hz * WOBBLE * np.sqrt(2.0 * hop_s / WOBBLE_MEMORY_S) * hop_s
    smooth = _smoothed(turn, weight, 1.0 / change_sd**2)
    knots = (first + (length - 1) / 2.0)[: smooth.size + 1]
    phase = np.concatenate([[0.0], np.cumsum(smooth)])
    return np.asarray(np.interp(np.arange(z.shape[1]), knots, phase), float)


def _smoothed(steps: FloatArray, weight: FloatArray, stiffness: float) -> FloatArray:
    diagonal = weight.copy()
    diagonal[:-1] += stiffness
    diagonal[1:] += stiffness
    upper = np.concatenate([[0.0], np.full(steps.size - 1, -stiffness)])
    return np.asarray(solveh_banded(np.stack([upper, diagonal]), weight * steps))

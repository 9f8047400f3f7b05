"""No speed given: what the phone's slow acceleration says of a course. Where it speeds up, the phone is pulled along.

Its size tells a speed in m/s^2: a wrong name's course is the right one times a factor, and so is its pull.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from vibeorder.diagnosis.namings import Naming
from vibeorder.diagnosis.signal import Signal

__all__ = ["Felt", "felt", "pull_log_odds"]

FloatArray = NDArray[np.float64]

BLOCK_S, WINDOW_S = 0.5, 3.0
"""Means over three seconds: the body's own sway, and shakes that fold near 0 Hz, are gone."""

NOISE_MPS2, LONG_S, SHORT_S = 0.2, 20.0, 3.0
"""What hills and a phone that tilts add along the road, rms (0.19 m/s^2 in a real city bus beside its GPS; more where
the recording shows more across the road), half of it lasting some LONG_S, half some SHORT_S."""

OWN_MPS2 = 0.01
"""What is left in each mean of the sensor's own noise, rms."""

FELT, IN_PART, NOT_FELT = 0.58, 0.02, 0.4
PITCH, PITCH_SD = 1.04, 0.05
"""How often a recording shows the pull whole, in part, or not at all: slow changes may have been filtered off, or the
phone have been held. Whole, it is a few percent more than the speed says: pulled, a body tips, and gravity adds its
share (judgements, no source)."""

SCALES = np.arange(0.0, 1.2001, 0.04)
LEAST_WINDOWS = 40


@dataclass(frozen=True, slots=True)
class Felt:
    """Mean acceleration about `at_s`, whitened, any constant taken off [shape (channels, n)]; `root`: lower triangle of
    the noise's covariance, and `constant`: what a constant looks like once whitened, of unit length [shape (n,)]."""

    at_s: FloatArray
    means: FloatArray
    root: FloatArray
    constant: FloatArray

    def log_odds(self, frame_s: FloatArray, speed_mps: FloatArray) -> float:
        """Log odds of the course of speed against a steady one; ln(NOT_FELT) at the least.

        With the way forward free and of unit length, and s of the pull felt, the residual is least along sum(a dv): the
        log likelihood ratio is s |sum(a dv)| - s^2 sum(dv^2) / 2. What it gains by that freedom in noise alone is
        taken off.
        """
        before, after = self.at_s - WINDOW_S / 2.0, self.at_s + WINDOW_S / 2.0
        change = (np.interp(after, frame_s, speed_mps) - np.interp(before, frame_s, speed_mps)) / WINDOW_S
        change = _white(change[None], self.root, self.constant)[0]
        power = float(change @ change)
        along = float(np.linalg.norm(self.means @ change))
        by_chance = power * len(self.means)  # mean square of what noise alone puts along a free direction
        ratio = SCALES * np.sqrt(max(along**2 - by_chance, 0.0)) - 0.5 * SCALES**2 * power
        return float(np.logaddexp.reduce(np.log(_SCALE_SHARES) + ratio))


def _scale_shares() -> FloatArray:
    """How likely each of SCALES is."""
    whole = np.exp(-0.5 * ((SCALES - PITCH) / PITCH_SD) ** 2)
    part = (SCALES > 0.0) & (SCALES < 1.0)
    return np.asarray(FELT * whole / whole.sum() + IN_PART * part / part.sum() + NOT_FELT * (SCALES == 0.0))


_SCALE_SHARES = _scale_shares()


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
    root = _noise_root(at_s)
    constant = solve_triangular(root, np.ones(at_s.size), lower=True)
    constant = constant / np.linalg.norm(constant)
    white = _white(means[:, good], root, constant)
    across = np.linalg.eigvalsh(white @ white.T / at_s.size)[:-1]
    louder = float(np.sqrt(max(across.max(initial=0.0), 1.0)))
    return Felt(at_s, white / louder, root * louder, constant)


def _noise_root(at_s: FloatArray) -> FloatArray:
    apart = np.abs(at_s[:, None] - at_s)
    lasting = 0.5 * (np.exp(-apart / LONG_S) + np.exp(-apart / SHORT_S))
    return np.asarray(np.linalg.cholesky(NOISE_MPS2**2 * lasting + OWN_MPS2**2 * np.eye(at_s.size)))


def _white(rows: FloatArray, root: FloatArray, constant: FloatArray) -> FloatArray:
    """Rows with independent noise of unit power, any constant (gravity, an axis that is off) taken off."""
    white = solve_triangular(root, rows.T, lower=True).T
    return np.asarray(white - np.outer(white @ constant, constant))


def pull_log_odds(pulls: Felt | None, naming: Naming, circumference_m: float) -> float:
    """`Felt.log_odds` of a naming's course, 0 where nothing is felt."""
    return 0.0 if pulls is None else pulls.log_odds(naming.frame_s, naming.rate_hz * circumference_m)

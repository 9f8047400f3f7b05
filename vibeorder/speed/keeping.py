"""How well lines keep step with the wheels, along a road speed read at one shift of its clock."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording import Trace

__all__ = ["SCALE_REACH", "Shake", "StepEvidence", "shake_of", "step_evidence"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SCALE_REACH = 0.035
"""Wear, load and pressure leave the rolling circumference unknown by up to 3%; half a percent for the log."""

SCALE_SD = 0.015
"""How far it usually is off, relative (common practice, no source); settles nothing where lines speak."""

SCALE_STEPS = 71
SLOWEST_MPS = 2.0
"""Slower is crawling: a wheel's line lies below 1 Hz there, among the swaying of the body."""

LONGEST_STEP_S = 3.5
"""A speed between readings farther apart than this is not known well enough to count turns with."""

# Cells a turn, for orders up to 8; a cell's width blurs order 8 by 10%.
CELLS = 32
PAD = 2
# Neighbours that make the floor: clear of a Hann-windowed line (2 bins), near enough to be the same road.
NEIGHBOURS = (2.5, 9.0)
# Half-overlapping Hann segments, and axes that share the road: so much of their number is independent.
INDEPENDENT = 0.6
# No single stretch may count for more: an idling engine's line at a standstill, read at a wrong shift as
# driving, stands high over nothing in a few stretches; a part that turns with the road shows in most.
MOST_RATIO = 6.0
# Samples a second kept, per Hz of the highest order's frequency; faster ones only cost time.
KEPT_PER_HZ = 3.0


@dataclass(frozen=True, slots=True)
class Shake:
    """Samples without their mean, zero where not valid, thinned to a rate that road orders need.

    samples: [shape (c, n)]; valid: [shape (n,)]; times count from sample 0.
    """

    samples: FloatArray
    valid: BoolArray
    rate_hz: float


@dataclass(frozen=True, slots=True)
class StepEvidence:
    """Whether lines keep step with the wheels at one shift.

    score: log likelihood ratio of lines at the orders against none, at the best scale.
    scale: true turns per nominal turn there.
    """

    score: float
    scale: float


NOTHING = StepEvidence(0.0, 1.0)


def shake_of(samples: FloatArray, valid: BoolArray, rate_hz: float, highest_hz: float) -> Shake:
    """The samples ready for `step_evidence` of orders up to highest_hz: block means, their mean removed."""
    thin = max(1, int(rate_hz / max(KEPT_PER_HZ * highest_hz, 1.0)))
    count = samples.shape[1] // thin
    good = np.asarray(valid[: count * thin].reshape(count, thin).all(axis=1), dtype=np.bool_)
    data = samples[:, : count * thin].reshape(samples.shape[0], count, thin).mean(axis=2)
    mean = data[:, good].mean(axis=1, keepdims=True) if good.any() else 0.0
    return Shake(np.where(good, data - mean, 0.0), good, rate_hz / thin)


def step_evidence(
    shake: Shake,
    trace: Trace,
    shift_s: float,
    multiples: tuple[float, ...],
    circumference_m: float,
    spans_turns: tuple[int, ...],
) -> tuple[StepEvidence, ...]:
    """Evidence with the speed read `shift_s` later than the shake, one for each length of segment.

    Turns are summed from the speed, stops, crawling and gaps left out; the samples are gathered in cells of
    the turn (time-variant transform, so that an order above half the sample rate counts too), cut into Hann
    segments of `spans_turns`, and each bin of their power is divided by the mean of its neighbours. With R
    the mean ratio over M segments and channels, the score is sum over orders of M (R - 1 - ln R) where R > 1:
    the log likelihood ratio for exponential powers of unknown mean (generalised likelihood ratio; Kay,
    Fundamentals of Statistical Signal Processing II, 1998, from memory).
    """
    step, total = _turns(shake, trace, shift_s, circumference_m)
    cell = (np.cumsum(step) * CELLS).astype(np.int64)
    size = int(total * CELLS) + 2
    rows = np.array([np.bincount(cell, weights=row * step, minlength=size) for row in shake.samples])
    level = float(np.abs(rows).max()) or 1.0
    scaled = (rows / level).astype(np.float32)
    return tuple(_evidence(scaled, span, multiples) for span in spans_turns)


def _turns(shake: Shake, trace: Trace, shift_s: float, circumference_m: float) -> tuple[FloatArray, float]:
    """Turns made during each sample, 0 where it does not count, and their sum."""
    at = np.arange(shake.samples.shape[1]) / shake.rate_hz + shift_s
    speed = np.interp(at, trace.times_s, trace.values)
    after = np.clip(np.searchsorted(trace.times_s, at), 1, trace.times_s.size - 1)
    known = np.diff(trace.times_s)[after - 1] <= LONGEST_STEP_S
    inside = (at >= trace.times_s[0]) & (at <= trace.times_s[-1])
    counts = shake.valid & inside & known & (speed > SLOWEST_MPS)
    step = np.where(counts, speed / (shake.rate_hz * circumference_m), 0.0)
    return step, float(step.sum())


def _evidence(rows: NDArray[np.float32], span: int, multiples: tuple[float, ...]) -> StepEvidence:
    from scipy.fft import rfft
    from scipy.ndimage import uniform_filter1d

    length = span * CELLS
    if rows.shape[1] < 2 * length:
        return NOTHING
    cut = np.lib.stride_tricks.sliding_window_view(rows, length, axis=1)[:, :: length // 2]
    highest = int((max(multiples) * (1.0 + SCALE_REACH) + NEIGHBOURS[1] / span) * span * PAD) + 2
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    lines = rfft(cut * window, length * PAD, axis=2)[..., :highest]  # float32: half the time, noise far above
    power = (lines.real**2 + lines.imag**2).astype(np.float64)
    wide, narrow = (2 * int(edge * PAD) + 1 for edge in (NEIGHBOURS[1], NEIGHBOURS[0]))
    floor = wide * uniform_filter1d(power, wide, axis=2) - narrow * uniform_filter1d(power, narrow, axis=2)
    ratio = power * (wide - narrow) / np.maximum(floor, 1e-12 * power + 1e-300)
    ratio = np.minimum(ratio, MOST_RATIO).mean(axis=(0, 1))
    scales = np.linspace(1.0 - SCALE_REACH, 1.0 + SCALE_REACH, SCALE_STEPS)
    orders = np.arange(ratio.size) / (span * PAD)
    excess = [np.maximum(np.interp(scales * order, orders, ratio), 1.0) for order in multiples]
    count = INDEPENDENT * power.shape[0] * power.shape[1]
    score = count * np.sum([r - 1.0 - np.log(r) for r in excess], axis=0)
    score = score - 0.5 * ((scales - 1.0) / SCALE_SD) ** 2
    best = int(score.argmax())
    return StepEvidence(max(float(score[best]), 0.0), float(scales[best]))

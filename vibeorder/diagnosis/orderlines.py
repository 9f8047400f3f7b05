"""Lines that keep step with the wheel at any ratio, named or not: the spectra of a drive against log wheel order.

Every frame is read against the wheel's angle, so that a line of any part stays at its order while the speed changes;
over the logarithm of the order a wrong tire or a wrong speed moves all lines by the same distance.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.evidence import FRAME_LEVELS, HANN_WIDTH, PRESENT, THIRD_OCTAVE
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.movingfloor import MovingFloor
from vibeorder.diagnosis.parallel import shares, side_by_side
from vibeorder.diagnosis.scan import SLOWEST_RATE_HZ
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.wheelframes import LEAST_TURNS, WheelFrames, wheel_frames, whitened
from vibeorder.spectrum.middle import log_spread
from vibeorder.spectrum.sliding import largest_within

__all__ = ["Ladder", "OrderLine", "Part", "ladder_of", "order_lines"]

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

Part = tuple[Signal, FloatArray, Floor, MovingFloor, float]

FRAME_S, HOP_S = 6.0, 3.0
TOP_HZ, TOP_SHARE = 80.0, 0.42
"""Highest frequency read, and as a share of the sample rate: beyond it lines fold."""

LOWEST_HZ = 2.5
LOW_ORDER, HIGH_ORDER, STEP = 0.35, 20.0, 0.002
"""Range of the log order axis and its step: a fifth of a percent."""

SWAY = 4
"""Cells either way that a line may lie off its middle in one frame: 0.8%, what a logged speed leaves open."""

FRAME_CAP = 15.0
FRAME_WEIGHT = 0.5
"""Half-overlapped frames say half as much each."""

LEAST_EVIDENCE = 25.0
"""Log evidence over the drive from which a line stands; noise reaches about 10 at the best of all orders."""

MOST_LINES = 14
APART, APART_BINS = 0.012, 3.0
"""A second line is looked for from this far off a first, in ln(order) and in bins: nearer it is the first's skirt."""

THERE = 1.0
"""Log evidence of a frame, before its weight, from which it holds the line."""

LOBE_BINS = 2
SIDE_BINS = (4, 12)


@dataclass(frozen=True, slots=True)
class OrderLine:
    """A line at `order` shakes per turn of the nominal clock.

    amplitude_rms: vector rms over the frames that could show it. evidence: log odds that it is there. held: which
    frames hold it [shape (frames,)]. frequency_hz: median over those. spread: 5 to 95% of their ln(rate).
    band_noise_rms: vector rms of the noise in the third of an octave about it.
    """

    order: float
    order_se: float
    frequency_hz: float
    amplitude_rms: float
    evidence: float
    held: BoolArray
    share: float
    spread: float
    band_noise_rms: float


@dataclass(frozen=True, slots=True)
class Ladder:
    """evidence: of a line in each frame at each log order [shape (frames, cells)], 0 where it cannot be read.

    readable: where it can [same shape]. power: squared vector peak of every bin [shape (frames, bins)]. turns: of the
    clock in a frame, rate_hz: its rate, mid_s: its middle in the recording [shape (frames,)].
    """

    log_order: FloatArray
    evidence: F32
    readable: BoolArray
    power: F32
    turns: FloatArray
    rate_hz: FloatArray
    mid_s: FloatArray
    total: FloatArray

    def near(self, order: float, reach: float = 0.0) -> float:
        """Most log evidence of a line within `reach` of ln(order)."""
        close = np.abs(self.log_order - np.log(order)) <= reach + 0.5 * STEP
        return float(self.total[close].max()) if close.any() else 0.0


def ladder_of(
    parts: Sequence[Part],
) -> Ladder | None:
    """The drive against log order; None where no frame can be read.

    parts: stretches as (samples, turns of the clock at them, fixed floor, moving floor, start in seconds).
    """
    log_order = np.arange(np.log(LOW_ORDER), np.log(HIGH_ORDER), STEP)
    rows: dict[int, _Rows | None] = {}
    for _, some in side_by_side(
        lambda first, step: {i: _rows(parts[i], log_order) for i in range(first, len(parts), step)},
        shares(len(parts)),
    ):
        rows.update(some)
    found = [row for i in range(len(parts)) if (row := rows[i]) is not None]
    if not found:
        return None
    width = min(row[2].shape[1] for row in found)
    ratio, readable, turns, mid_s = (np.concatenate([row[i] for row in found]) for i in (0, 1, 3, 4))
    power = np.concatenate([row[2][:, :width] for row in found])
    channels = parts[0][0].samples.shape[0]
    evidence = np.zeros(ratio.shape, np.float32)
    evidence[readable] = _frame_evidence(ratio[readable], channels)
    return Ladder(log_order, evidence, readable, power, turns, turns / FRAME_S, mid_s, _summed(evidence))


def order_lines(ladder: Ladder) -> list[OrderLine]:
    """Every line that stands, strongest evidence first."""
    left = ladder.evidence.copy()
    found: list[OrderLine] = []
    total = ladder.total
    for _ in range(MOST_LINES):
        best = int(np.argmax(total))
        if total[best] < LEAST_EVIDENCE:
            break
        line = _line(ladder, left, best, float(total[best]))
        if line is not None:
            found.append(line)
        reach = np.maximum(APART, APART_BINS / (np.exp(ladder.log_order[best]) * ladder.turns))
        left[np.abs(ladder.log_order - ladder.log_order[best]) < reach[:, None]] = 0.0
        total = _summed(left)
    return found


_Rows = tuple[FloatArray, BoolArray, F32, FloatArray, FloatArray]
"""Power ratio and whether it is readable at each log order, power of every bin, turns and middles of the frames."""


def _rows(part: Part, log_order: FloatArray) -> _Rows | None:
    signal, turns, floor, moving, start_s = part
    duration_s = signal.samples.shape[1] / signal.rate_hz
    mid_s = np.arange(0.5 * FRAME_S, duration_s - 0.5 * FRAME_S + 1e-6, HOP_S)
    if not mid_s.size:
        return None
    top_hz = min(TOP_HZ, TOP_SHARE * signal.rate_hz)
    frames = wheel_frames(signal, turns, mid_s, FRAME_S, top_hz)
    use = (frames.cover > 0.8) & (frames.turns > max(LEAST_TURNS, SLOWEST_RATE_HZ * FRAME_S))
    if not use.any():
        return None
    frames = WheelFrames(frames.spectra[:, use], frames.turns[use], FRAME_S, frames.cover[use])
    ratio = whitened(frames, floor, moving)
    index = np.round(np.exp(log_order) * frames.turns[:, None]).astype(int)
    readable = (index >= LOWEST_HZ * FRAME_S) & (index < min(ratio.shape[1], top_hz * FRAME_S))
    picked = np.take_along_axis(ratio, np.clip(index, 0, ratio.shape[1] - 1), axis=1)
    power = (np.abs(frames.spectra) ** 2).sum(axis=0)
    return picked.astype(float), readable, power.astype(np.float32), frames.turns, mid_s[use] + start_s


def _frame_evidence(ratio: FloatArray, channels: int) -> FloatArray:
    """Log Bayes factor of a line in single frames, its strength unknown in each, bounded [same shape]."""
    exponents = [r / (1.0 + r) * ratio - channels * np.log1p(r) for r in FRAME_LEVELS]
    mean = np.logaddexp.reduce(exponents, axis=0) - np.log(len(exponents))
    return np.asarray(np.log(1.0 - PRESENT + PRESENT * np.exp(np.minimum(mean, FRAME_CAP))))


def _summed(evidence: F32) -> FloatArray:
    """Log evidence over the drive at each log order, the line swaying a little from frame to frame."""
    return np.asarray(FRAME_WEIGHT * largest_within(evidence, SWAY).sum(axis=0), float)


def _line(ladder: Ladder, left: F32, best: int, evidence: float) -> OrderLine | None:
    """The line at a cell, measured frame by frame; None where fewer than three frames hold it."""
    low, high = max(best - SWAY, 0), min(best + SWAY + 1, left.shape[1])
    there = left[:, low:high].max(axis=1)
    held = there > THERE
    if held.sum() < 3:
        return None
    readable = ladder.readable[:, best]
    order, order_se = _order(ladder, float(np.exp(ladder.log_order[best])), held, there)
    centre = np.round(order * ladder.turns).astype(int)
    power, noise = _powers(ladder.power, centre)
    mean_noise = float(noise[readable].mean())
    frequency = order * ladder.rate_hz
    typical_hz = float(np.median(frequency[held]))
    rms = float(np.sqrt(max(float(power[readable].mean()), 0.0)))
    spread = log_spread(ladder.rate_hz[held])
    band = float(np.sqrt(mean_noise * FRAME_S / HANN_WIDTH * THIRD_OCTAVE * typical_hz))
    share = float(held.sum() / max(int(readable.sum()), 1))
    return OrderLine(order, order_se, typical_hz, rms, evidence, held, share, spread, band)


def _order(ladder: Ladder, order: float, held: BoolArray, weight: F32) -> tuple[float, float]:
    """Mean of the frames' own orders, each the centre of power about its highest bin, and its standard error."""
    rows = np.flatnonzero(held)
    found = np.empty(rows.size)
    for i, row in enumerate(rows):
        centre, reach = order * ladder.turns[row], max(2, round(0.008 * order * ladder.turns[row]))
        first = max(round(centre) - reach, 0)
        cut = ladder.power[row, first : round(centre) + reach + 1]
        top = first + int(np.argmax(cut))
        lobe = np.arange(max(top - LOBE_BINS, 0), min(top + LOBE_BINS + 1, ladder.power.shape[1]))
        share = ladder.power[row, lobe]
        found[i] = float((lobe * share).sum() / share.sum()) / ladder.turns[row]
    weights = weight[rows] / weight[rows].sum()
    mean = float((weights * found).sum())
    variance = float((weights * (found - mean) ** 2).sum())
    return mean, float(np.sqrt(variance * (weights**2).sum()))


def _powers(power: F32, centre: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """Mean square of the line in each frame with the noise taken off, and of the noise in one bin [shape (frames,)]."""
    bins = power.shape[1]
    rows = np.arange(centre.size)[:, None]
    lobe = np.clip(centre[:, None] + np.arange(-LOBE_BINS, LOBE_BINS + 1), 0, bins - 1)
    side = np.arange(*SIDE_BINS)
    beside = np.clip(centre[:, None] + np.concatenate([-side, side]), 0, bins - 1)
    noise = np.median(power[rows, beside], axis=1) / np.log(2.0) / 2.0
    line = power[rows, lobe].sum(axis=1) / HANN_WIDTH / 2.0 - lobe.shape[1] / HANN_WIDTH * noise
    return np.asarray(line, float), np.asarray(noise, float)

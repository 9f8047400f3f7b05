"""What was measured of one line along the fitted course: its frequency, with the error that the record shows.

The course says where a line should run; the line's own phase steps from block to block say how far off it ran.
Their mean corrects the frequency, their scatter is its error.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import Blocks, OnCourse, candidate_blocks
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.judge import Hypothesis
from vibeorder.diagnosis.scan import SLOWEST_RATE_HZ

__all__ = ["Measured", "expected_hz", "measured_line", "wheel_rate_hz"]

FloatArray = NDArray[np.float64]

HELD_SPREAD = 0.02
"""Spread of ln(rate), 5 to 95%, up to which a line has one frequency: its mean. Else it is given at the median rate."""

LEAST_STEPS = 3
UNTOLD = 2.0
"""Errors of constant lines on simulated drives are twice what scatter and noise alone would make them: the course was
fitted to the same samples, and speed wanders within a block."""

STRONG = 30.0
"""Power ratio beyond which a block's phase gains no more weight: the course's own error rules there."""


@dataclass(frozen=True, slots=True)
class Measured:
    """ratio: measured over nominal rate over the record, and its standard error; frequency_hz likewise."""

    ratio: float
    ratio_se: float
    frequency_hz: float
    frequency_se_hz: float


def wheel_rate_hz(hypothesis: Hypothesis) -> FloatArray:
    """Wheel turns per second at the frames, as the locked course has it [shape (frames,)]."""
    clock, course = hypothesis.scan.clock, hypothesis.course
    half = 0.5
    low = np.maximum(clock.mid_s - half, course.turns_s[0])
    high = np.minimum(clock.mid_s + half, course.turns_s[-1])
    further = (course.correction(high) - course.correction(low)) / np.maximum(high - low, 1e-6)
    return np.asarray(np.maximum(clock.rate_hz + further, 0.0), float)


def expected_hz(hypothesis: Hypothesis, index: int) -> float | None:
    """Median rate of a source from the vehicle alone: nominal tire, the speed source as it stands."""
    clock = hypothesis.scan.clock
    multiple = _multiples(hypothesis, index)
    turning = (multiple > 0) & (clock.rate_hz > SLOWEST_RATE_HZ)
    return float(np.median((clock.rate_hz * multiple)[turning])) if turning.any() else None


def measured_line(
    hypothesis: Hypothesis, index: int, candidate: Candidate, floor: Floor, offset: float
) -> Measured | None:
    """One source's line along the course, or None where it has no rate or too few blocks.

    offset: how far it runs off its nominal ratio. The standard error holds the noise's part (phase steps) and
    the wander of the line about the course.
    """
    expected = expected_hz(hypothesis, index)
    along = OnCourse(hypothesis.scan, hypothesis.course)
    blocks = candidate_blocks(along, index, candidate, hypothesis.gears, hypothesis.offsets, floor)
    if expected is None or blocks is None:
        return None
    use = np.flatnonzero(blocks.weight > 0)
    if use.size <= LEAST_STEPS:
        return None
    nominal, course = _rates(hypothesis, index, blocks, (1.0 + offset) * (1.0 + blocks.settled) - 1.0)
    off, off_se = _steps(blocks, use)
    typical = float(np.median(course[use]))
    ratio = float(course[use].sum() / nominal[use].sum()) * (1.0 + off / typical)
    low, high = np.percentile(np.log(course[use]), [5, 95])
    held = high - low < HELD_SPREAD
    # a block at either end or before a shift may be missing: the mean of what is left is off by its scatter
    spread = float(np.std(course[use])) if held else 0.0
    frequency = float(course[use].mean()) + off if held else expected * ratio
    se = UNTOLD * float(np.sqrt(off_se**2 + (spread / use.size) ** 2 + _noise_se(blocks, use) ** 2))
    return Measured(ratio, se / typical, frequency, se)


def _rates(
    hypothesis: Hypothesis, index: int, blocks: Blocks, offset: float
) -> tuple[FloatArray, FloatArray]:
    """The line's frequency in every block: nominal, and as the course has it."""
    clock = hypothesis.scan.clock
    multiple = np.interp(blocks.mid_s, clock.mid_s, _multiples(hypothesis, index))
    nominal = np.interp(blocks.mid_s, clock.mid_s, clock.rate_hz) * multiple
    ends = blocks.mid_s[:, None] + 0.5 * blocks.block_s * np.array([-1.0, 1.0])
    at = np.linspace(ends[:, 0], ends[:, 1], 9)
    mean = np.interp(at, clock.mid_s, clock.rate_hz).mean(axis=0)
    further = np.diff(hypothesis.course.correction(ends), axis=1)[:, 0] / blocks.block_s
    return np.asarray(nominal), np.asarray((mean + further) * multiple * (1.0 + offset))


def _steps(blocks: Blocks, use: NDArray[np.intp]) -> tuple[float, float]:
    """Weighted mean of the phase steps between neighbouring blocks, as a frequency in Hz, and its error."""
    scaled = blocks.centre / blocks.noise
    follow = np.diff(use) == 1
    a, b = use[:-1][follow], use[1:][follow]
    if a.size < LEAST_STEPS:
        return 0.0, 1.0 / (2.0 * blocks.block_s)
    hop = np.diff(blocks.mid_s)[a]
    step = (scaled[:, b] * scaled[:, a].conj()).sum(axis=0)
    found = np.angle(step) / (2.0 * np.pi * hop)
    strength = np.abs(step) / blocks.centre.shape[0]
    weight = np.minimum(strength**2 / (1.0 + strength), STRONG) + 1e-9
    weight = weight / weight.sum()
    mean = float((weight * found).sum())
    variance = float((weight * (found - mean) ** 2).sum())
    return mean, float(np.sqrt(variance * (weight**2).sum()))


def _noise_se(blocks: Blocks, use: NDArray[np.intp]) -> float:
    """What the noise leaves open of a frequency in Hz: a straight line through the blocks' phases.

    The course was locked on these very phases, so their scatter about it no longer shows it. sd of a slope,
    sigma sqrt(12 / n^3) / hop (any textbook on least squares), sigma^2 = 1 / (2 signal to noise).
    """
    ratio = (np.abs(blocks.centre[:, use] / blocks.noise[:, use]) ** 2).sum(axis=0) - blocks.centre.shape[0]
    sigma = float(np.sqrt(np.mean(1.0 / (2.0 * np.maximum(ratio, 0.5))))) / (2.0 * np.pi)
    hop = float(blocks.mid_s[1] - blocks.mid_s[0])
    return sigma * float(np.sqrt(12.0 / use.size**3)) / hop


def _multiples(hypothesis: Hypothesis, index: int) -> FloatArray:
    """Line turns per wheel turn at the frames, 0 where the hypothesis gives the source no rate."""
    multiple = np.zeros(hypothesis.scan.clock.mid_s.size)
    for track in hypothesis.scan.tracks:
        if track.candidate == index and track.gear is None:
            multiple[:] = track.multiple
        elif track.candidate == index and hypothesis.gears is not None:
            multiple[hypothesis.gears.gear == track.gear] = track.multiple
    return multiple

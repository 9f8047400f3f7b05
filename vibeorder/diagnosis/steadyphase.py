"""Whether a strong line keeps step, as a turning part's does, or its phase wanders as that of narrow noise does.

How strong a part's shake is may change within seconds: a joint's and an engine's follow the throttle. Its phase does
not: along a course locked on it, it steps from second to second by hundredths of a turn, for a vehicle's speed cannot
jump. A band of noise of width B forgets its phase in 1 / (pi B) and slips wherever it fades (Rice 1945, Bell System
Technical Journal 24): a course locked on it follows it closely for a while, and then not at all. With d the steps from
block to block, w the variance that the noise beside the line gives them,

    line:   d ~ (1 - k) N(0, s^2 + w) + k / (2 pi)           noise:   d ~ wrapped Cauchy of scale sqrt(g^2 + w)

summed over s and g.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["MOST_BY_PHASE", "phase_log_odds"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complexfloating]

LINE_STEPS = (0.03, 0.1, 0.3)
"""Sd in radians of a line's phase step in a second beside a course that follows it: of the line that the course is
locked on, of one beside it, of one that beats (judgements)."""

NOISE_STEPS = (0.2, 0.4, 0.8)
"""Scale of the steps of narrow noise, 0.15 to 1.2 Hz wide, along a course locked on it (simulated)."""

SLIPS = 0.1
"""Share of a line's steps that are anything: over a bump, a change of gear, where it dies away."""

STEP_SAYS = 0.5
"""What a step says against an independent one: a slip takes its neighbours along."""

MOST_BY_PHASE = 20.0
LEAST_STEPS = 8
NEIGHBOURS, OF_NOISE, LEAST_POWER = 2, 2.0, 0.1
"""Blocks on either side that tell whether there is a line; power over noise of noise itself on the axis of the
strongest shake, and least that is left of a line without it: its phase is anything then."""


def phase_log_odds(line: ComplexArray, weight: FloatArray) -> float:
    """Log odds of narrow noise against a part's line, by how its phase steps from block to block.

    line: amplitude over noise of blocks that do not overlap, along a course; weight: 0 leaves a block out [shape
    (blocks,) both]. At most MOST_BY_PHASE either way; 0 where fewer than LEAST_STEPS steps may speak.
    """
    use = (weight[1:] > 0.0) & (weight[:-1] > 0.0)
    if int(np.count_nonzero(use)) < LEAST_STEPS:
        return 0.0
    turned = (line[1:] * line[:-1].conj())[use]
    step = np.angle(turned * np.exp(-1j * np.angle((turned / (1.0 + np.abs(turned))).sum())))
    power = _steady_part(np.abs(line) ** 2)
    measured = 0.5 * (1.0 / power[1:] + 1.0 / power[:-1])[use]
    kept = [_keeps_step(step, s**2 + measured) for s in LINE_STEPS]
    lost = [_wanders(step, np.sqrt(g**2 + measured)) for g in NOISE_STEPS]
    return float(np.clip(STEP_SAYS * (_mean(lost) - _mean(kept)), -MOST_BY_PHASE, MOST_BY_PHASE))


def _steady_part(power: FloatArray) -> FloatArray:
    """What of a block's power over noise is the line's: no more than its neighbours bear out."""
    around = np.convolve(np.pad(power, NEIGHBOURS, mode="edge"), np.ones(2 * NEIGHBOURS + 1), mode="valid")
    return np.maximum(np.minimum(power, around / (2 * NEIGHBOURS + 1)) - OF_NOISE, LEAST_POWER)


def _mean(log_likelihoods: Sequence[float]) -> float:
    return float(np.logaddexp.reduce(log_likelihoods)) - float(np.log(len(log_likelihoods)))


def _keeps_step(step: FloatArray, variance: FloatArray) -> float:
    """Log likelihood of a line's steps, in radians."""
    around = step + 2.0 * np.pi * np.arange(-1, 2)[:, None]
    normal = np.exp(-0.5 * around**2 / variance).sum(axis=0) / np.sqrt(2.0 * np.pi * variance)
    return float(np.log((1.0 - SLIPS) * normal + SLIPS / (2.0 * np.pi)).sum())


def _wanders(step: FloatArray, scale: FloatArray) -> float:
    """Log likelihood of the steps of narrow noise, in radians: a wrapped Cauchy distribution."""
    return float(np.log(np.sinh(scale) / (np.cosh(scale) - np.cos(step)) / (2.0 * np.pi)).sum())

"""A course made sharper by every line that stands out along it, not by its anchor alone.

A tire's phase, good to a tenth of a turn, leaves half a turn open at the fifth order of the wheel; an engine line
there is then read smeared. So the phase steps of all clear lines are put together: u, the wheel's further turn in
each half second, is the smoothest that they allow,

    (sum_i A_i' W_i A_i + s D'D) u = sum_i A_i' W_i (d_i - b_i t_i)

with d_i the steps of line i in wheel turns, A_i which half seconds each step spans and t_i how many, W_i from its
signal to noise, s from the wobble of a held speed. b_i, the constant by which a line runs off its ratio (a second
tire, a little slip), is zero for the anchor and for others has a prior; it is eliminated line by line (Woodbury).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.locking import STEP_SE, WOBBLE, WOBBLE_MEMORY_S, phase_steps
from vibeorder.diagnosis.scan import Scan, usable

__all__ = ["LockOn", "sharpened"]

FloatArray = NDArray[np.float64]

KNOT_S = 0.5
PASSES = 2
OTHERS_STEP_SE = 0.15
"""A phase step of a line beside the anchor's, in turns: four tires beat, a converter slips, a resonance turns it."""

OFF_RATIO = 0.002
"""How far a line beside the anchor's may run off its ratio to it, relative (sd): tires differ by as much, and what is
left open of a slip or a belt is more."""

HOLD = 1e-3
"""Weight that holds a course where no line says anything, beside weights of 40 and more of a line that does."""


@dataclass(frozen=True, slots=True)
class LockOn:
    """A track to lock on: its offset from the nominal ratio, and when it holds [shape (frames,)].

    anchor: whether it sets the mean rate too.
    """

    track: int
    offset: float
    held: FloatArray
    anchor: bool = True


def sharpened(course: Course, scan: Scan, lines: Sequence[LockOn], sample_rate_hz: float) -> Course:
    """The course with its phase corrected by all these lines together."""
    knots = np.arange(course.turns_s[0], course.turns_s[-1] + KNOT_S, KNOT_S)
    rate_hz = scan.clock.usual_hz
    total = np.zeros(knots.size)
    for _ in range(PASSES):
        steps = [_steps(course, scan, line, knots, total, sample_rate_hz) for line in lines]
        total = total + np.concatenate([[0.0], np.cumsum(_solved(steps, knots.size - 1, rate_hz))])
    return replace(course, turns=course.turns + np.interp(course.turns_s, knots, total))


@dataclass(frozen=True, slots=True)
class _Steps:
    """Steps in wheel turns from knot `first` to knot `last`, and their weights [shape (steps,) each].

    exact: whether the line keeps its ratio, else it may run off it by a constant.
    """

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    turn: FloatArray
    weight: FloatArray
    exact: bool


def _steps(
    course: Course, scan: Scan, line: LockOn, knots: FloatArray, total: FloatArray, sample_rate_hz: float
) -> _Steps:
    clock, band = scan.clock, scan.bands[line.track]
    multiple = scan.tracks[line.track].multiple
    correction = course.correction(band.times_s) + np.interp(band.times_s, knots, total)
    turns = multiple * correction
    if line.offset:
        turns = turns + multiple * line.offset * (correction + np.interp(band.times_s, *scan.nominal()))
    typical = clock.usual_hz * multiple
    mid_s, step, weight = phase_steps(band, turns, typical)
    if step.size == 0:
        none = np.zeros(0, np.intp)
        return _Steps(none, none, np.zeros(0), np.zeros(0), line.anchor)
    held = np.interp(mid_s, clock.mid_s, line.held) > 0.99
    held &= usable(np.interp(mid_s, clock.mid_s, clock.rate_hz) * multiple, sample_rate_hz)
    own_se = STEP_SE if line.anchor else OTHERS_STEP_SE
    weight = weight / (1.0 + weight * own_se**2) * (held[1:] & held[:-1])
    scale = multiple * (1.0 + line.offset)
    at = np.clip(np.round(mid_s / KNOT_S).astype(np.intp), 0, knots.size - 1)
    return _Steps(at[:-1], at[1:], step / scale, weight * scale**2, line.anchor)


def _solved(steps: Sequence[_Steps], count: int, rate_hz: float) -> FloatArray:
    """Wheel turns to add in each interval between knots."""
    bands, right = np.zeros((3, count)), np.zeros(count)
    off: list[FloatArray] = []
    off_sd = OFF_RATIO * rate_hz * KNOT_S
    for line in steps:
        spread = np.zeros(count)
        own, drawn = 1.0 / off_sd**2, 0.0
        for span in (1, 2):
            use = (line.last - line.first == span) & (line.weight > 0.0)
            first, weight, turn = line.first[use], line.weight[use], line.turn[use]
            for k in range(span):
                np.add.at(bands[2], first + k, weight)
                np.add.at(right, first + k, weight * turn)
                np.add.at(spread, first + k, span * weight)
            if span == 2:
                np.add.at(bands[1], first + 1, weight)
            own += float(span**2 * weight.sum())
            drawn += float(span * (weight * turn).sum())
        if not line.exact:
            off.append(spread / np.sqrt(own))
            right -= spread * drawn / own
    change_sd = rate_hz * WOBBLE * np.sqrt(2.0 * KNOT_S / WOBBLE_MEMORY_S) * KNOT_S
    stiffness = 1.0 / change_sd**2
    bands[2, :-1] += stiffness
    bands[2, 1:] += stiffness
    bands[1, 1:] -= stiffness
    bands[2] += HOLD
    if not off:
        return np.asarray(solveh_banded(bands, right))
    loose = np.stack(off, axis=1)
    solved = solveh_banded(bands, np.column_stack([right, loose]))
    inner = np.eye(len(off)) - loose.T @ solved[:, 1:]
    return np.asarray(solved[:, 0] + solved[:, 1:] @ np.linalg.solve(inner, loose.T @ solved[:, 0]))

"""A course of the wheel rate made from its corrections, and locked on the phase of the line that anchors it."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.locking import locked_phase
from vibeorder.diagnosis.scan import Scan
from vibeorder.diagnosis.sharpening import LockOn

__all__ = ["LockOn", "locked_course"]

FloatArray = NDArray[np.float64]

COURSE_STEP_S = 0.05


def locked_course(
    scan: Scan, prior: tuple[float, float], epsilon: FloatArray, anchor: int | None, lock_on: Sequence[LockOn]
) -> Course:
    """The course of these corrections, its phase corrected by the lines of `lock_on`.

    prior: mean and sd of the constant part of the correction. epsilon: [shape (frames,)]. anchor: the candidate
    whose line led to it, or None.
    """
    clock = scan.clock
    times = np.arange(0.0, clock.mid_s[-1] + 1.0, COURSE_STEP_S)
    rate = np.interp(times, clock.mid_s, epsilon * clock.rate_hz)
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * COURSE_STEP_S)])
    further = sum(
        (_locked_turns(scan, epsilon, times, turns, lock) for lock in lock_on), np.zeros(times.size)
    )
    nominal = float(np.interp(times, clock.mid_s, clock.rate_hz).sum() * COURSE_STEP_S)
    constant = (
        float(turns[-1] + further[-1]) / nominal if lock_on and nominal > 1.0 else float(epsilon.mean())
    )
    log_prior = -0.5 * ((constant - prior[0]) / prior[1]) ** 2
    return Course(epsilon, anchor, log_prior, turns + further, times, locked=bool(lock_on))


def _locked_turns(
    scan: Scan, epsilon: FloatArray, times: FloatArray, turns: FloatArray, lock: LockOn
) -> FloatArray:
    """Wheel turns by which a line's own phase corrects the course, while its track holds."""
    clock, band = scan.clock, scan.bands[lock.track]
    multiple = scan.tracks[lock.track].multiple
    nominal = np.interp(times, clock.mid_s, clock.rate_hz)
    ahead = lock.offset * (turns + np.cumsum(nominal) * COURSE_STEP_S)
    typical = float(np.median(clock.rate_hz * (1.0 + epsilon))) * multiple
    correction = multiple * np.interp(band.times_s, times, turns + ahead)
    further = np.interp(times, band.times_s, locked_phase(band, correction, typical)) / multiple
    held = np.interp(times, clock.mid_s, lock.held) > 0.99
    return np.cumsum(np.diff(further, prepend=further[0]) * held)

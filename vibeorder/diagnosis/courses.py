"""A course of the wheel rate made from its corrections, and locked on the phase of the line that anchors it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.locking import locked_phase
from vibeorder.diagnosis.scan import Clock, Scan
from vibeorder.diagnosis.sharpening import LockOn

__all__ = [
    "Followed",
    "LockOn",
    "bound_to_source",
    "held_to_source",
    "locked_course",
    "straying_log_prior",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

COURSE_STEP_S = 0.05
STRAY_STEP_S = 2.0
"""Steps in which a course is held against its speed source: a smoothed fix errs alike over about as long."""

STRAYS_TOO_FAR = 1.5
"""Mean square of a course's steps off its source, in units of what the source errs by, from which the line that it was
locked on is taken to have been followed through its noise."""

LEAST_STEPS = 5
RECORDED_SHARE = 0.5

SLOW_STEPS = 4
"""Steps over which a driver who holds a speed by eye strays alike: a hill, a glance at the dash, last some 8 s and more
(common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Followed:
    """How closely a speed source follows the wheel, its constant scale apart (sd each).

    fix_hz: noise of the smoothed readings, in wheel turns a second; late_s: what is left of its lag; share: relative.
    slow_share: relative as well, of what keeps for SLOW_STEPS steps together; 0: nothing does, all is in the others.
    """

    fix_hz: float
    late_s: float
    share: float
    slow_share: float = 0.0


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


def held_to_source(course: Course, clock: Clock, followed: Followed | None) -> Course:
    """The course, its log prior less what its straying from the speed source costs; None: that is not weighed."""
    if followed is None:
        return course
    return replace(course, log_prior=course.log_prior + straying_log_prior(course, clock, followed))


def straying_log_prior(course: Course, clock: Clock, followed: Followed) -> float:
    """Log prior of how far a locked course strays from its speed source, beside its constant scale.

    The source's noise is known in size only, so over n steps of mean square m, in units of that size, it is
    -n/2 ln max(1, m). A line read under a wrong or a folded order moves otherwise than the speed, and shows here.
    """
    found = _strays(course, clock, followed)
    if found is None:
        return 0.0
    heard, strays, weight = found.heard, found.strays, found.sd**-2
    cut = heard.size // SLOW_STEPS * SLOW_STEPS
    whole = heard[:cut].reshape(-1, SLOW_STEPS).all(axis=1)
    if not followed.slow_share or not whole.any():
        return _size_log_prior((strays**2 * weight)[heard])
    each, known = (x[:cut].reshape(-1, SLOW_STEPS)[whole] for x in (strays, weight))
    slow = each.mean(axis=1)
    own = float(np.median(followed.slow_share**2 + found.sd[heard] ** 2 / SLOW_STEPS))
    freedom = (SLOW_STEPS - 1) / SLOW_STEPS
    fast = ((each - slow[:, None]) ** 2 * known).ravel() / freedom
    return _size_log_prior(slow**2 / own) + freedom * _size_log_prior(fast)


def bound_to_source(course: Course, clock: Clock, followed: Followed) -> Course | None:
    """The course drawn back to its source where it strays too far; None where it does not.

    Of steps off the source of mean square m, in units of what it errs by, 1/m is the wheel's own and the rest is the
    noise of a weak line (the regression of the one on both).
    """
    found = _strays(course, clock, followed)
    if found is None:
        return None
    constant, size = found.constant, float(((found.strays / found.sd)[found.heard] ** 2).mean())
    if size < STRAYS_TOO_FAR:
        return None
    rate = np.interp(course.turns_s, clock.mid_s, clock.rate_hz)
    step_s = np.diff(course.turns_s)
    straight = constant * np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * step_s)])
    return replace(
        course,
        epsilon=constant + (course.epsilon - constant) / size,
        turns=straight + (course.turns - straight) / size,
    )


@dataclass(frozen=True, slots=True)
class _Strays:
    """A course against its source: constant part, how far it strays in each step beside that (relative), what the
    source errs by there (sd), and whether the step counts [shape (steps,) each]."""

    constant: float
    strays: FloatArray
    sd: FloatArray
    heard: BoolArray


def _strays(course: Course, clock: Clock, followed: Followed) -> _Strays | None:
    """How a course strays from its source, None where there are too few steps."""
    start = np.arange(0.0, clock.mid_s[-1] - STRAY_STEP_S, STRAY_STEP_S)
    rate = np.interp(start + 0.5 * STRAY_STEP_S, clock.mid_s, clock.rate_hz)
    if start.size < LEAST_STEPS or rate.min() <= 0.0:
        return None
    further = np.diff(course.correction(np.append(start, start[-1] + STRAY_STEP_S))) / STRAY_STEP_S
    change = np.gradient(rate, STRAY_STEP_S)
    sd = np.sqrt(followed.fix_hz**2 + (followed.late_s * change) ** 2 + (followed.share * rate) ** 2) / rate
    heard = _heard(clock, start)
    if heard.sum() < LEAST_STEPS:
        return None
    strays, weight = further / rate, sd**-2
    constant = float((strays * weight)[heard].sum() / weight[heard].sum())
    return _Strays(constant, strays - constant, sd, heard)


def _size_log_prior(squares: FloatArray) -> float:
    """Log prior of steps whose size alone is known, from their squares in units of it [shape (n,)]."""
    return -0.5 * squares.size * float(np.log(max(1.0, float(squares.mean()))))


def _heard(clock: Clock, start: FloatArray) -> BoolArray:
    """Steps all of which was recorded: in a gap a course is locked on nothing, and strays as noise has it."""
    if not clock.there.size:
        return np.ones(start.size, dtype=bool)
    within = np.linspace(0.0, STRAY_STEP_S, 5)
    share = np.interp(start[:, None] + within, clock.mid_s, clock.there)
    return np.asarray(share.min(axis=1) > RECORDED_SHARE)


def _locked_turns(
    scan: Scan, epsilon: FloatArray, times: FloatArray, turns: FloatArray, lock: LockOn
) -> FloatArray:
    """Wheel turns by which a line's own phase corrects the course, while its track holds."""
    clock, band = scan.clock, scan.bands[lock.track]
    multiple = scan.tracks[lock.track].multiple
    nominal = np.interp(times, clock.mid_s, clock.rate_hz)
    ahead = lock.offset * (turns + np.cumsum(nominal) * COURSE_STEP_S)
    typical = clock.usual_hz * (1.0 + float(epsilon.mean())) * multiple
    correction = multiple * np.interp(band.times_s, times, turns + ahead)
    further = np.interp(times, band.times_s, locked_phase(band, correction, typical)) / multiple
    held = np.interp(times, clock.mid_s, lock.held) > 0.99
    return np.cumsum(np.diff(further, prepend=further[0]) * held)

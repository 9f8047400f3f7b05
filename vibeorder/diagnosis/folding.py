"""What it costs a course that the line it was locked on folds, and how restless that line is beside one that does not.

Along a course whose constant scale is free a line seen at f, known to df, leaves that scale known to df / f_true: a
name by which the line folds has f / f_true of the evidence of one by which it does not, other things equal.
"""

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.locking import phase_steps
from vibeorder.diagnosis.propose import Proposal
from vibeorder.diagnosis.scan import BLIND_AT_ZERO_HZ, Scan
from vibeorder.diagnosis.sharpening import LockOn
from vibeorder.diagnosis.signal import folded
from vibeorder.diagnosis.wobble import PhaseSteps, fold_log_odds, frequencies, well_within

__all__ = ["anchor_fold_log_odds"]

FloatArray = NDArray[np.float64]

SEEN_FROM = 1.0
"""Mean evidence of three frames from which the line is seen there."""


def anchor_fold_log_odds(scan: Scan, proposal: Proposal, sample_rate_hz: float) -> float:
    """Log odds that the line which a course was locked on folds as it would have to; 0 where it need not."""
    clock = scan.clock
    tops = [
        clock.usual_hz * scan.tracks[lock.track].multiple * (1.0 + lock.offset) for lock in proposal.lock_on
    ]
    if max(tops, default=0.0) < 0.45 * sample_rate_hz:
        return 0.0
    parts = [_steps(scan, proposal, lock) for lock in proposal.lock_on]
    order = np.argsort(np.concatenate([p[0] for p in parts]))
    times, hz, variance = (np.concatenate([p[i] for p in parts])[order] for i in range(3))
    if times.size == 0:
        return 0.0
    changes = [
        float(clock.mid_s[t]) for lock in proposal.lock_on for t in np.flatnonzero(np.diff(lock.held)) + 1
    ]
    wide = float(np.median(np.log(hz / np.maximum(folded(hz, sample_rate_hz), BLIND_AT_ZERO_HZ))))
    return fold_log_odds((times, hz, variance), sample_rate_hz, sorted(set(changes))) - max(wide, 0.0)


def _steps(scan: Scan, proposal: Proposal, lock: LockOn) -> PhaseSteps:
    """The frequencies of one track of the line, while it holds and is seen."""
    clock, band, course = scan.clock, scan.bands[lock.track], proposal.course
    multiple = scan.tracks[lock.track].multiple
    correction = course.correction(band.times_s)
    nominal = np.interp(band.times_s, *scan.nominal())
    mid_s, step, weight = phase_steps(
        band, multiple * (correction + lock.offset * (correction + nominal)), clock.usual_hz * multiple
    )
    turns = (np.interp(mid_s, *scan.nominal()) + course.correction(mid_s)) * multiple * (1.0 + lock.offset)
    there = np.interp(mid_s, clock.mid_s, lock.held * _seen(scan, lock, course.epsilon)) > 0.99
    return frequencies(mid_s, step, weight, turns, there)


def _seen(scan: Scan, lock: LockOn, epsilon: FloatArray) -> FloatArray:
    """1 for frames in which the line is seen, else 0."""
    evidence = scan.evidence[lock.track]
    cell = np.round((epsilon + lock.offset - scan.clock.epsilon[0]) / scan.clock.step).astype(int)
    found = evidence[np.arange(cell.size), np.clip(cell, 0, evidence.shape[1] - 1)]
    mean = np.convolve(np.pad(found, 1, mode="edge"), np.ones(3) / 3.0, mode="valid")
    return well_within(mean > SEEN_FROM)

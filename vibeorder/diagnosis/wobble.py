"""A line that folds wobbles as the part that it is of does: many times as far, in hertz, as an unfolded one would.

Held by a driver a speed wobbles by some tenths of a percent in seconds. A line at 20 Hz then wobbles by hundredths of a
hertz; one at 220 Hz, folded to 20 Hz by a sample rate of 200 Hz, by over half a hertz. So how restless a line is tells
the one from the other, whatever its course. With r the frequencies measured from step to step of the line's phase, less
their smooth course, and R their variances,

    W(f) = ln sum_s p(s) N(r; 0, s^2 F K F + R),   F = diag f,   K = (exp(-|dt| / 3 s) + exp(-|dt| / 15 s)) / 2

on what is orthogonal to the smooth course; W(f_true) - W(f_seen) are the log odds.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from vibeorder.diagnosis.locking import WOBBLE, WOBBLE_MEMORY_S

__all__ = ["PhaseSteps", "fold_log_odds", "frequencies", "well_within"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
PhaseSteps = tuple[FloatArray, FloatArray, FloatArray]
"""Instants of a line's measured frequencies, the frequencies (true) in Hz, and their variances [shape (n,) each]."""

SCALES = np.exp(np.linspace(-2.1, 2.1, 7))
SCALES_LOG_SD = 0.7
"""Restlessness of a drive over the usual one, and the sd of its ln: from a cruise control to a hilly road (common
practice, no source)."""

SLOW_MEMORY_S = 15.0
OWN_PHASE_HZ = 0.035
"""What a body's response makes of a line's phase in a second, in turns: it decorrelates in some 20 s."""

COURSE_S = 5.0
"""One coefficient of the smooth course for every so many seconds: what a driver does on purpose."""

STEP_S = 1.0
JUMP_TIMES, GAP_S = 8.0, 2.5
"""Times the median change from second to second from which a change is a step, and how long a gap parts a course."""

CLEAR_FRAMES = 3
"""Frames on either side in which a line has to be seen for its steps to count."""

AROUND_BREAK_S = 1.6
"""Steps of the phase nearer to a change of gear than this are of both gears."""

LEAST_STEPS = 12
MOST_FOR, MOST_AGAINST = 4.0, 8.0
"""Most log odds for a fold and against it: a resonance is restless too, or a course that was bridged over a step; but
nothing makes a line quieter than its part."""


def fold_log_odds(steps: PhaseSteps, sample_rate_hz: float, breaks_s: Sequence[float] = ()) -> float:
    """Log odds that the line folds as its true frequency has it, against its being where it shows; 0 where it does not.

    breaks_s: changes of gear, over which an engine's line steps.
    """
    steps = _away_from(breaks_s, steps)
    found = _jumps(_thinned(steps))
    times, line_hz, variance = _thinned(_away_from(found, steps))
    zone = np.round(line_hz / sample_rate_hz)
    if times.size < LEAST_STEPS or (zone == 0).all():
        return 0.0
    seen_hz = np.abs(line_hz - zone * sample_rate_hz)
    smooth = _smooth_courses(times, sorted({*breaks_s, *found}))
    true, seen = (_log_density(times, hz, variance, smooth) for hz in (line_hz, seen_hz))
    return float(np.clip(true - seen, -MOST_AGAINST, MOST_FOR))


def frequencies(
    mid_s: FloatArray, step: FloatArray, weight: FloatArray, turns: FloatArray, there: BoolArray
) -> PhaseSteps:
    """The frequencies that a line's phase steps make, where it is there at both ends of a step.

    mid_s, step, weight: of `phase_steps`. turns: of the line that was taken off, and `there`, at mid_s.
    """
    if step.size == 0:
        return step, step, step
    hop_s = float(mid_s[1] - mid_s[0])
    hz = (np.diff(turns) + step) / hop_s
    use = there[1:] & there[:-1] & (weight > 0.0) & (hz > 0.0)
    return (0.5 * (mid_s[1:] + mid_s[:-1]))[use], hz[use], 1.0 / (weight[use] * hop_s**2)


def well_within(seen: BoolArray) -> FloatArray:
    """1 for frames at whose sides the line is seen for a while: where it fades, a course strays before it is lost."""
    ahead = np.pad(seen, CLEAR_FRAMES, mode="edge")
    return np.lib.stride_tricks.sliding_window_view(ahead, 2 * CLEAR_FRAMES + 1).all(axis=1).astype(float)


def _jumps(steps: PhaseSteps) -> list[float]:
    """Where the line is lost for a while, or steps far beyond its usual restlessness: at a change of gear that the name
    does not know of, or onto another line."""
    times, hz, _ = steps
    if times.size < LEAST_STEPS:
        return []
    change, apart = np.diff(hz), np.diff(times)
    usual = np.convolve(np.pad(change, 2, mode="edge"), np.ones(5) / 5.0, mode="valid")
    beyond = np.abs(change - usual)
    jump = (beyond > JUMP_TIMES * float(np.median(beyond))) | (apart > GAP_S)
    instants: FloatArray = 0.5 * (times[1:] + times[:-1])
    return [float(t) for t in instants[jump]]


def _away_from(breaks_s: Sequence[float], steps: PhaseSteps) -> PhaseSteps:
    keep = np.ones(steps[0].size, bool)
    for at in breaks_s:
        keep &= np.abs(steps[0] - at) > AROUND_BREAK_S
    return steps[0][keep], steps[1][keep], steps[2][keep]


def _thinned(steps: PhaseSteps) -> PhaseSteps:
    """Means over STEP_S, by weight, with what a body adds."""
    times, hz, variance = steps
    if times.size < 2:
        return steps
    bins = np.floor((times - times[0]) / STEP_S).astype(int)
    count, weight = int(bins[-1]) + 1, 1.0 / variance
    total = np.bincount(bins, weight, count)
    there = total > 0
    mean = [np.bincount(bins, weight * x, count)[there] / total[there] for x in (times, hz)]
    return mean[0], mean[1], 1.0 / total[there] + OWN_PHASE_HZ**2


def _smooth_courses(times_s: FloatArray, breaks_s: Sequence[float]) -> FloatArray:
    """Polynomials over each run between the breaks, as columns [shape (n, columns)]."""
    run = np.searchsorted(np.asarray(breaks_s, float), times_s)
    columns = []
    for r in np.unique(run):
        here = run == r
        span = float(np.ptp(times_s[here]))
        order = min(int(here.sum()), 1 + round(span / COURSE_S))
        at = 2.0 * (times_s[here] - times_s[here][0]) / max(span, 1.0) - 1.0
        block = np.zeros((times_s.size, order))
        block[here] = np.polynomial.chebyshev.chebvander(at, order - 1)
        columns.append(block)
    return np.concatenate(columns, axis=1)


def _log_density(times_s: FloatArray, hz: FloatArray, variance: FloatArray, smooth: FloatArray) -> float:
    """W above: the density of what is orthogonal to the smooth courses (restricted likelihood; Patterson and Thompson
    1971), summed over how restless the drive is."""
    apart = np.abs(times_s[:, None] - times_s)
    kernel = 0.5 * (np.exp(-apart / WOBBLE_MEMORY_S) + np.exp(-apart / SLOW_MEMORY_S))
    basis, _ = np.linalg.qr(smooth, mode="complete")
    rest = basis[:, smooth.shape[1] :]
    free = rest.T @ hz
    own = rest.T @ (WOBBLE**2 * hz[:, None] * kernel * hz) @ rest
    noise = rest.T @ (variance[:, None] * rest)
    log_p = -0.5 * (np.log(SCALES) / SCALES_LOG_SD) ** 2
    found = []
    for scale in SCALES:
        lower = np.linalg.cholesky(scale**2 * own + noise)
        white = solve_triangular(lower, free, lower=True)
        found.append(-0.5 * float(white @ white) - float(np.log(np.diag(lower)).sum()))
    return float(np.logaddexp.reduce(np.array(found) + log_p - np.logaddexp.reduce(log_p)))

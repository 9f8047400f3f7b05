"""Which gear when, along a course of the wheel's rate: from the engine's own lines, read in every gear.

For each line and gear a filter runs over the blocks, forward and backward, for a grid of strengths at once; the sums
of its innovations are the likelihoods of every beginning and every end of the record, so that a change of gear costs
nothing to try at any time, and the line keeps one strength through it.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import MEMORY_S, Tracked
from vibeorder.diagnosis.amplitudes import HealthyPrior, log_prior_of
from vibeorder.diagnosis.evidence import AMPLITUDES
from vibeorder.diagnosis.shifting import Shifting

__all__ = ["gear_courses", "with_changes_placed"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

EVERY = 4
"""Every so manieth strength of the grid is tried."""

RATE_MEMORY = 0.35
"""A line keeps its phase over about so much of ln(frequency)."""

OVERLAPPED = 0.8
"""Share of the evidence that counts: half-overlapped blocks have a sixth of their noise in common."""

PLACED_WITHIN = 4
"""Frames either way in which a change found in blocks, which are longer, is looked for again."""

MOST_COURSES = 5
HOPELESS = 9.0


def with_changes_placed(gear: IntArray, evidence: FloatArray) -> IntArray:
    """The course of gears with every change moved to the frame, near by, that the engine's lines speak for.

    gear: indices at the frames; evidence: of the engine's lines in every gear [shape (gears, frames)].
    """
    out = gear.copy()
    edges = [0, *(int(c) for c in np.flatnonzero(np.diff(gear)) + 1), gear.size]
    for earlier, c, later in zip(edges, edges[1:], edges[2:], strict=False):
        first, last = max(c - PLACED_WITHIN, earlier + 1), min(c + PLACED_WITHIN, later - 1)
        frames = np.arange(first, last)
        before, after = evidence[gear[c - 1], frames], evidence[gear[c], frames]
        # the change before frame k of these: what went before has its own gear, the rest the next
        total = np.concatenate([[0.0], np.cumsum(before)]) + np.concatenate(
            [np.cumsum(after[::-1])[::-1], [0.0]]
        )
        here = c - first
        k = int(np.argmax(total))
        if total[k] > total[here]:
            out[frames[:k]], out[frames[k:]] = gear[c - 1], gear[c]
    return out


def gear_courses(
    lines: Sequence[Sequence[Tracked]],
    healthy: Sequence[HealthyPrior],
    mid_s: FloatArray,
    prior: FloatArray,
    frame_s: FloatArray,
    changing: Shifting,
) -> list[tuple[IntArray, float]]:
    """Courses of gears worth weighing (indices at the frames), best first, each with its log prior.

    lines: for each source, its blocks in each gear. prior: log prior of each gear in one frame [shape (frames,
    gears)]; frame_s: the frames. One gear all through, one change, and the best course with any number of them.
    """
    gears = prior.shape[1]
    before, after = _sums(lines, mid_s)
    weight = _strengths(healthy, before.shape[-1])
    held = np.concatenate([np.zeros((1, gears)), np.cumsum(prior, axis=0)])
    edges = np.searchsorted(frame_s, np.concatenate([[-np.inf], 0.5 * (mid_s[1:] + mid_s[:-1]), [np.inf]]))
    found: list[tuple[float, IntArray, float]] = []
    frames = np.arange(prior.shape[0])
    for g in range(gears):
        course = np.full(frames.size, g, np.intp)
        own = float(held[-1, g]) + changing.log_prior(course)
        found.append((own + float(_evidence(before[:, g, -1], weight)), course, own))
        for then in (g - 1, g + 1):
            if not 0 <= then < gears or mid_s.size < 6:
                continue
            # the block that straddles a change belongs to neither side
            cuts = np.arange(1, mid_s.size - 1)
            both = before[:, g, cuts] + after[:, then, cuts + 1]
            courses = [np.where(frames < edges[cut], g, then) for cut in cuts]
            own = held[edges[cuts], g] + held[-1, then] - held[edges[cuts], then]
            own = own + np.array([changing.log_prior(course) for course in courses])
            total = own + _evidence(both, weight)
            c = int(np.argmax(total))
            found.append((float(total[c]), courses[c], float(own[c])))
    found.sort(key=lambda item: -item[0])
    kept = [(c, p) for s, c, p in found if s > found[0][0] - HOPELESS][:MOST_COURSES]
    block = np.clip(np.searchsorted(mid_s, frame_s), 0, mid_s.size - 1)
    cost = -changing.change_log[np.clip(edges[1:-1], 1, frames.size - 1)]
    many = _many_changes(before, healthy, held, edges, cost)[block]
    if np.count_nonzero(np.diff(many)) > 1:
        own = prior[frames, many].sum() + changing.log_prior(many)
        kept.append((many, float(own)))
    return kept


def _many_changes(
    before: FloatArray,
    healthy: Sequence[HealthyPrior],
    held: FloatArray,
    edges: IntArray,
    cost: FloatArray,
) -> IntArray:
    """Best gear in each block, each line at the strength that its best gear gives it [shape (blocks,)].

    cost: of a change between a block and the next [shape (blocks - 1,)].
    """
    steps = np.diff(before, axis=2)
    _, gears, blocks, _ = steps.shape
    total = np.zeros((gears, blocks))
    for own, prior in zip(steps, healthy, strict=True):
        usual = 1 + int(np.argmin(np.abs(np.log(AMPLITUDES[EVERY // 2 :: EVERY] / prior.median_mps2))))
        best = int(own.sum(axis=1).max(axis=0).argmax())
        total += OVERLAPPED * own[:, :, best or usual]
    total += np.diff(held[edges], axis=0).T
    value, back = total[:, 0], np.zeros((gears, blocks), np.intp)
    for b in range(1, blocks):
        best = int(value.argmax())
        changed = value[best] - cost[b - 1] > value
        back[:, b] = np.where(changed, best, np.arange(gears))
        value = np.where(changed, value[best] - cost[b - 1], value) + total[:, b]
    course = np.empty(blocks, np.intp)
    course[-1] = int(value.argmax())
    for b in range(blocks - 1, 0, -1):
        course[b - 1] = back[course[b], b]
    return course


def _evidence(log_l: FloatArray, weight: FloatArray) -> FloatArray:
    """Evidence of all sources over their strengths [log_l: shape (sources, ..., strengths)]."""
    shape = (weight.shape[0],) + (1,) * (log_l.ndim - 2) + (weight.shape[1],)
    return np.asarray(np.logaddexp.reduce(OVERLAPPED * log_l + weight.reshape(shape), axis=-1).sum(axis=0))


def _strengths(healthy: Sequence[HealthyPrior], count: int) -> FloatArray:
    """Log prior of absence and of each strength of the thinned grid [shape (sources, strengths)]."""
    out = np.empty((len(healthy), count))
    for i, one in enumerate(healthy):
        full = np.logaddexp(
            np.log(0.9) + log_prior_of((one, "healthy")), np.log(0.1) + log_prior_of((one, "fault"))
        )
        out[i, 0] = full[0]
        for k in range(count - 1):
            out[i, 1 + k] = np.logaddexp.reduce(full[1 + EVERY * k : 1 + EVERY * (k + 1)])
    return out


def _sums(lines: Sequence[Sequence[Tracked]], mid_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log likelihoods of the blocks before each, and from each on [shape (sources, gears, blocks + 1, strengths)].

    The first strength is absence, whose likelihood is 0.
    """
    y = np.stack([[t.y for t in own] for own in lines])
    gain = np.stack([[t.gain for t in own] for own in lines])
    log_f = np.log(np.stack([[t.frequency_hz for t in own] for own in lines]))
    strength = AMPLITUDES[EVERY // 2 :: EVERY]
    keep = np.exp(-np.diff(mid_s) / MEMORY_S - np.abs(np.diff(log_f, axis=-1)) / RATE_MEMORY)
    forward = _filtered(y, gain, keep, strength)
    backward = _filtered(y[..., ::-1], gain[..., ::-1], keep[..., ::-1], strength)[:, :, ::-1]
    return forward, backward


def _filtered(
    y: NDArray[np.complexfloating], gain: FloatArray, keep: FloatArray, strength: FloatArray
) -> FloatArray:
    """Sums of innovations of one line per source and gear, for each strength."""
    blocks = y.shape[-1]
    out = np.zeros((*y.shape[:2], blocks + 1, strength.size + 1))
    mean = np.zeros((*y.shape[:3], strength.size), complex)
    doubt = np.ones((*y.shape[:3], strength.size))
    for b in range(blocks):
        if b:
            rho = keep[:, :, b - 1][:, :, None, None]
            mean = rho * mean
            doubt = rho**2 * doubt + 1.0 - rho**2
        h = gain[..., b][..., None] * strength
        off = y[..., b][..., None] - h * mean
        spread = 1.0 + h**2 * doubt
        found = np.abs(y[..., b][..., None]) ** 2 - np.abs(off) ** 2 / spread - np.log(spread)
        pull = h * doubt / spread
        mean = mean + pull * off
        doubt = doubt - pull * h * doubt
        out[:, :, b + 1, 1:] = out[:, :, b, 1:] + found.sum(axis=2)
    return out

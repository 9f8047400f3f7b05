"""Every name that the strongest line of a recording may bear, each with the course of speed and gears it implies.

A course is pursued from every source in turn (`pursuit`), locked on that source's own phase, and compared with the
others by bounded evidence: two courses that follow the same line through the same frames get the same for it, so
that a tenth of a percent of mistracking decides nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.colour import FRAME_S
from vibeorder.diagnosis.locking import locked_phase, phase_steps
from vibeorder.diagnosis.pursuit import Pursued, Pursuit
from vibeorder.diagnosis.renaming import multiples_of, renamed
from vibeorder.diagnosis.ridge import CELL, HOP_S
from vibeorder.diagnosis.shifting import shifting
from vibeorder.diagnosis.signal import Signal, folded
from vibeorder.diagnosis.wobble import PhaseSteps, fold_log_odds, frequencies, well_within
from vibeorder.spectrum.baseband import Baseband, block_spectra, demodulate

__all__ = ["Naming", "namings"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
LogSpeed = Callable[[FloatArray, FloatArray], float]

MOST_NAMINGS, AT_LEAST = 40, 6
ANCHOR_SHARE, VOTES_SHARE = 0.5, 0.15
"""Shares of frame evidence that count: frames overlap; and a vote is bounded, so that its worth is rough."""

TOO_UNLIKELY = 120.0
"""Log odds against the best course, roughly reckoned, from which a naming is not weighed."""

SAME_COURSE = 0.004
"""Courses of the wheel nearer than this, relative, for most of the time are one."""

SAME_LOCKED = 0.003
"""Likewise of courses that have been locked."""

STRAYS = 0.1
"""Share of the time for which two courses may differ and yet be one."""

ELSEWHERE, ELSEWHERE_FRAMES = 0.015, 2
"""Courses this far apart for so many frames part there, however long they ran together: one turned back where
the other went on through half the sample rate."""

APART = 0.015
"""Courses of one name that are usually so far apart, in ln, follow two lines."""

AS_CLEAR = 15.0
"""Log evidence by which an anchor must stand out more to be followed on a course that is followed already."""

ABOUT_CHANGE = 2
"""Frames either side of a change of gear in which the anchor may be read in either gear."""

ONE_LINE_HZ = 0.1
"""Anchor lines nearer than this, beside half a cell of each, are one line in a frame."""

SHARED_TIMES, SHARED_BESIDE = 1.7, 0.5
"""How much more than its own evidence an anchor may get from one that follows the same line: what frames of either
length, and cells of either width, make of one line."""

NUDGE, NUDGE_STEP = 0.01, 0.0005
"""How far, relative, a course on the grid may be off its anchor's line, and how finely that is looked for."""

LOCK_RATE_HZ = 24.0
VISIBLE = 1.0


@dataclass(frozen=True, slots=True)
class Naming:
    """One course. turns: of the wheel at the sample instants [shape (n,)]; anchor_turns: of the anchor's line.

    frame_s: of the frames; rate_hz: of the wheel there; gear: index there, -1 where the anchor does not tell
    it; anchored: evidence of the anchor's line in each frame; visible: whether it is seen [shape (frames,)].
    steps: the line's frequencies from its phase.
    """

    pursued: Pursued
    turns: FloatArray
    anchor_turns: FloatArray
    frame_s: FloatArray
    rate_hz: FloatArray
    gear: IntArray
    anchored: FloatArray
    visible: NDArray[np.bool_]
    steps: PhaseSteps

    def line_hz(self, sample_rate_hz: float) -> FloatArray:
        """True frequency of the anchor's line at the frames [shape (frames,)]."""
        return np.asarray(np.gradient(self.anchor_turns)[self.at_frames(sample_rate_hz)] * sample_rate_hz)

    def seen_at(self, times_s: FloatArray) -> NDArray[np.bool_]:
        """Whether the anchor's line is seen at any instants [shape of times_s]."""
        return np.asarray(np.interp(times_s, self.frame_s, self.visible.astype(float)) > 0.5)

    def restless_log_odds(self, signal: Signal) -> float:
        """What the restlessness of the anchor's line says against its name, 0 at most.

        Against folding where it is quieter than its part; against not folding where it is as restless as its image
        above half the sample rate would be. Nothing for it: a resonance of no part is restless too.
        """
        if not signal.folds:
            return 0.0
        changes = np.flatnonzero(np.diff(self.gear))
        breaks_s = (0.5 * (self.frame_s[changes] + self.frame_s[changes + 1])).tolist()
        times, hz, variance = self.steps
        if (hz > 0.5 * signal.rate_hz).any():
            return min(fold_log_odds(self.steps, signal.rate_hz, breaks_s), 0.0)
        return -max(fold_log_odds((times, signal.rate_hz - hz, variance), signal.rate_hz, breaks_s), 0.0)

    def at_frames(self, sample_rate_hz: float) -> IntArray:
        """Sample at the middle of every frame [shape (frames,)]."""
        at = np.round(self.frame_s * sample_rate_hz).astype(int)
        return np.asarray(np.clip(at, 0, self.turns.size - 1), np.intp)


def namings(pursuit: Pursuit, signal: Signal, log_speed: LogSpeed) -> list[Naming]:
    """Courses worth weighing. log_speed: log prior of a course of wheel rates, made from a line's, at the frames."""
    followed = [p for anchor in pursuit.anchors() for p in pursuit.follow(anchor)]
    found = _distinct(pursuit, [*followed, *renamed(pursuit, followed)])
    shared = _shared_evidence(pursuit, found)
    rough = [_rough(pursuit, p, a, log_speed) for p, a in zip(found, shared, strict=True)]
    kept: list[Naming] = []
    for i in _chosen(pursuit, found, rough):
        one = _locked(pursuit, signal, found[i], shared[i])
        if not any(_same(k, one) for k in kept):
            kept.append(one)
        if len(kept) == MOST_NAMINGS:
            break
    return kept


def _same(kept: Naming, one: Naming) -> bool:
    """Whether two namings have come to one course once locked: weighed twice, a name would count twice."""
    if _part(np.abs(np.log(kept.rate_hz / one.rate_hz)), SAME_LOCKED):
        return False
    if _leaves_gears_out(kept.gear, one.gear):
        return False
    return float(kept.anchored.sum()) > float(one.anchored.sum()) - AS_CLEAR


def _leaves_gears_out(kept: IntArray, one: IntArray) -> bool:
    """Whether a course on gears (below 0: the anchor does not tell them, and all are weighed) judges others than these.

    In direct gear an engine's order runs with the shaft's: the shaft's name, in another gear, is another course.
    """
    return bool((kept >= 0).all() and ((one < 0).any() or np.mean(kept != one) > STRAYS))


def _part(apart: FloatArray, most: float) -> bool:
    """Whether two courses, so far apart in ln at the frames, are two."""
    strays = np.count_nonzero(apart > most) / apart.size
    return bool(strays > STRAYS or np.count_nonzero(apart > ELSEWHERE) >= ELSEWHERE_FRAMES)


def _rough(pursuit: Pursuit, one: Pursued, anchored: FloatArray, log_speed: LogSpeed) -> float:
    """What may be said of a course before its lines are read."""
    gears = 0.0
    if (one.gear >= 0).all():
        gears = float(pursuit.gear_prior_along(one.cell)[np.arange(one.cell.size), one.gear].sum())
        gears += shifting(pursuit.rates_hz[one.cell], HOP_S).log_prior(one.gear)
    votes = one.total - float(one.anchored.sum())
    rate = pursuit.rates_hz[one.cell]
    return (
        ANCHOR_SHARE * float(anchored.sum())
        + gears
        + log_speed(rate, rate * multiples_of(pursuit, one))
        + VOTES_SHARE * votes
    )


def _distinct(pursuit: Pursuit, found: Sequence[Pursued]) -> list[Pursued]:
    """Without those that go where one goes whose anchor stands out as well."""
    kept: list[Pursued] = []
    for one in sorted(found, key=lambda p: -p.total):
        if not any(_covers(pursuit, k, one) for k in kept):
            kept.append(one)
    return kept


def _covers(pursuit: Pursuit, kept: Pursued, one: Pursued) -> bool:
    """Whether judging `kept` judges `one` too: the same course of the wheel, of the gears where both tell them."""
    if _part(np.abs(one.cell - kept.cell) * CELL, SAME_COURSE):
        return False
    if _leaves_gears_out(kept.gear, one.gear):
        return False
    return float(kept.anchored.sum()) > float(one.anchored.sum()) - AS_CLEAR


def _in_words(pursuit: Pursuit, one: Pursued) -> bytes:
    """What a course is called, whenever it changes: the anchor, and the gears and folds that follow each other."""
    fold = np.floor(pursuit.rates_hz[one.cell] * multiples_of(pursuit, one) / pursuit.nyquist_hz)
    state = np.stack([one.gear, fold.astype(np.intp)])
    turns = np.flatnonzero(np.diff(state, prepend=-2).any(axis=0))
    return np.array([one.anchor, *state[:, turns].ravel()]).tobytes()


def _chosen(pursuit: Pursuit, found: Sequence[Pursued], rough: Sequence[float]) -> list[int]:
    """Which to weigh: of every name the best course, and the best that is elsewhere, then what else is good.

    A strong line's skirt is followed as well as the line, and may have more of the others' votes.
    """
    ranked = sorted(range(len(found)), key=lambda i: -rough[i])
    ranked = [i for i in ranked if rough[i] > rough[ranked[0]] - TOO_UNLIKELY or len(ranked) < AT_LEAST]
    called: dict[bytes, list[int]] = {}
    for i in ranked:
        mine = called.setdefault(_in_words(pursuit, found[i]), [])
        if not mine or (len(mine) == 1 and _elsewhere(found[mine[0]], found[i])):
            mine.append(i)
    chosen = {i for mine in called.values() for i in mine}
    best = [i for i in ranked if i in chosen]
    return [*best, *(i for i in ranked if i not in chosen)][: 2 * MOST_NAMINGS]


def _elsewhere(a: Pursued, b: Pursued) -> bool:
    """Whether two courses of one name follow two lines, and not one by neighbouring cells."""
    return bool(np.median(np.abs(a.cell - b.cell)) * CELL > APART)


def _shared_evidence(pursuit: Pursuit, found: Sequence[Pursued]) -> list[FloatArray]:
    """The anchors' evidence, the largest of all that follow the same line in a frame."""
    if not found:
        return []
    rate_hz = 2.0 * pursuit.nyquist_hz
    true = np.stack([pursuit.rates_hz[p.cell] * multiples_of(pursuit, p) for p in found])
    at = folded(true, rate_hz)
    own = np.stack([_about_changes(pursuit, p) for p in found])
    near = np.abs(at[:, None] - at) < ONE_LINE_HZ + 0.5 * CELL * (true[:, None] + true)
    largest = np.where(near, own[None], -np.inf).max(axis=1)
    return list(np.minimum(largest, np.maximum(own, 0.0) * SHARED_TIMES + SHARED_BESIDE))


def _about_changes(pursuit: Pursuit, one: Pursued) -> FloatArray:
    """The anchor's evidence, that of the gear before or after where a change of gear is a frame or two away.

    A frame is longer than a change and as long as what is not known of its instant: which one of two names draws it a
    frame sooner says nothing of the names.
    """
    best = one.anchored
    for frames in (*range(-ABOUT_CHANGE, 0), *range(1, ABOUT_CHANGE + 1)):
        gear = one.gear[np.clip(np.arange(one.gear.size) - frames, 0, one.gear.size - 1)]
        if (gear != one.gear).any():
            multiple = multiples_of(pursuit, replace(one, gear=gear))
            other = pursuit.evidence_along(multiple, one.cell, one.slope)
            best = np.maximum(best, other * (gear != one.gear))
    return best


def _locked(pursuit: Pursuit, signal: Signal, one: Pursued, anchored: FloatArray) -> Naming:
    """The course smoothed and locked on its anchor's phase."""
    mid_s, rate = pursuit.table.mid_s, signal.rate_hz
    times = np.arange(signal.samples.shape[1]) / rate
    log_rate = np.log(pursuit.rates_hz[0]) + CELL * _smooth(one.cell.astype(float))
    wheel = np.exp(_continued(times, mid_s, log_rate))
    multiple = multiples_of(pursuit, one)
    nearest = np.clip(np.round((times - mid_s[0]) / HOP_S).astype(int), 0, mid_s.size - 1)
    multiple_at = multiple[nearest]
    line = _summed(wheel * multiple_at, rate)
    band = demodulate(signal.samples, signal.valid, rate, line, LOCK_RATE_HZ)
    nudge = _nudge(band, mid_s, wheel * multiple_at, rate)
    if nudge:
        wheel, log_rate, line = wheel * (1.0 + nudge), log_rate + nudge, line * (1.0 + nudge)
        band = demodulate(signal.samples, signal.valid, rate, line, LOCK_RATE_HZ)
    turns, before = _summed(wheel, rate), line
    if band.z.shape[1] > 8:
        locked = locked_phase(band, np.zeros(band.z.shape[1]), float(np.median(wheel * multiple_at)))
        further = np.interp(times, band.times_s, locked)
        line = line + further
        turns = turns + np.cumsum(np.diff(further, prepend=further[0]) / multiple_at)
    seen = np.convolve(np.pad(anchored, 2, mode="edge"), np.ones(5) / 5.0, mode="valid") > VISIBLE
    slow = np.interp(mid_s, times, np.gradient(turns) * rate)
    sane = np.where(np.abs(np.log(np.maximum(slow, 1e-3) / np.exp(log_rate))) < 0.05, slow, np.exp(log_rate))
    steps = _measured(band, line - before, line, rate, np.interp(times, mid_s, well_within(seen)) > 0.5)
    return Naming(one, turns, line, mid_s, sane, one.gear, anchored, seen, steps)


def _measured(
    band: Baseband, further: FloatArray, line: FloatArray, rate_hz: float, seen: NDArray[np.bool_]
) -> PhaseSteps:
    """The line's frequencies from block to block, where it is seen.

    line: its turns as locked, at the samples; further: of them, those that were not taken off the band.
    """
    times = np.arange(line.size) / rate_hz
    apart = np.interp(band.times_s, times, further)
    mid_s, step, weight = phase_steps(band, apart, float(np.median(np.gradient(line)) * rate_hz))
    there = seen[np.clip(np.round(mid_s * rate_hz).astype(int), 0, seen.size - 1)]
    return frequencies(mid_s, step, weight, np.interp(mid_s, times, line), there)


def _nudge(band: Baseband, mid_s: FloatArray, line_hz: FloatArray, rate_hz: float) -> float:
    """Relative correction, a cell or two, that brings the course onto its anchor's line where it stands out most."""
    if band.z.shape[1] / band.rate_hz < 3.0 * FRAME_S:
        return 0.0
    at = line_hz[np.clip(np.round(mid_s * rate_hz).astype(int), 0, line_hz.size - 1)]
    reach = min(NUDGE * float(at.max()) + 1.0, 0.36 * band.rate_hz)
    blocks = block_spectra(band, FRAME_S, mid_s, reach)
    power = (np.abs(blocks.spectra) ** 2).sum(axis=0)
    power = np.log1p(power / (np.median(power, axis=1, keepdims=True) + 1e-20))
    step = float(blocks.offset_hz[1] - blocks.offset_hz[0])
    grid = np.arange(-NUDGE, NUDGE + 1e-9, NUDGE_STEP)
    index = np.round(at[:, None] * grid / step).astype(int) + blocks.offset_hz.size // 2
    inside = (index >= 0) & (index < blocks.offset_hz.size)
    found = np.take_along_axis(power, np.clip(index, 0, blocks.offset_hz.size - 1), axis=1) * inside
    return float(grid[int(found.sum(axis=0).argmax())])


def _summed(rate_hz: FloatArray, sample_rate_hz: float) -> FloatArray:
    return np.concatenate([[0.0], np.cumsum(0.5 * (rate_hz[1:] + rate_hz[:-1])) / sample_rate_hz])


def _continued(times: FloatArray, mid_s: FloatArray, values: FloatArray) -> FloatArray:
    """Interpolated, and beyond the ends continued as straight lines."""
    if mid_s.size < 4:
        return np.interp(times, mid_s, values)
    before = values[0] + (times - mid_s[0]) * (values[2] - values[0]) / (mid_s[2] - mid_s[0])
    after = values[-1] + (times - mid_s[-1]) * (values[-1] - values[-3]) / (mid_s[-1] - mid_s[-3])
    inside = np.interp(times, mid_s, values)
    return np.where(times < mid_s[0], before, np.where(times > mid_s[-1], after, inside))


def _smooth(values: FloatArray) -> FloatArray:
    if values.size < 5:
        return values
    ends = 2.0 * values[0] - values[[2, 1]], 2.0 * values[-1] - values[[-2, -3]]
    padded = np.concatenate([ends[0], values, ends[1]])
    return np.convolve(padded, [0.1, 0.2, 0.4, 0.2, 0.1], mode="valid")

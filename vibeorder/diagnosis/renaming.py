"""One line followed once, called by every name that it may bear: any source, any gears that explain its jumps.

Of many courses that differ by their names alone a dynamic programme returns one. So the lines that were followed are
taken as they ran, and named again: a road part explains a line that never jumps; an engine part explains jumps by
gears of just that ratio, for the wheel's rate is continuous. Each line is also read as its folded images.
"""

from collections.abc import Iterator, Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.pursuit import Pursued, Pursuit
from vibeorder.diagnosis.ridge import CELL, SLOPES
from vibeorder.diagnosis.signal import folded

__all__ = ["multiples_of", "renamed"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

MOST_TRACKS = 6
SAME_TRACK, SAME_SHARE = 0.012, 0.95
"""Tracks nearer than this in ln(frequency), for so much of the time, are one."""

SHORTEST_RUN = 4
"""Frames in a gear below which a track is taken for a slip of the tracking."""

JUMP_TOLERANCE = 0.035
"""How far a jump may be off the ratio of two gears, in ln: cells, and the slopes on either side."""

BENDS_FRAMES, STEEPEST = 3.0, 0.1
"""Frames about a change that are not trusted, and the steepest slope of a drive in ln a second."""

TOUCHES_HZ = 4.0
"""A line that comes this near to half the sample rate may have crossed it, or turned back there."""

AWAY_COST = 0.5
"""Log odds, a cell, against a line's moving beside the course that its image had, from one frame to the next."""

CROSSED_COARSER = 4.0
"""A line that turned back short of half the sample rate, where nothing is seen, is known so many times less closely as
one that went through."""

MOST_EDGES = 3
INSIDE = 0.95
"""Share of the frames in which a name's rates must lie in the range of rates that are looked at."""


def multiples_of(pursuit: Pursuit, one: Pursued) -> FloatArray:
    """Anchor line turns per wheel turn at the frames."""
    multiple = pursuit.candidates[one.anchor].multiple
    if pursuit.candidates[one.anchor].basis == "wheel" or pursuit.per_wheel is None:
        return np.full(one.cell.size, multiple)
    return np.asarray(multiple * pursuit.per_wheel[one.gear], float)


def renamed(pursuit: Pursuit, found: Sequence[Pursued]) -> list[Pursued]:
    """Every other name of the lines that stand out most."""
    out: list[Pursued] = []
    for log_f, anchored, changes, coarser in _tracks(pursuit, found):
        for anchor in pursuit.anchors():
            candidate = pursuit.candidates[anchor]
            own = log_f - float(np.log(candidate.multiple))
            if candidate.basis == "wheel":
                if not changes:
                    out += _as_pursued(pursuit, anchor, own, None, anchored, coarser)
                continue
            for gear in _gears(pursuit, own, changes):
                assert pursuit.per_wheel is not None
                rate = _mended(own - np.log(pursuit.per_wheel[gear]), changes)
                out += _as_pursued(pursuit, anchor, rate, gear, anchored, coarser)
    return out


def _tracks(
    pursuit: Pursuit, found: Sequence[Pursued]
) -> list[tuple[FloatArray, FloatArray, tuple[int, ...], float]]:
    """ln of the true frequency, evidence, frames of the jumps, and how many times as wide a cell the line was followed
    with, of the lines that stand out; images after each."""
    kept: list[tuple[FloatArray, FloatArray, tuple[int, ...], float]] = []
    rate_hz, followed = 2.0 * pursuit.nyquist_hz, 0
    for one in sorted(found, key=lambda p: -float(p.anchored.sum())):
        changes = tuple((np.flatnonzero(np.diff(one.gear)) + 1).tolist())
        if np.min(np.diff([0, *changes, one.gear.size])) < SHORTEST_RUN:
            continue
        frequency = pursuit.rates_hz[one.cell] * multiples_of(pursuit, one)
        seen = folded(frequency, rate_hz)
        if any(_alike(seen, folded(np.exp(f), rate_hz), changes, c) for f, _, c, _ in kept):
            continue
        images = _images(frequency, seen, rate_hz, changes)
        low, high = pursuit.table.cells[[0, -1]]
        inside = [(f, known) for f, known in images if f.min() > low and f.max() < high]
        kept += [
            (np.log(f), one.anchored, changes, max(known, float((frequency / f).max())))
            for f, known in inside
        ]
        followed += 1
        if followed == MOST_TRACKS:
            break
    return kept


def _images(
    frequency: FloatArray, seen: FloatArray, rate_hz: float, changes: tuple[int, ...]
) -> Iterator[tuple[FloatArray, float]]:
    """True frequencies that show as this one does: each side of a jump, or of half the sample rate, may be folded; and
    how many times less closely they are known."""
    near = np.flatnonzero(seen > 0.5 * rate_hz - TOUCHES_HZ)
    touches = [
        int(run[np.argmax(seen[run])])
        for run in np.split(near, np.flatnonzero(np.diff(near) > 1) + 1)
        if run.size
    ]
    edges = sorted({*changes, *(t for t in touches if 0 < t < seen.size - 1)})[:MOST_EDGES]
    for folds in product((False, True), repeat=len(edges) + 1):
        fold = np.repeat(folds, np.diff([0, *edges, seen.size]))
        image = np.where(fold, np.abs(rate_hz - frequency), frequency)
        crossed = tuple(t for i, t in enumerate(edges) if t not in changes and folds[i] != folds[i + 1])
        yield (_mended(image, crossed), CROSSED_COARSER) if crossed else (image, 1.0)
    yield rate_hz + frequency, 1.0


def _alike(a: FloatArray, b: FloatArray, changes: tuple[int, ...], others: tuple[int, ...]) -> bool:
    near = np.mean(np.abs(np.log(a / b)) < SAME_TRACK) > SAME_SHARE
    return bool(near) and len(changes) == len(others)


def _gears(pursuit: Pursuit, log_rate: FloatArray, changes: tuple[int, ...]) -> Iterator[IntArray]:
    """Courses of gears that make the engine's rate a continuous rate of the wheel."""
    if pursuit.per_wheel is None:
        return
    log_gear = np.log(pursuit.per_wheel)
    edges = [*changes, log_rate.size]
    bounds = [0, *edges]
    jumps = [_jump(log_rate, t, bounds[i], bounds[i + 2]) for i, t in enumerate(changes)]

    def onward(gears: list[int]) -> Iterator[list[int]]:
        if len(gears) == len(edges):
            yield gears
            return
        wanted = log_gear[gears[-1]] + jumps[len(gears) - 1]
        for g in np.flatnonzero(np.abs(log_gear - wanted) < JUMP_TOLERANCE):
            yield from onward([*gears, int(g)])

    for first in range(log_gear.size):
        for gears in onward([first]):
            yield np.repeat(np.array(gears, np.intp), np.diff([0, *edges]))


def _jump(values: FloatArray, t: int, first: int, last: int) -> float:
    """Step at frame t between runs [first, t) and [t, last), both continued straight to between its frames.

    A course with a gear of another ratio bends over to it within a few frames of the change; those are left out.
    """
    sides = []
    for frames in (np.arange(max(first, t - 7), t), np.arange(t, min(last, t + 7))):
        away = frames[np.abs(frames - t + 0.5) > BENDS_FRAMES]
        use = away if away.size >= 3 else frames
        slope, level = np.polyfit(use - t + 0.5, values[use], 1)
        sides.append(float(level) if abs(slope) < STEEPEST else float(values[use].mean()))
    return sides[1] - sides[0]


def _mended(course: FloatArray, changes: tuple[int, ...]) -> FloatArray:
    """A course with the frames next to each change drawn straight from those beside them."""
    frames = np.arange(course.size)
    near = np.zeros(course.size, bool)
    for t in changes:
        near |= np.abs(frames - t + 0.5) < BENDS_FRAMES
    return np.interp(frames, frames[~near], course[~near])


def _as_pursued(
    pursuit: Pursuit,
    anchor: int,
    log_rate: FloatArray,
    gear: IntArray | None,
    anchored: FloatArray,
    coarser: float,
) -> list[Pursued]:
    """The naming as a course on the grid, with what the other lines say of it; none where it lies outside.

    coarser: cells of the track as followed over those of its image: where more than one, the line is looked for again.
    """
    at = np.round((log_rate - np.log(pursuit.rates_hz[0])) / CELL)
    if np.mean((at >= 0) & (at < pursuit.rates_hz.size)) < INSIDE:
        return []
    cell = np.clip(at, 0, pursuit.rates_hz.size - 1).astype(np.intp)
    if coarser > 1.0:
        cell, anchored = _onto_line(pursuit, anchor, cell, gear, int(np.ceil(0.5 * coarser)) + 1)
        at = cell.astype(float)
    slope = np.clip(np.round(np.gradient(at)), SLOPES[0], SLOPES[-1]).astype(np.intp)
    votes = pursuit.votes_along(anchor, cell, slope, gear)
    shown = np.full(cell.size, -1, np.intp) if gear is None else gear
    return [Pursued(anchor, cell, shown, slope, anchored, float(anchored.sum()) + votes)]


def _onto_line(
    pursuit: Pursuit, anchor: int, cell: IntArray, gear: IntArray | None, reach: int
) -> tuple[IntArray, FloatArray]:
    """A course brought onto its line, which may lie up to `reach` cells beside it, and the line's evidence there.

    A line followed as its image far up is known to a cell of there, which is many down here.
    """
    multiple = pursuit.candidates[anchor].multiple
    away = np.arange(-reach, reach + 1)
    frame = np.arange(cell.size)
    wanted = cell[:, None] + away
    inside = (wanted >= 0) & (wanted < pursuit.rates_hz.size)
    where = np.clip(wanted, 0, pursuit.rates_hz.size - 1)
    score = np.zeros(wanted.shape)
    for g in (None,) if gear is None or pursuit.per_wheel is None else np.unique(gear).tolist():
        ratio = 1.0 if g is None or pursuit.per_wheel is None else float(pursuit.per_wheel[g])
        own = pursuit.at(multiple * ratio).max(axis=1)
        here = np.ones(cell.size, bool) if g is None else gear == g
        score[here] = own[frame[here, None], where[here]]
    score = np.where(inside, score, 0.0)
    moves = AWAY_COST * np.abs(away[:, None] - away)
    total, back = score[0], np.zeros(score.shape, np.intp)
    for t in range(1, cell.size):
        reached = total[:, None] - moves
        back[t] = reached.argmax(axis=0)
        total = reached[back[t], np.arange(away.size)] + score[t]
    at = np.empty(cell.size, np.intp)
    at[-1] = int(total.argmax())
    for t in range(cell.size - 1, 0, -1):
        at[t - 1] = back[t, at[t]]
    return where[frame, at], score[frame, at]

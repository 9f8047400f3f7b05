"""The wheel's rate pursued through a recording without a speed, once for every source that may be the strongest.

In ln(rate) every line of a vehicle is the same table of evidence, moved by the logarithm of its multiple; so one
dynamic programme over (rate, slope, gear) follows all lines of the vehicle at once. The source that is taken for
the strongest, the anchor, has its full evidence, the others a bounded vote. The road's rate is continuous; a
change of gear moves the engine's lines alone, by ratios that the profile knows; above half the sample rate
each line is read in the zone where its rate puts it. So a lost line, a shift and a fold need no care of their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.ridge import SLOPES, LineTable

__all__ = ["Pursued", "Pursuit"]

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]
IntArray = NDArray[np.intp]

VOTE_CAP = 4.0
"""Most that a line which is not the anchor says in one frame."""

BEND = (0.0, 1.2, 3.5)
"""Cost of changing the slope by 0, 1, 2 cells from frame to frame."""

SHIFT_BARRIER = 12.0
"""What a change of gear must gain in the frames, which overlap: one hump of noise fills three of them."""

GEAR_MEMORY_S = 25.0
"""A gear's prior counts once for every so many seconds that it is held."""

MOST_ENDS, END_CELLS, HOPELESS_END = 2, 12, 150.0
"""Courses kept for each gear at the end, how many cells apart they end, and how much worse the others may be."""

ONE_RATE = 1e-3
NEVER = np.float32(-1e9)
DISTINCT = 0.012
"""Multiples nearer than this, in ln, have one vote together."""

IN_SKIRT = 0.04
"""Lines nearer than this to the anchor's, in ln, have no vote beside it: it would be the skirt's of the strong line."""


@dataclass(frozen=True, slots=True)
class Pursued:
    """The best course with one source as its anchor.

    anchor: candidate. cell: of the rate grid, at the frames; gear: index of the gear, or -1 [shape (frames,)].
    slope: in cells a frame. anchored: the anchor's own evidence, frame by frame. total: log evidence of the course.
    """

    anchor: int
    cell: IntArray
    gear: IntArray
    slope: IntArray
    anchored: FloatArray
    total: float


class Pursuit:
    """One recording's table, ready to be followed from any anchor.

    rates_hz: grid of wheel rates, CELL apart in ln. per_wheel: engine turns per wheel turn of each gear that
    may be in use, or None. gear_log_prior: [shape (frames or 1, cells, gears)]; kept as its share of one frame.
    leading: only the first so many candidates may be followed, or all.
    """

    def __init__(
        self,
        table: LineTable,
        candidates: Sequence[Candidate],
        rates_hz: FloatArray,
        per_wheel: FloatArray | None,
        gear_log_prior: FloatArray,
        leading: int | None = None,
    ) -> None:
        self.table, self.candidates, self.rates_hz = table, candidates, rates_hz
        self._leading = len(candidates) if leading is None else leading
        self.combs = self._leading < len(candidates)
        self.nyquist_hz = 0.5 * table.rate_hz
        self.per_wheel = per_wheel if per_wheel is not None and per_wheel.size else None
        self.gear_log_prior = (gear_log_prior / self.memory(table)).astype(np.float32)
        self._idle = float(np.clip(table.score[:, table.readable], 0.0, VOTE_CAP).mean())
        road = [c.multiple for c in candidates if c.basis == "wheel"]
        engine = [c.multiple for c in candidates if c.basis == "engine" and not c.slack]
        gears = (None,) if self.per_wheel is None else self.per_wheel
        self.lines = [_distinct([*road, *(m * g for m in engine if g is not None)]) for g in gears]
        self.votes = [self._votes(multiples) for multiples in self.lines]

    @staticmethod
    def memory(table: LineTable) -> float:
        """Frames for which a gear is held before its prior counts again."""
        return min(GEAR_MEMORY_S, float(table.score.shape[0]))

    def gear_prior_along(self, cell: IntArray) -> FloatArray:
        """Log prior of each gear in each frame of a course [shape (frames, gears)]."""
        frame = np.arange(cell.size) if self.gear_log_prior.shape[0] > 1 else np.zeros(cell.size, np.intp)
        return self.gear_log_prior[frame, cell].astype(float)

    def at(self, multiple: float) -> F32:
        """Evidence of a line of that multiple at every rate [shape (frames, cells, slopes)]."""
        first = int(self.table.index(np.array([self.rates_hz[0] * multiple]))[0])
        count = self.rates_hz.size
        low, high = max(first, 0), min(first + count, self.table.cells.size)
        out = np.zeros((self.table.score.shape[0], count, SLOPES.size), np.float32)
        if high > low:
            out[:, low - first : high - first] = self.table.score[:, low:high]
        return out

    def _readable(self, multiple: float) -> F32:
        """1 at the rates at which a line of that multiple can be read, else 0 [shape (cells, 1)]."""
        at = self.table.index(self.rates_hz * multiple)
        inside = (at >= 0) & (at < self.table.cells.size)
        there = self.table.readable[np.clip(at, 0, self.table.cells.size - 1)] & inside
        return there.astype(np.float32)[:, None]

    def anchors(self) -> list[int]:
        """Candidates that may be followed, one of those that run at one rate whatever the drive."""
        found: list[int] = []
        for k, c in enumerate(self.candidates[: self._leading]):
            alike = (self.candidates[i] for i in found)
            known = c.basis == "wheel" or self.per_wheel is not None
            if known and not any(
                a.basis == c.basis and abs(a.multiple / c.multiple - 1.0) < ONE_RATE for a in alike
            ):
                found.append(k)
        return found

    def votes_along(self, anchor: int, cell: IntArray, slope: IntArray, gear: IntArray | None) -> float:
        """What all lines but the anchor's say of a course, with the prior of its gears."""
        frame, at = np.arange(cell.size), slope - int(SLOPES[0])
        multiple = self.candidates[anchor].multiple
        prior = self.gear_prior_along(cell) if self.per_wheel is not None else np.zeros((cell.size, 1))
        per_gear = []
        for g in range(len(self.votes)) if gear is None else np.unique(gear).tolist():
            ratio = 1.0 if gear is None or self.per_wheel is None else float(self.per_wheel[g])
            votes = self.votes[g][frame, cell, at].astype(float)
            for mine in self._mine(g, multiple * ratio):
                votes -= self._vote_along(mine, cell, at)
            per_gear.append(np.where(True if gear is None else gear == g, votes + prior[:, g], -np.inf))
        return float(np.max(per_gear, axis=0).sum())

    def _vote_along(self, multiple: float, cell: IntArray, at: IntArray) -> FloatArray:
        """One line's vote in each frame of a course; at: index of the slope."""
        where = int(self.table.index(np.array([self.rates_hz[0] * multiple]))[0]) + cell
        inside = (where >= 0) & (where < self.table.cells.size)
        where = np.clip(where, 0, self.table.cells.size - 1)
        vote = np.clip(self.table.score[np.arange(cell.size), where, at], 0.0, VOTE_CAP)
        return np.asarray(np.where(inside, vote - self._idle * self.table.readable[where], 0.0), float)

    def follow(self, anchor: int) -> list[Pursued]:
        """The best courses on which candidate `anchor` is the strongest line: a few for each gear at the end."""
        candidate = self.candidates[anchor]
        if candidate.basis == "wheel":
            own = [self.at(candidate.multiple)]
            others = [self._others(i, candidate.multiple) + self._prior(i) for i in range(len(self.votes))]
            together = [own[0] + np.maximum.reduce(others)]
        else:
            assert self.per_wheel is not None
            multiples = candidate.multiple * self.per_wheel
            own = [self.at(float(m)) for m in multiples]
            together = [
                line + self._others(i, float(multiples[i])) + self._prior(i) for i, line in enumerate(own)
            ]
        found = []
        for cell, slope, gear, total in _best_courses(np.stack(together, axis=1)):
            anchored = np.stack(
                [own[g][t, c, s] for t, (g, c, s) in enumerate(zip(gear, cell, slope, strict=True))]
            )
            shown = gear if candidate.basis == "engine" else np.full(cell.size, -1)
            found.append(Pursued(anchor, cell, shown, SLOPES[slope], np.asarray(anchored, float), total))
        return found

    def _prior(self, gear: int) -> F32 | float:
        """One gear's log prior in every frame [shape (frames or 1, cells, 1)]."""
        return self.gear_log_prior[:, :, gear, None] if self.per_wheel is not None else 0.0

    def _others(self, gear: int, multiple: float) -> F32:
        """Votes in one gear of all lines but those that run where the anchor's does."""
        mine = self._mine(gear, multiple)
        return self.votes[gear] - self._votes(mine) if mine.size else self.votes[gear]

    def _mine(self, gear: int, multiple: float) -> FloatArray:
        """Multiples of the lines that run where the anchor's does in one gear, or beside it."""
        lines = self.lines[gear]
        return np.asarray(lines[np.abs(np.log(lines / multiple)) < IN_SKIRT])

    def _votes(self, multiples: FloatArray) -> F32:
        out = np.zeros((self.table.score.shape[0], self.rates_hz.size, SLOPES.size), np.float32)
        for multiple in multiples:
            vote = np.clip(self.at(float(multiple)), 0.0, VOTE_CAP)
            out += vote - np.float32(self._idle) * self._readable(float(multiple))
        return out


def _distinct(multiples: Sequence[float]) -> FloatArray:
    """One of every group of multiples that run on one line."""
    kept: list[float] = []
    for multiple in sorted(multiples):
        if not kept or np.log(multiple / kept[-1]) >= DISTINCT:
            kept.append(multiple)
    return np.array(kept)


def _best_courses(score: F32) -> list[tuple[IntArray, IntArray, IntArray, float]]:
    """Best courses through score [shape (frames, gears, cells, slopes)], a few for each gear in which it may end.

    Each as cells, slopes, gears, total.
    """
    frames, gears, cells, slopes = score.shape
    shifted, inside = _moves(cells, slopes)
    from_slope = np.empty((frames, gears, cells, slopes), np.int8)
    from_gear = np.empty((frames, gears, cells, slopes), np.int8)
    value = score[0]
    for t in range(1, frames):
        bent, source = _bent(value)
        changed = np.zeros(bent.shape, np.int8)
        if gears > 1:
            best = bent.argmax(axis=0)
            there = np.take_along_axis(bent, best[None], axis=0)[0] - np.float32(SHIFT_BARRIER)
            slope_there = np.take_along_axis(source, best[None], axis=0)[0]
            for g in range(gears):
                better = there > bent[g]
                bent[g][better] = there[better]
                source[g][better] = slope_there[better]
                changed[g] = np.where(better, best, g)
        flat = (gears, cells * slopes)
        value = np.where(inside, np.take(bent.reshape(flat), shifted, axis=1), NEVER).reshape(bent.shape)
        from_slope[t] = np.take(source.reshape(flat), shifted, axis=1).reshape(bent.shape)
        from_gear[t] = np.take(changed.reshape(flat), shifted, axis=1).reshape(bent.shape)
        value = value + score[t]
    ends = [(g, c) for g in range(gears) for c in _ends(value[g])]
    return [_traced(value, g, c, from_slope, from_gear) for g, c in ends]


def _ends(value: F32) -> list[int]:
    """Cells in which the best courses end, apart from each other; value: [shape (cells, slopes)]."""
    left = value.max(axis=1)
    found: list[int] = []
    while len(found) < MOST_ENDS and (not found or left.max() > value.max() - HOPELESS_END):
        found.append(int(left.argmax()))
        left[max(0, found[-1] - END_CELLS) : found[-1] + END_CELLS + 1] = NEVER
    return found


def _moves(cells: int, slopes: int) -> tuple[IntArray, NDArray[np.bool_]]:
    """For every (cell, slope), flattened: where it comes from, and whether that lies inside."""
    cell, slope = np.meshgrid(np.arange(cells), np.arange(slopes), indexing="ij")
    origin = cell - SLOPES[slope]
    inside = (origin >= 0) & (origin < cells)
    return (np.clip(origin, 0, cells - 1) * slopes + slope).ravel(), inside.ravel()


def _bent(value: F32) -> tuple[F32, NDArray[np.int8]]:
    """Best value after the slope may have bent, and the slope that it came from."""
    best = value.copy()
    slopes = value.shape[-1]
    source = np.broadcast_to(np.arange(slopes, dtype=np.int8), value.shape).copy()
    for d in (-2, -1, 1, 2):
        to, at = (slice(d, None), slice(None, -d)) if d > 0 else (slice(None, d), slice(-d, None))
        moved = value[..., at] - np.float32(BEND[abs(d)])
        better = moved > best[..., to]
        np.copyto(best[..., to], moved, where=better)
        np.copyto(source[..., to], np.arange(slopes, dtype=np.int8)[at], where=better)
    return best, source


def _traced(
    value: F32, last: int, end: int, from_slope: NDArray[np.int8], from_gear: NDArray[np.int8]
) -> tuple[IntArray, IntArray, IntArray, float]:
    frames = from_slope.shape[0]
    cell, slope, gear = (np.zeros(frames, np.intp) for _ in range(3))
    gear[-1], cell[-1], slope[-1] = last, end, int(value[last, end].argmax())
    for t in range(frames - 1, 0, -1):
        g, c, s = gear[t], cell[t], slope[t]
        gear[t - 1], slope[t - 1] = from_gear[t, g, c, s], from_slope[t, g, c, s]
        cell[t - 1] = c - SLOPES[s]
    return cell, slope, gear, float(value[last, end].max())

"""The wheel's rate pursued through a recording without a speed, once for every source that may be the strongest.

In ln(rate) every line of a vehicle is the same table of evidence, moved by the logarithm of its multiple; so one
dynamic programme over (rate, slope, gear) follows all lines of the vehicle at once. The source that is taken for
the strongest, the anchor, has its full evidence, the others a bounded vote. The road's rate is continuous; a
change of gear moves the engine's lines alone, by ratios that the profile knows; above half the sample rate
each line is read in the zone where its rate puts it. So a lost line, a shift and a fold need no care of their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.ridge import SLOPES, LineTable
from vibeorder.spectrum.middle import within

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
        self.combs = any(c.leads for c in candidates[self._leading :])
        self.nyquist_hz = 0.5 * table.rate_hz
        self.per_wheel = per_wheel if per_wheel is not None and per_wheel.size else None
        self.gear_log_prior = (gear_log_prior / self.memory(table)).astype(np.float32)
        self._vote = np.clip(table.score, 0.0, VOTE_CAP)
        self._vote -= self._vote[:, :, table.readable].mean() * table.readable.astype(np.float32)
        guiding = [c for c in candidates if c.guides]
        road = [c.multiple for c in guiding if c.basis == "wheel"]
        engine = [c.multiple for c in guiding if c.basis == "engine" and not c.slack]
        gears = (None,) if self.per_wheel is None else self.per_wheel
        self.lines = [_distinct([*road, *(m * g for m in engine if g is not None)]) for g in gears]
        self.votes = self._votes_by_gear()
        self._liveliest: dict[tuple[int, ...], F32] = {}

    @staticmethod
    def memory(table: LineTable) -> float:
        """Frames for which a gear is held before its prior counts again."""
        return min(GEAR_MEMORY_S, float(table.score.shape[0]))

    def gear_prior_along(self, cell: IntArray) -> FloatArray:
        """Log prior of each gear in each frame of a course [shape (frames, gears)]."""
        frame = np.arange(cell.size) if self.gear_log_prior.shape[0] > 1 else np.zeros(cell.size, np.intp)
        return self.gear_log_prior[frame, cell].astype(float)

    def at(self, multiple: float) -> F32:
        """Evidence of a line of that multiple at every rate [shape (frames, slopes, cells)]."""
        out = np.zeros((self.table.score.shape[0], SLOPES.size, self.rates_hz.size), np.float32)
        rates, places = self._run(multiple)
        out[:, :, rates] = self.table.score[:, :, places]
        return out

    def _run(self, multiple: float) -> tuple[slice, slice]:
        """The rates at which a line of that multiple lies in the table, and the table's cells there."""
        first = int(self.table.index(np.array([self.rates_hz[0] * multiple]))[0])
        low = max(first, 0)
        high = max(min(first + self.rates_hz.size, self.table.cells.size), low)
        return slice(low - first, high - first), slice(low, high)

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
            votes = self.votes[g][frame, at, cell].astype(float)
            for mine in self._mine(g, multiple * ratio):
                votes -= self._along(self._vote, np.array([mine]), cell, at)
            per_gear.append(np.where(True if gear is None else gear == g, votes + prior[:, g], -np.inf))
        return float(np.max(per_gear, axis=0).sum())

    def evidence_along(self, multiple: FloatArray, cell: IntArray, slope: IntArray) -> FloatArray:
        """Evidence of a line so many times the wheel's rate in each frame of a course; slope: in cells a frame."""
        return self._along(self.table.score, multiple, cell, slope - int(SLOPES[0]))

    def _along(self, values: F32, multiple: FloatArray, cell: IntArray, at: IntArray) -> FloatArray:
        """Values [of the table's shape] for a line in each frame of a course; at: index of the slope.

        multiple: of the line [shape (frames,), or (1,) for all].
        """
        where = self.table.index(self.rates_hz[0] * multiple) + cell
        inside = (where >= 0) & (where < self.table.cells.size)
        found = values[np.arange(cell.size), at, within(where, 0, self.table.cells.size - 1)]
        return np.asarray(np.where(inside, found, 0.0), float)

    def follow(self, anchor: int) -> list[Pursued]:
        """The best courses on which candidate `anchor` is the strongest line: a few for each gear at the end."""
        candidate = self.candidates[anchor]
        if candidate.basis == "wheel":
            multiples = np.array([candidate.multiple])
            together = self._beside_road(candidate.multiple)[:, None]
        else:
            assert self.per_wheel is not None
            multiples = candidate.multiple * self.per_wheel
            others = [self._others(g, float(m)) + self._prior(g) for g, m in enumerate(multiples)]
            together = np.stack(others, axis=1)
        for g, multiple in enumerate(multiples):
            rates, places = self._run(float(multiple))
            together[:, g, :, rates] += self.table.score[:, :, places]
        found = []
        for cell, slope, gear, total in _best_courses(together):
            anchored = self._along(self.table.score, multiples[gear], cell, slope)
            shown = gear if candidate.basis == "engine" else np.full(cell.size, -1)
            found.append(Pursued(anchor, cell, shown, SLOPES[slope], anchored, total))
        return found

    def _beside_road(self, multiple: float) -> F32:
        """Votes of all lines but a road line's own, in the gear that has most [shape (frames, slopes, cells)]."""
        alike: dict[bytes, list[int]] = {}
        for g in range(len(self.votes)):
            alike.setdefault(self._mine(g, multiple).tobytes(), []).append(g)
        votes = [
            self._most(tuple(gears)) - self._votes(self._mine(gears[0], multiple)) for gears in alike.values()
        ]
        return np.asarray(np.maximum.reduce(votes))

    def _most(self, gears: tuple[int, ...]) -> F32:
        """The most votes and log prior that any of these gears has, kept for all road lines."""
        if gears not in self._liveliest:
            most = self.votes[gears[0]] + self._prior(gears[0])
            for g in gears[1:]:
                np.maximum(most, self.votes[g] + self._prior(g), out=most)
            self._liveliest[gears] = most
        return self._liveliest[gears]

    def _prior(self, gear: int) -> F32 | float:
        """One gear's log prior in every frame [shape (frames or 1, 1, cells)]."""
        return self.gear_log_prior[:, None, :, gear] if self.per_wheel is not None else 0.0

    def _others(self, gear: int, multiple: float) -> F32:
        """Votes in one gear of all lines but those that run where the anchor's does."""
        mine = self._mine(gear, multiple)
        return self.votes[gear] - self._votes(mine) if mine.size else self.votes[gear]

    def _mine(self, gear: int, multiple: float) -> FloatArray:
        """Multiples of the lines that run where the anchor's does in one gear, or beside it."""
        lines = self.lines[gear]
        return np.asarray(lines[np.abs(np.log(lines / multiple)) < IN_SKIRT])

    def _votes_by_gear(self) -> list[F32]:
        """Votes of all lines in each gear; those that run alike in all of them are summed once."""
        common = set.intersection(*(set(lines.tolist()) for lines in self.lines))
        road = self._votes(np.array(sorted(common)))
        return [road + self._votes(np.array([m for m in own if m not in common])) for own in self.lines]

    def _votes(self, multiples: FloatArray) -> F32:
        out = np.zeros((self.table.score.shape[0], SLOPES.size, self.rates_hz.size), np.float32)
        for multiple in multiples:
            rates, places = self._run(float(multiple))
            out[:, :, rates] += self._vote[:, :, places]
        return out


def _distinct(multiples: Sequence[float]) -> FloatArray:
    """One of every group of multiples that run on one line."""
    kept: list[float] = []
    for multiple in sorted(multiples):
        if not kept or np.log(multiple / kept[-1]) >= DISTINCT:
            kept.append(multiple)
    return np.array(kept)


def _best_courses(score: F32) -> list[tuple[IntArray, IntArray, IntArray, float]]:
    """Best courses through score [shape (frames, gears, slopes, cells)], a few for each gear in which it may end.

    Each as cells, slopes, gears, total. `score` is changed: it comes to hold the best value of every state.
    """
    frames, gears, slopes, cells = score.shape
    edge = int(SLOPES[-1])
    wide = np.full((gears, slopes, cells + 2 * edge), NEVER)
    middle = wide[:, :, edge : edge + cells]
    moved = _moved(wide, cells)
    for t in range(1, frames):
        bent = _bent(score[t - 1])
        if gears > 1:
            bent = np.maximum(bent, bent.max(axis=0) - np.float32(SHIFT_BARRIER))
        middle[...] = bent
        score[t] += moved
    ends = [(g, c) for g in range(gears) for c in _ends(score[-1, g])]
    return [_traced(score, g, c) for g, c in ends]


def _ends(value: F32) -> list[int]:
    """Cells in which the best courses end, apart from each other; value: [shape (slopes, cells)]."""
    left = value.max(axis=0)
    found: list[int] = []
    while len(found) < MOST_ENDS and (not found or left.max() > value.max() - HOPELESS_END):
        found.append(int(left.argmax()))
        left[max(0, found[-1] - END_CELLS) : found[-1] + END_CELLS + 1] = NEVER
    return found


def _moved(wide: F32, cells: int) -> F32:
    """A view of every (slope, cell) at the cell that it came from [shape (gears, slopes, cells)].

    wide: with as many cells more at either end as the steepest slope moves by. One slope more moves by one cell more,
    so that in memory the origins of a slope begin one short of a row after those of the slope before.
    """
    gear, row, one = wide.strides
    steepest = int(SLOPES[-1])
    shape = (wide.shape[0], wide.shape[1], cells)
    start = wide[:, :, 2 * steepest :]
    return np.lib.stride_tricks.as_strided(start, shape, (gear, row - one, one), writeable=False)


def _bent(value: F32) -> F32:
    """Best value after the slope may have bent [shape (gears, slopes, cells)]."""
    best = value.copy()
    for d, cost in enumerate(BEND[1:], start=1):
        dear = value - np.float32(cost)
        np.maximum(best[:, :-d], dear[:, d:], out=best[:, :-d])
        np.maximum(best[:, d:], dear[:, :-d], out=best[:, d:])
    return best


def _traced(value: F32, last: int, end: int) -> tuple[IntArray, IntArray, IntArray, float]:
    """The course that ends in one gear and cell. value: the best of every state [shape (frames, gears, slopes, cells)].

    Where each state came from is asked along the course only: to keep it for all costs more than all the rest.
    """
    frames = value.shape[0]
    cell, slope, gear = (np.zeros(frames, np.intp) for _ in range(3))
    gear[-1], cell[-1], slope[-1] = last, end, int(value[-1, last, :, end].argmax())
    for t in range(frames - 1, 0, -1):
        cell[t - 1] = cell[t] - SLOPES[slope[t]]
        gear[t - 1], slope[t - 1] = _origin(value[t - 1, :, :, cell[t - 1]], int(gear[t]), int(slope[t]))
    return cell, slope, gear, float(value[-1, last, :, end].max())


@lru_cache(maxsize=64)
def _before(slope: int, slopes: int) -> tuple[list[int], F32]:
    """Slopes that may come before one, and what each bend costs."""
    near = [s for s in (slope + d for d in (0, 2, 1, -1, -2)) if 0 <= s < slopes]
    return near, np.array([BEND[abs(s - slope)] for s in near], np.float32)


def _origin(value: F32, gear: int, slope: int) -> tuple[int, int]:
    """Gear and slope from which a state came; value: in its cell, a frame before [shape (gears, slopes)]."""
    near, cost = _before(slope, value.shape[1])
    bent = value[:, near] - cost
    best = bent.max(axis=1)
    before = int(best.argmax())
    if not best[before] - np.float32(SHIFT_BARRIER) > best[gear]:
        before = gear
    return before, near[int(bent[before].argmax())]

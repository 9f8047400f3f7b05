"""What short frames say of a line along a course, on the same footing for every line: the strong one and the others.

A line read in blocks is worth what its likelihood in them is, which saturates and loses by mistracking; followed
through frames it is worth the sum of their bounded evidence. Were the strongest line alone given the latter, a course
would gain by jumping from one strong line to another and calling both one.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked
from vibeorder.diagnosis.colour import FRAME_S
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.namings import ANCHOR_SHARE, Naming
from vibeorder.diagnosis.ridge import CELL, SLOPES, LineTable, bounded_evidence
from vibeorder.diagnosis.signal import folded
from vibeorder.spectrum.middle import within

__all__ = ["CLEAR_FROM", "CLEAR_OF_STRONG_HZ", "Frames", "vouched_best"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

TIMES, BESIDE = 8.0, 30.0
"""How much more than its reading in blocks a line may get from its frames: more, and its course runs beside it."""

CLEAR_FROM = 12.0
"""Log evidence in blocks from which a line beside the strong one is clear enough for its frames to speak."""

OFF_CELLS = 1
"""How many cells a locked course may run beside a line of its table."""

BLOCK_TIMES, BLOCK_BESIDE = 2.0, 1.0
"""How much more than its nearest block has a frame of the strong line may say: where a smooth course holds no line, a
frame's best cell beside it is noise that was looked for; and where a lock has slipped, the line is another's."""

CLEAR_OF_STRONG_HZ = 1.5
"""Nearer than this to the strong line nothing is read of another: its skirt, and what is left of it, are there."""


LOBE_HZ = 2.0 / FRAME_S
"""Half width of a line in a frame: its window's main lobe (Harris 1978)."""


class Frames:
    """The frames of one naming, and which block lies nearest to each."""

    def __init__(self, table: LineTable, naming: Naming, mid_s: FloatArray) -> None:
        self._table, self._rate_hz = table, naming.rate_hz
        self._strong_hz = folded(naming.line_hz(table.rate_hz), table.rate_hz)
        self._nearest: IntArray = np.abs(naming.frame_s[:, None] - mid_s).argmin(axis=1)
        slope = (
            np.round(np.gradient(np.log(naming.rate_hz)) / CELL) if naming.rate_hz.size > 1 else np.zeros(1)
        )
        self._slope = np.clip(slope, SLOPES[0], SLOPES[-1]).astype(np.intp) - int(SLOPES[0])

    def of_line(self, multiple: FloatArray, line: Tracked, held: FloatArray) -> float:
        """Bounded evidence of a line beside the strong one.

        multiple: line turns per wheel turn [shape (frames,)]. held: 0 for blocks left out beside a change of gear:
        frames there, being shorter, may count [shape (blocks,)].
        """
        used = ((line.weight > 0) | (held == 0.0))[self._nearest]
        return ANCHOR_SHARE * float((self.score(multiple) * used * self._clear(multiple)).sum())

    def _clear(self, multiple: FloatArray) -> NDArray[np.bool_]:
        """Frames in which what is read of a line, in a cell and those beside it, is out of the strong line's reach."""
        line_hz = self._rate_hz * multiple
        apart = np.abs(folded(line_hz, self._table.rate_hz) - self._strong_hz)
        return np.asarray(apart > LOBE_HZ + (OFF_CELLS + 0.5) * CELL * line_hz)

    def score(self, multiple: FloatArray) -> FloatArray:
        """Bounded evidence in every frame of a line so many times the wheel's rate [shape (frames,)]."""
        table, frame = self._table, np.arange(self._rate_hz.size)
        at = table.index(self._rate_hz * multiple)
        best = np.full(at.size, -np.inf)
        for off in range(-OFF_CELLS, OFF_CELLS + 1):
            where = at + off
            inside = (where >= 0) & (where < table.cells.size)
            score = table.score[frame, self._slope, within(where, 0, table.cells.size - 1)]
            best = np.maximum(best, np.where(inside, score, 0.0))
        return best

    def gears(self, multiples: Sequence[float], per_wheel: FloatArray, strong: Tracked) -> FloatArray:
        """Summed evidence of the engine's lines in every gear, where clear of the strong line [shape (gears, frames)].

        multiples: line turns per engine turn.
        """
        strong_hz = folded(strong.frequency_hz, self._table.rate_hz)[self._nearest]
        total = np.zeros((per_wheel.size, self._rate_hz.size))
        for g, ratio in enumerate(per_wheel):
            for multiple in multiples:
                seen = folded(self._rate_hz * multiple * ratio, self._table.rate_hz)
                clear = np.abs(seen - strong_hz) > CLEAR_OF_STRONG_HZ
                total[g] += np.maximum(self.score(np.full(seen.size, multiple * ratio)), 0.0) * clear
        return total

    def of_anchor(self, anchored: FloatArray, line: Tracked) -> float:
        """The strong line's bounded evidence, no frame's more than its block bears out."""
        block = bounded_evidence(line.power.astype(np.float32), line.raw.shape[0])[self._nearest]
        borne_out = np.minimum(anchored, np.maximum(block, 0.0) * BLOCK_TIMES + BLOCK_BESIDE)
        return ANCHOR_SHARE * float(np.where(line.weight[self._nearest] > 0, borne_out, anchored).sum())


def vouched_best(reading: Reading, in_frames: float) -> float:
    """Log evidence of a line: its frames', where its reading in blocks bears them out."""
    return min(in_frames, TIMES * reading.best + BESIDE)

"""What short frames say of a line along a course, on the same footing for every line: the strong one and the others.

A line read in blocks is worth what its likelihood in them is, which saturates and loses by mistracking; followed
through frames it is worth the sum of their bounded evidence. Were the strongest line alone given the latter, a course
would gain by jumping from one strong line to another and calling both one.
"""

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.namings import ANCHOR_SHARE, Naming
from vibeorder.diagnosis.ridge import CELL, SLOPES, LineTable, bounded_evidence

__all__ = ["Frames", "vouched_best"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

TIMES, BESIDE = 4.0, 30.0
"""How much more than its reading in blocks a line may get from its frames: more, and its course runs beside it."""

CLEAR_FROM = 12.0
"""Log evidence in blocks from which a line beside the strong one is clear enough for its frames to speak."""

OFF_CELLS = 1
"""How many cells a locked course may run beside a line of its table."""

BLOCK_TIMES, BLOCK_BESIDE = 2.0, 1.0
"""How much more than its nearest block has a frame may say: where a smooth course holds no line, a frame's best cell
beside it is noise that was looked for."""


class Frames:
    """The frames of one naming, and which block lies nearest to each."""

    def __init__(self, table: LineTable, naming: Naming, mid_s: FloatArray) -> None:
        self._table, self._rate_hz = table, naming.rate_hz
        self._nearest: IntArray = np.abs(naming.frame_s[:, None] - mid_s).argmin(axis=1)
        slope = (
            np.round(np.gradient(np.log(naming.rate_hz)) / CELL) if naming.rate_hz.size > 1 else np.zeros(1)
        )
        self._slope = np.clip(slope, SLOPES[0], SLOPES[-1]).astype(np.intp) - int(SLOPES[0])

    def of_line(self, multiple: FloatArray, line: Tracked) -> float:
        """Bounded evidence of a line beside the strong one; multiple: line turns per wheel turn [shape (frames,)]."""
        table, frame = self._table, np.arange(self._rate_hz.size)
        at = table.index(self._rate_hz * multiple)
        best = np.full(at.size, -np.inf)
        for off in range(-OFF_CELLS, OFF_CELLS + 1):
            where = at + off
            inside = (where >= 0) & (where < table.cells.size)
            score = table.score[frame, np.clip(where, 0, table.cells.size - 1), self._slope]
            best = np.maximum(best, np.where(inside, score, 0.0))
        return self.of_anchor(best * (line.weight[self._nearest] > 0), line)

    def of_anchor(self, anchored: FloatArray, line: Tracked) -> float:
        """The strong line's bounded evidence, no frame's much more than its nearest block bears out."""
        power = (np.abs(line.raw / line.noise) ** 2).sum(axis=0)
        block = bounded_evidence(power.astype(np.float32), line.raw.shape[0])[self._nearest]
        kept = np.where(
            line.weight[self._nearest] > 0,
            np.minimum(anchored, np.maximum(block, 0.0) * BLOCK_TIMES + BLOCK_BESIDE),
            anchored,
        )
        return ANCHOR_SHARE * float(kept.sum())


def vouched_best(reading: Reading, in_frames: float) -> float:
    """Log evidence of a line: its frames', where its reading in blocks bears them out."""
    return min(in_frames, TIMES * reading.best + BESIDE)

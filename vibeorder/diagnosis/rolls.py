"""How far a wheel's lines run off a course that a shaft's or the engine's line led to, where no speed is told.

As in `rolling`, by the phases of a line's blocks: one that runs off its track by some tenths of a percent turns from
block to block by as much as it runs off, while it still stands in every block.
"""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked, TrackReader, likelihoods
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.evidence import OVERLAP_CORRELATION
from vibeorder.diagnosis.locking import in_step
from vibeorder.diagnosis.rolling import MOST_OFF, OWN_SIZE_SD, turns_with_one_wheel
from vibeorder.spectrum.middle import log_spread

__all__ = ["Driven", "Rolls"]

FloatArray = NDArray[np.float64]

STEP = 0.0005
"""Between the sizes tried, relative: at 40 Hz a quarter of a turn within the time over which a line keeps its phase."""

SIZES: FloatArray = np.asarray(STEP * np.arange(-round(MOST_OFF / STEP), round(MOST_OFF / STEP) + 1), float)
"""The sizes tried."""

GAIN_NEEDED = 8.0
"""Log evidence that another size must gain beside its prior: many names are tried, each with many lines."""

MOVES_FROM = 0.15
"""Spread of ln(rate), 5 to 95%, below which no size is sought: at a held speed some size puts a wheel's line on any
other, under any name."""

IN_STEP = 0.4
"""Share of the power of neighbouring blocks that must turn alike before a line is read again on another track."""

OUT_OF_NOISE = 4.0
"""Sd of noise by which the lines that turn with the mean of the driven wheels must keep step, all together, before they
are read again."""


class Rolls:
    """The wheels' own lines on one course."""

    def __init__(
        self, reader: TrackReader, turns: FloatArray, candidates: Sequence[Candidate], anchor: int
    ) -> None:
        """turns: of the wheels, along the course that the anchor's line led to [shape (n,)]."""
        self._reader, self._turns, self._candidates = reader, turns, candidates
        self._at_middles = np.interp(reader.mid_s, np.arange(turns.size) / reader.signal.rate_hz, turns)
        self._free = _moves(self._at_middles) and not turns_with_one_wheel(candidates[anchor])
        self._off: dict[float, float] = {}

    @property
    def log_prior(self) -> float:
        """Of the sizes found so far."""
        return sum(_log_prior(off) for off in self._off.values())

    def read(self, index: int, line: Tracked) -> Tracked:
        """Candidate `index`'s line where it runs: as read on the course, or on its wheel's own track."""
        one = self._candidates[index]
        if not self._free or not turns_with_one_wheel(one):
            return line
        known = self._off.get(one.multiple)
        off = self._asked(one, line) if known is None else known
        moved = self._moved(one, off) if off else line
        if known is None:
            self._off[one.multiple] = off if off and self._gains(line, moved, off) else 0.0
        return moved if self._off[one.multiple] else line

    def _asked(self, one: Candidate, line: Tracked) -> float:
        """The size that the phases ask for; 0 where they keep no step."""
        ahead = (line.y[:, 1:] * line.y[:, :-1].conj()).sum(axis=0)
        advance = one.multiple * np.diff(self._at_middles)
        keeps = in_step(ahead, advance, SIZES)
        best = int(np.argmax(keeps))
        return float(SIZES[best]) if keeps[best] > IN_STEP * np.abs(ahead).sum() > 0.0 else 0.0

    def _moved(self, one: Candidate, off: float) -> Tracked:
        return self._reader.read(self._turns * (one.multiple * (1.0 + off)), one.source.growth)

    def _gains(self, line: Tracked, moved: Tracked, off: float) -> bool:
        alike = np.zeros(line.weight.size)
        own, other = likelihoods([(line, alike), (moved, alike)], self._reader.mid_s)
        return other.best + _log_prior(off) - own.best > GAIN_NEEDED


class Driven:
    """How far what turns with the mean of the driven wheels runs off a course that one wheel's own line led to.

    Shaft, engine and belts keep their ratios among each other, so that one size is sought for all of them, at a held
    speed too.
    """

    def __init__(
        self, reader: TrackReader, turns: FloatArray, candidates: Sequence[Candidate], anchor: int
    ) -> None:
        """turns: of the wheel, along the course that the anchor's line led to [shape (n,)]."""
        self._reader, self._turns = reader, turns
        self._at_middles = np.interp(reader.mid_s, np.arange(turns.size) / reader.signal.rate_hz, turns)
        self.sought = turns_with_one_wheel(candidates[anchor]) and self._at_middles.size > 2
        self.off = 0.0

    @property
    def log_prior(self) -> float:
        """Of the size found."""
        return _log_prior(self.off)

    def seek(self, every: Sequence[Sequence[tuple[float, float, Tracked]]]) -> None:
        """Find the size by the lines of every gear: turns per wheel turn, growth, and the line on the course."""
        asked = [self._asked(lines) for lines in every]
        clearest = max(range(len(every)), key=lambda g: asked[g][1], default=None)
        if clearest is None or asked[clearest][1] < OUT_OF_NOISE:
            return
        off = asked[clearest][0]
        alike = np.zeros(self._reader.mid_s.size)
        own = [(line, alike) for _, _, line in every[clearest]]
        moved = [
            (self._reader.read(self._turns * (m * (1.0 + off)), growth), alike)
            for m, growth, _ in every[clearest]
        ]
        gain = sum(
            other.best - one.best
            for one, other in zip(
                likelihoods(own, self._reader.mid_s), likelihoods(moved, self._reader.mid_s), strict=True
            )
        )
        if gain + _log_prior(off) > GAIN_NEEDED:
            self.off = off

    def _asked(self, lines: Sequence[tuple[float, float, Tracked]]) -> tuple[float, float]:
        """The size that the phases of all lines ask for, and by how many sd of noise they keep step there."""
        keeps, variance = np.zeros(SIZES.size), 0.0
        for multiple, _, line in lines:
            for ahead, advance in _pairs(line, multiple * self._at_middles):
                keeps += in_step(ahead, advance, SIZES)
                variance += 0.5 * float((np.abs(ahead) ** 2).sum())
        best = int(np.argmax(keeps))
        return float(SIZES[best]), float(keeps[best] / np.sqrt(max(variance, 1e-12)))


def _pairs(line: Tracked, turns: FloatArray) -> Iterator[tuple[NDArray[np.complexfloating], FloatArray]]:
    """Blocks one and two apart: the one times the other's conjugate, all axes together, and the turns between.

    What the noise of overlapping blocks has in common is taken off.
    """
    for apart in (1, 2):
        ahead = (line.y[:, apart:] * line.y[:, :-apart].conj()).sum(axis=0)
        if apart == 1:
            both = (line.weight[1:] > 0) & (line.weight[:-1] > 0)
            ahead = ahead - both * len(line.y) * OVERLAP_CORRELATION * line.shared[1:] * line.shared[:-1]
        yield ahead, turns[apart:] - turns[:-apart]


def _moves(turns: FloatArray) -> bool:
    """Whether the speed changes enough, by the wheels' turns at the blocks' middles [shape (blocks,)]."""
    return turns.size > 2 and log_spread(np.maximum(np.diff(turns), 1e-6)) > MOVES_FROM


def _log_prior(off: float) -> float:
    return -0.5 * (off / OWN_SIZE_SD) ** 2

"""How far a wheel's lines run off a course that a shaft's or the engine's line led to, where no speed is told.

As in `rolling`, by the phases of a line's blocks: one that runs off its track by some tenths of a percent turns from
block to block by as much as it runs off, while it still stands in every block.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked, TrackReader, likelihoods
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.rolling import MOST_OFF, OWN_SIZE_SD, turns_with_one_wheel

__all__ = ["Rolls"]

FloatArray = NDArray[np.float64]

STEP = 0.0005
"""Between the sizes tried, relative: at 40 Hz a quarter of a turn within the time over which a line keeps its phase."""

GAIN_NEEDED = 8.0
"""Log evidence that another size must gain beside its prior: many names are tried, each with many lines."""

MOVES_FROM = 0.15
"""Spread of ln(rate), 5 to 95%, below which no size is sought: at a held speed some size puts a wheel's line on any
other, under any name."""

IN_STEP = 0.4
"""Share of the power of neighbouring blocks that must turn alike before a line is read again on another track."""


class Rolls:
    """The wheels' own lines on one course. log_prior: of the sizes found so far."""

    def __init__(
        self, reader: TrackReader, turns: FloatArray, candidates: Sequence[Candidate], anchor: int
    ) -> None:
        """turns: of the wheels, along the course that the anchor's line led to [shape (n,)]."""
        self._reader, self._turns, self._candidates = reader, turns, candidates
        moves = _spread(turns, reader.mid_s * reader.signal.rate_hz) > MOVES_FROM
        self._free = moves and not turns_with_one_wheel(candidates[anchor])
        self._at_middles = np.interp(reader.mid_s, np.arange(turns.size) / reader.signal.rate_hz, turns)
        self._off: dict[float, float] = {}
        self.log_prior = 0.0

    def read(self, index: int, line: Tracked) -> Tracked:
        """Candidate `index`'s line where it runs: as read on the course, or on its wheel's own track."""
        one = self._candidates[index]
        if not self._free or not turns_with_one_wheel(one):
            return line
        known = one.multiple in self._off
        off = self._off[one.multiple] if known else self._asked(one, line)
        self._off[one.multiple] = off
        if off == 0.0:
            return line
        moved = self._moved(one, off)
        if known:
            return moved
        if not self._gains(line, moved, off):
            self._off[one.multiple] = 0.0
            return line
        self.log_prior += _log_prior(off)
        return moved

    def _asked(self, one: Candidate, line: Tracked) -> float:
        """The size that the phases ask for; 0 where they keep no step."""
        ahead = (line.y[:, 1:] * line.y[:, :-1].conj()).sum(axis=0)
        advance = one.multiple * np.diff(self._at_middles)
        off = STEP * np.arange(-round(MOST_OFF / STEP), round(MOST_OFF / STEP) + 1)
        in_step = (ahead * np.exp(-2j * np.pi * off[:, None] * advance)).real.sum(axis=1)
        best = int(np.argmax(in_step))
        return float(off[best]) if in_step[best] > IN_STEP * np.abs(ahead).sum() > 0.0 else 0.0

    def _moved(self, one: Candidate, off: float) -> Tracked:
        return self._reader.read(self._turns * (one.multiple * (1.0 + off)), one.source.growth)

    def _gains(self, line: Tracked, moved: Tracked, off: float) -> bool:
        alike = np.zeros(line.weight.size)
        own, other = likelihoods([(line, alike), (moved, alike)], self._reader.mid_s)
        return other.best + _log_prior(off) - own.best > GAIN_NEEDED


def _spread(turns: FloatArray, middles: FloatArray) -> float:
    """Of ln(rate) between the middles of blocks, given in samples."""
    if middles.size < 3:
        return 0.0
    rate = np.diff(np.interp(middles, np.arange(turns.size), turns))
    return float(np.ptp(np.percentile(np.log(np.maximum(rate, 1e-6)), [5, 95])))


def _log_prior(off: float) -> float:
    return -0.5 * (off / OWN_SIZE_SD) ** 2

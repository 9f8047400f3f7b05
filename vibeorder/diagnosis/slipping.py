"""Without a speed: along a road line's course the engine may run ahead of its gear, by the slip of an open converter.

Frames tell in which gear and by about how much: the sum over the engine's lines of what stands at each of a grid of
slips. It is asked for where that is far more than at no slip in any gear, for somewhere on the grid something stands.
How far exactly, blocks tell: where the lines have most power.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked
from vibeorder.diagnosis.converter import MOST_SLIP, SLIP_LOG_PRIOR
from vibeorder.diagnosis.ridge import CELL

__all__ = ["slip_told", "slips_asked"]

FloatArray = NDArray[np.float64]

SLIPS: FloatArray = np.asarray(np.arange(2.0 * CELL, MOST_SLIP + 1e-9, CELL), float)
"""The slips tried: a cell of the frames apart, from two cells up."""

ASKED_FROM = 12.0 - 2.0 * SLIP_LOG_PRIOR
"""Evidence of frames, which overlap by half, that a slip must gain before the lines are read with it: its prior, and as
much again as pays for the time."""

MOST_GEARS = 3
"""One line of the engine may be its firing in one gear and another order in another."""

STEP = 0.0005
"""Between the slips tried in blocks: at 120 Hz a quarter of a turn within a block."""


def slips_asked(
    standing: Callable[[FloatArray], FloatArray], per_wheel: FloatArray, log_prior: FloatArray
) -> list[tuple[int, float]]:
    """Gears (indices), each with the slip, that the engine's lines ask for, the likeliest few.

    standing: summed evidence of them at these engine turns per wheel turn [shape (gears,) each]. per_wheel: without
    slip; log_prior: of the gears [shape (gears,) both].
    """
    without = float(standing(per_wheel).max())
    with_slip = np.stack([standing(per_wheel * (1.0 + slip)) for slip in SLIPS])
    best = with_slip.argmax(axis=0)
    most = with_slip[best, np.arange(per_wheel.size)]
    ranked = np.argsort(-(0.5 * most + log_prior))
    return [(int(g), float(SLIPS[best[g]])) for g in ranked if most[g] > without + ASKED_FROM][:MOST_GEARS]


def slip_told(lines: Callable[[float], Sequence[Tracked]], near: float) -> float:
    """The slip, within a cell of `near`, at which the lines have most power over their noise."""
    tried = near + STEP * np.arange(-round(CELL / STEP), round(CELL / STEP) + 1)
    return max((float(slip) for slip in tried), key=lambda slip: sum(_stands(one) for one in lines(slip)))


def _stands(line: Tracked) -> float:
    """Log of a line's power over its noise, summed over its blocks: no block counts by its strength."""
    return float((np.log1p(line.power) * (line.weight > 0.0)).sum())

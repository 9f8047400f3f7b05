"""Rows handed over several at a time: stamps that say when a burst was written, not when its samples were taken."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bursts", "find_bursts", "mean_step"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

# Within a burst, stamps lie closer than this share of the mean step. Even with a jitter of 30% of a step one stamp in
# twenty-five does, and of random (Poisson) stamps one in five; of bursts of one and two in turn, one in three.
INSIDE_SHARE = 0.25
MANY_INSIDE = 0.3
FEWEST_BURSTS = 20
# Longer waits are silences, in which samples are missing, however many rows follow.
LONGEST_WAIT_S = 2.0
# Across a true pause a shake changes more than from row to row; between bursts it does not.
PAUSE_RATIO = 2.0
# Spans of this many bursts, or an eighth of all, tell the step: lateness cancels over them.
LAG, LAG_SHARE = 16, 8
# Bursts nearly all of one size, and the time they take, tell where single rows were lost. A burst handed over by a
# timer holds a row less now and then with nothing lost, but at even distances (spread over mean), not at random (1).
ONE_SIZE_SHARE = 0.8
STRAYING_STEPS, STRAYING_RATIO = 0.6, 0.5
AT_RANDOM, FEWEST_LOST = 0.5, 6


@dataclass(frozen=True, slots=True)
class Bursts:
    """handed_s: when each row would have been written, had it been alone and no row lost from a burst [shape (n,)]; not
    quite rising, since bursts are handed over more or less late. lost: rows lost from bursts before each row, counted
    [shape (n,)]: they belong between, a step each. step_s: mean step, gaps apart. size: rows in a usual burst."""

    handed_s: FloatArray
    lost: FloatArray
    step_s: float
    size: float


def find_bursts(
    stamps_s: FloatArray, samples: FloatArray | None = None, longest_wait_s: float = LONGEST_WAIT_S
) -> Bursts | None:
    """Whether rows were written in bursts, and when each was due; None where they were not.

    stamps_s: [shape (n,)], without NaN. samples: [shape (channels, n)], where known: a logger that rests after a few
    samples writes the same stamps, but then its values leap from one burst to the next, as those of bursts do not.
    longest_wait_s: infinite where the unit of the stamps is not known yet.
    """
    if stamps_s.size < 2 * FEWEST_BURSTS:
        return None
    steps = np.diff(stamps_s)
    step = mean_step(steps)
    inside = steps < INSIDE_SHARE * step
    waits = steps[~inside]
    usual = float(np.median(waits)) if waits.size else 0.0
    if (
        float(inside.mean()) < MANY_INSIDE
        or waits.size < FEWEST_BURSTS
        or usual > longest_wait_s
        or _only_rounded(steps, inside)
        or (samples is not None and _pauses(samples, inside))
    ):
        return None
    last = np.append(np.flatnonzero(~inside), stamps_s.size - 1)
    sizes = np.diff(last, prepend=-1)
    lost, step = _lost(stamps_s[last], last, sizes)
    if step <= 0.0:  # stamps that run back and forth: most bursts are no later than those before
        return None
    # Each row one step before the next of its burst, which is handed over when its last sample is there, or later.
    behind = np.repeat(last, sizes) - np.arange(stamps_s.size)
    handed = np.repeat(stamps_s[last] - step * lost, sizes) - step * behind
    return Bursts(handed, np.repeat(lost, sizes), step, float(np.median(sizes)))


def mean_step(steps: FloatArray) -> float:
    """Duration over rows, gaps apart: steps [any unit] far beyond the longest hundredth are gaps. 0 without steps."""
    if not steps.size:
        return 0.0
    near = steps[steps <= 10.0 * max(float(np.percentile(steps, 99)), float(np.median(steps)))]
    return float(near.mean())


def _only_rounded(steps: FloatArray, inside: BoolArray) -> bool:
    """Whether stamps stand still for several rows only because they are cut to whole units, as to the second: then
    nearly every move is by one unit."""
    moves = steps[steps > 0]
    unit = float(moves.min())
    return bool((steps[inside] <= 0).all()) and float(np.mean(moves < 1.5 * unit)) > 0.9


def _pauses(samples: FloatArray, inside: BoolArray) -> bool:
    """Whether samples [shape (channels, n)] change more from one burst to the next than within: time passed there."""
    change = (np.diff(samples, axis=1) ** 2).sum(axis=0)
    within, across = float(np.median(change[inside])), float(np.median(change[~inside]))
    return across > PAUSE_RATIO**2 * within > 0.0


def _lost(handed_s: FloatArray, last: IntArray, sizes: IntArray) -> tuple[FloatArray, float]:
    """Rows lost from bursts up to each burst [shape (bursts,)], and the time a row takes.

    handed_s, last, sizes: stamp of each burst, number of its last row, and its rows [all shape (bursts,)].
    """
    usual = int(np.median(sizes))
    none = np.zeros(sizes.size)
    step, strays = _step_and_straying(handed_s, last)
    if usual < 2 or float(np.mean(sizes % usual == 0)) < ONE_SIZE_SHARE or strays < STRAYING_STEPS * step:
        return none, step
    missing = (-sizes % usual).astype(np.float64)
    missing[(sizes > usual) & (missing > 0.5 * usual)] = 0.0
    missing[[0, -1]] = 0.0  # the log may begin and end anywhere in a burst
    apart = np.diff(np.flatnonzero(missing))
    if apart.size < FEWEST_LOST or float(apart.std()) < AT_RANDOM * float(apart.mean()):
        return none, step
    lost = np.cumsum(missing)
    filled_step, filled_strays = _step_and_straying(handed_s, last + lost)
    if filled_strays < STRAYING_RATIO * strays:
        return lost, filled_step
    return none, step


def _step_and_straying(handed_s: FloatArray, numbers: FloatArray | IntArray) -> tuple[float, float]:
    """The usual time a row takes, and how far spans of many bursts usually stray from it [s]."""
    lag = min(max(LAG, handed_s.size // LAG_SHARE), handed_s.size - 1)
    spans, rows = handed_s[lag:] - handed_s[:-lag], numbers[lag:] - numbers[:-lag]
    step = float(np.median(spans / rows))
    return step, float(np.median(np.abs(spans - step * rows)))

"""Where a drive may roll out of gear, and the rates at which the engine may idle meanwhile.

Out of gear nothing pulls: the speed falls, for ten seconds and more. The engine turns at its idle then, whatever the
wheels do, and its lines stand at fixed frequencies, half orders and firing of one rate. Over ln(power over noise) of
frames against time, a comb of them tells the rate.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.evidence import evidence_of_cells
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.movingfloor import NOTHING_MOVES
from vibeorder.diagnosis.scan import FRAME_CAP, FRAME_S, HOP_S, Clock
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.wheelframes import wheel_frames, whitened

__all__ = ["IDLE_HZ", "Standstill", "Window", "falling_window", "idle_rates"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

IDLE_HZ = (8.5, 18.0)
"""Turns a second between which a warm engine idles, 510 to 1080 rpm (common practice, no source)."""

LEAST_S = 10.0
"""Shortest fall of the speed that is looked at: a lift of the foot between two pulls is shorter."""

OVER_S, FALLS = 6.0, 0.02
"""The speed falls where it is so much lower, in ln, so much later: a vehicle that rolls in neutral loses about a
hundredth a second at 25 m/s (air and tires, common practice), and a held speed wanders less."""

BRIDGED_S = 3
SETTLES_S = 2.0
"""How long the engine takes to fall to its idle."""

STEP = 0.0025
MOST_BY_ONE = 30.0
"""Bound of one line's share in a comb: a fan's tone alone must not choose the rate."""

APART = 0.03
COUNT = 3
"""Rates that are weighed, and how far apart they are in ln."""


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of a stretch, in seconds from its start."""

    first_s: float
    last_s: float

    def holds(self, times_s: FloatArray, margin_s: float = 0.0) -> BoolArray:
        """Which instants lie in it, or nearer to it than a margin."""
        return np.asarray((times_s > self.first_s - margin_s) & (times_s < self.last_s + margin_s))


def falling_window(clock: Clock) -> Window | None:
    """The longest stretch of falling speed, from where an engine out of gear would idle; None where there is none."""
    half = round(0.5 * OVER_S / HOP_S)
    rate = np.log(np.maximum(clock.rate_hz, 0.1))
    if rate.size < LEAST_S / HOP_S:
        return None
    at = np.arange(rate.size)
    before, after = rate[np.maximum(at - half, 0)], rate[np.minimum(at + half, rate.size - 1)]
    span = np.minimum(at + half, rate.size - 1) - np.maximum(at - half, 0)
    falls = (after - before < -FALLS * span * HOP_S / OVER_S) & (clock.rate_hz > 0.8)
    runs = _runs(falls)
    if not runs:
        return None
    first, last = max(runs, key=lambda run: run[1] - run[0])
    # a later stretch begins between two frames, the first of which may lie half in the one before
    begin_s = max(0.0, float(clock.mid_s[first]) - 0.5 * HOP_S) + (SETTLES_S if first else 0.0)
    end_s = float(clock.mid_s[last]) + 0.5 * HOP_S
    return Window(begin_s, end_s) if end_s - begin_s > LEAST_S else None


def _runs(falls: BoolArray) -> list[tuple[int, int]]:
    """First and last frames of stretches that fall, short holes bridged."""
    runs: list[tuple[int, int]] = []
    for i in np.flatnonzero(falls):
        if runs and i - runs[-1][1] <= BRIDGED_S:
            runs[-1] = (runs[-1][0], int(i))
        else:
            runs.append((int(i), int(i)))
    return runs


class Standstill:
    """Frames against time: what stands at a fixed frequency."""

    def __init__(self, signal: Signal, floor: Floor, mid_s: FloatArray, top_hz: float) -> None:
        instants = np.arange(signal.samples.shape[1]) / signal.rate_hz
        frame_s = min(FRAME_S, max(1.0, 0.25 * float(mid_s[-1])))
        frames = wheel_frames(signal, instants, mid_s, frame_s, min(top_hz, 0.42 * signal.rate_hz))
        self._ratio = whitened(frames, floor, NOTHING_MOVES)
        self._there = frames.cover > 0.6
        self._frame_s, self._channels, self._mid_s = frame_s, signal.samples.shape[0], mid_s

    def evidence(self, hz: FloatArray, where: BoolArray) -> FloatArray:
        """Log evidence of a line at each frequency in the frames `where` [shape of hz]; 0 where none can be read."""
        cell = np.round(np.asarray(hz) * self._frame_s).astype(int)
        inside = (cell > 0) & (cell < self._ratio.shape[1])
        use = where & self._there
        if not use.any() or not inside.any():
            return np.zeros(cell.shape)
        known = np.unique(cell[inside])
        weight = min(1.0, HOP_S / (0.5 * self._frame_s))
        found = evidence_of_cells(self._ratio[use][:, known], self._channels, FRAME_CAP) * weight
        out = np.zeros(cell.shape)
        out[inside] = found[np.searchsorted(known, cell[inside])]
        return out

    def within(self, window: Window) -> BoolArray:
        """The frames that lie in a window."""
        return window.holds(self._mid_s)

    def beyond(self, window: Window) -> BoolArray:
        """The frames that lie outside it, whole."""
        return ~window.holds(self._mid_s, self._frame_s)


def idle_rates(seen: Standstill, window: Window, multiples: Sequence[float]) -> list[float]:
    """The rates whose comb stands out most in the window, best first. multiples: of the engine's lines."""
    low, high = IDLE_HZ
    rate = np.exp(np.arange(np.log(low), np.log(high), STEP))
    where = seen.within(window)
    total = np.zeros(rate.size)
    for multiple in multiples:
        total += np.clip(seen.evidence(multiple * rate, where), 0.0, MOST_BY_ONE)
    found: list[float] = []
    for i in np.argsort(-total, kind="stable"):
        if total[i] <= 0.0 or len(found) == COUNT:
            break
        if all(abs(np.log(rate[i] / f)) > APART for f in found):
            found.append(float(rate[i]))
    return found

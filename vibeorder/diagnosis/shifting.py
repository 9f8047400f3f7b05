"""How likely gears are to change where: the more, the more the speed changes.

A change of gear falls into a second with intensity l(t) = EVER + WITH_SPEED |d ln v/dt|; a course of gears with changes
at t_i has log p = sum ln l(t_i) - sum l(t). Part of the drives are held in one gear whatever the speed does.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.gears import FAR_SHIFT_COST

__all__ = ["Shifting", "shifting"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

EVER_PER_S, WITH_LOG_SPEED = 1.0 / 180.0, 1.5
"""Changes of gear in a second at a steady speed, and for every e-fold of speed: boxes of five to nine gears span a
factor of four to nine, and drivers leave some out (common practice, no source)."""

HELD_SHARE = 0.3
"""Share of drives in which one gear is held whatever the speed does: a test drive is often asked for so."""

SLOPE_OVER = 5
"""Frames over which the speed's change is taken: the throttle is lifted for a change, and the rest is wobble."""


@dataclass(frozen=True, slots=True)
class Shifting:
    """change_log: log intensity of a change between a frame and the one before [shape (frames,)]; expected: changes in
    all of them."""

    change_log: FloatArray
    expected: float

    def log_prior(self, gear: IntArray) -> float:
        """Log prior of a course of gears (indices in the order of their ratios) [shape (frames,)]."""
        step = np.abs(np.diff(gear))
        if not step.any():
            return float(np.logaddexp(np.log(HELD_SHARE), np.log(1.0 - HELD_SHARE) - self.expected))
        when = float(self.change_log[1:][step > 0].sum())
        far = FAR_SHIFT_COST * float(np.maximum(step - 1, 0).sum())
        return float(np.log(1.0 - HELD_SHARE)) - self.expected + when - far


def shifting(rate_hz: FloatArray, hop_s: float) -> Shifting:
    """Along a course of the wheel's rate at frames hop_s apart [shape (frames,)]."""
    log_rate = np.log(rate_hz)
    half = SLOPE_OVER // 2
    ahead = np.pad(log_rate, half, mode="edge")
    change = np.abs(ahead[2 * half :] - ahead[: -2 * half]) / (2 * half)
    intensity = EVER_PER_S * hop_s + WITH_LOG_SPEED * change
    return Shifting(np.log(intensity), float(intensity.sum()))

"""The samples that are judged, and where a line of any frequency shows in them."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["READABLE_SHARE", "Signal", "folded"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


READABLE_SHARE = 0.42
"""Of the rate of sound: its filter lets lines through up to here, and nothing folds."""


@dataclass(frozen=True, slots=True)
class Signal:
    """The samples to be judged: [shape (channels, n)] float32 without their mean, zero where not valid.

    relative: they have no scale. ride: how many times as strong as on a car a line must be to mean the same. folds:
    what lies above half the rate shows folded below; sound was filtered before, and nothing does.
    """

    samples: NDArray[np.float32]
    valid: BoolArray
    rate_hz: float
    relative: bool
    ride: float = 1.0
    folds: bool = True

    @property
    def top_hz(self) -> float:
        """Highest true frequency at which a line can be read: any, where it folds."""
        return float(np.inf) if self.folds else READABLE_SHARE * self.rate_hz

    @property
    def log_scale(self) -> float | None:
        """ln of (recorded units per m/s^2 on a car), None where there is no scale."""
        return None if self.relative else float(np.log(self.ride))

    def of(self, samples: NDArray[np.float32], valid: BoolArray, rate_hz: float | None = None) -> "Signal":
        """Other samples of the same recording, on the same scale; rate_hz: where they are at another rate."""
        return replace(self, samples=samples, valid=valid, rate_hz=rate_hz or self.rate_hz)


def folded(frequency_hz: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Where a line shows in the spectrum: itself up to half the sample rate, its mirror image above."""
    seen = np.abs(frequency_hz)
    if seen.size and float(seen.max()) <= 0.5 * sample_rate_hz:  # as most lines do
        return seen
    return np.abs(frequency_hz - sample_rate_hz * np.round(frequency_hz / sample_rate_hz))

"""The samples that are judged, and where a line of any frequency shows in them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Signal", "folded"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Signal:
    """The samples to be judged: [shape (channels, n)] float32 without their mean, zero where not valid."""

    samples: NDArray[np.float32]
    valid: BoolArray
    rate_hz: float
    relative: bool


def folded(frequency_hz: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Where a line shows in the spectrum: itself up to half the sample rate, its mirror image above."""
    return np.abs(frequency_hz - sample_rate_hz * np.round(frequency_hz / sample_rate_hz))

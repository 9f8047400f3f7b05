"""Tilt, hills and warmth: what changes more slowly than a drive's own speeding up and slowing down."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["slow_changes"]

FloatArray = NDArray[np.float64]


def slow_changes(at_s: FloatArray, halves: int) -> FloatArray:
    """Orthonormal slow changes: a constant, and cosines of up to so many half periods [shape (n, halves + 1)]."""
    span = max(float(at_s[-1] - at_s[0]), 1.0)
    shape = np.cos(np.pi * np.outer((at_s - at_s[0]) / span, np.arange(halves + 1)))
    return np.asarray(np.linalg.qr(shape)[0], float)

"""Logs that are faster than their sensor: rows that repeat the row before, and the real updates."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording.mended import Mended

__all__ = ["drop_held_rows"]

FloatArray = NDArray[np.float64]

# A slow but honest sensor at rest repeats itself too; a held one does so in this share of rows at least.
HELD_SHARE = 0.2


def drop_held_rows(
    times_s: FloatArray, samples: FloatArray, rows_rate_hz: float
) -> tuple[FloatArray, FloatArray, Mended]:
    """Keeps the rows at which the sensor gave a new value, where the log runs faster than the sensor.

    samples: [shape (channels, n)]. A held value lasts about equally many rows each time; a value that
    repeats by chance lasts a random (geometric) number of rows: the spread of the lengths tells.
    Returns stamps, samples and what was left out.
    """
    same = (np.diff(samples, axis=1) == 0).all(axis=0)
    share = float(same.mean()) if same.size else 0.0
    if share < HELD_SHARE:
        return times_s, samples, Mended()
    new = np.concatenate(([True], ~same))
    lengths = np.diff(np.flatnonzero(new))
    if lengths.size < 20:
        return times_s, samples, Mended()
    middle = float(np.median(lengths))
    # A car at rest gives equal values for seconds: those few stretches say nothing of the sensor's rate.
    lengths = lengths[lengths < max(8.0 * middle, 8.0 * float(lengths.mean()))]
    chance = share / (1.0 - share)
    held = float(lengths.var()) < 0.5 * chance * (1.0 + chance)
    if middle >= 3:
        held = held or float(np.mean(np.abs(lengths - middle) <= 1)) > 0.7
    if not held:
        return times_s, samples, Mended()
    rate = 1.0 / float(np.median(_spread(times_s[new])))
    count = int(same.sum())
    found = Mended(held=count, held_of=times_s.size, held_rate_hz=rows_rate_hz, sensor_rate_hz=rate)
    return times_s[new], samples[:, new], found


def _spread(times_s: FloatArray, lag: int = 16) -> FloatArray:
    lag = min(lag, times_s.size - 1)
    spread: FloatArray = (times_s[lag:] - times_s[:-lag]) / lag
    return spread

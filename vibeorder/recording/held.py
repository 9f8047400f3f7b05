"""Logs that are faster than their sensor: rows that repeat the row before, and the real updates."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["drop_held_rows"]

FloatArray = NDArray[np.float64]

# A slow but honest sensor at rest repeats itself too; a held one does so in this share of rows at least.
HELD_SHARE = 0.2


def drop_held_rows(
    times_s: FloatArray, samples: FloatArray, rows_rate_hz: float, notes: list[str]
) -> tuple[FloatArray, FloatArray, int]:
    """Keeps the rows at which the sensor gave a new value, where the log runs faster than the sensor.

    samples: [shape (channels, n)]. A held value lasts about equally many rows each time; a value that
    repeats by chance lasts a random (geometric) number of rows: the spread of the lengths tells.
    Returns stamps, samples and the number of rows left out; adds a sentence to `notes`.
    """
    same = (np.diff(samples, axis=1) == 0).all(axis=0)
    share = float(same.mean()) if same.size else 0.0
    if share < HELD_SHARE:
        return times_s, samples, 0
    new = np.concatenate(([True], ~same))
    lengths = np.diff(np.flatnonzero(new))
    if lengths.size < 20:
        return times_s, samples, 0
    middle = float(np.median(lengths))
    # A car at rest gives equal values for seconds: those few stretches say nothing of the sensor's rate.
    lengths = lengths[lengths < max(8.0 * middle, 8.0 * float(lengths.mean()))]
    chance = share / (1.0 - share)
    held = float(lengths.var()) < 0.5 * chance * (1.0 + chance)
    if middle >= 3:
        held = held or float(np.mean(np.abs(lengths - middle) <= 1)) > 0.7
    if not held:
        return times_s, samples, 0
    kept = int(new.sum())
    rate = 1.0 / float(np.median(_spread(times_s[new])))
    notes.append(
        f"{same.sum()} of {times_s.size} rows repeat the row before: the log runs at {rows_rate_hz:.0f} Hz "
        f"but the sensor at about {rate:.0f} Hz; the {kept} rows with a new value are used"
    )
    return times_s[new], samples[:, new], int(same.sum())


def _spread(times_s: FloatArray, lag: int = 16) -> FloatArray:
    lag = min(lag, times_s.size - 1)
    spread: FloatArray = (times_s[lag:] - times_s[:-lag]) / lag
    return spread

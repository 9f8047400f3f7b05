"""The rows of a log that hold a sample: numbers on every axis, a stamp, nothing wild."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.axes import Axes
from vibeorder.recording.mended import Mended
from vibeorder.recording.table import Table

__all__ = ["check_largest", "usable_rows"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
# Beyond this many times the shake's usual size a number is a fault of the logger, not of the road.
WILD_TIMES = 1e3
# Counts of 32 bits reach 4e9; squares of sums of more would overflow in single precision.
LARGEST_SAMPLE = 1e10


def usable_rows(table: Table, axes: Axes, times: FloatArray) -> tuple[FloatArray, FloatArray, Mended]:
    """Samples [shape (axes, n)] and their stamps [shape (n,)], what holds none left out, and what that was.

    times: one stamp a row, NaN where unreadable. Raises RecordingError where nothing is left or nothing changes.
    """
    columns = [table.numbers(column) for column in axes.columns]
    finite = np.logical_and.reduce([np.isfinite(column) for column in columns])
    stamped = np.isfinite(times)
    if finite.sum() < 2:
        raise RecordingError(
            f"{', '.join(axes.names)} of {table.source} hold {int(finite.sum())} rows of numbers: "
            "is the column empty, or text? --axes names another"
        )
    wild, worst = _wild(columns, finite)
    keep = finite & stamped & ~wild
    kept = np.stack([column[keep] for column in columns])
    if kept.shape[1] < 2:
        raise RecordingError(f"{table.source} has {kept.shape[1]} usable row; a recording needs many")
    if float(np.ptp(kept, axis=1).max()) == 0.0:
        raise RecordingError(
            f"{', '.join(axes.names)} of {table.source} never change: was the sensor working?"
        )
    empty = int((~finite | ~stamped).sum())
    return kept, times[keep], Mended(rows=table.rows, empty=empty, wild=int(wild.sum()), wildest=worst)


def check_largest(table: Table, axes: Axes, samples: FloatArray) -> None:
    """Refuse samples that no sensor gives."""
    largest = max(float(samples.max()), -float(samples.min()))
    if largest > LARGEST_SAMPLE:
        raise RecordingError(
            f"{', '.join(axes.names)} of {table.source} reach {largest:.0e}, which no accelerometer does; "
            "--axes names the right columns"
        )


def _wild(columns: list[FloatArray], finite: BoolArray) -> tuple[BoolArray, float]:
    """Rows with a value far beyond the usual departure from the median on any axis, and the worst value."""
    middles = [float(np.median(column[finite])) for column in columns]
    with np.errstate(over="ignore", invalid="ignore"):
        usual = max(
            float(np.percentile(np.abs(column[finite] - middle), 99))
            for column, middle in zip(columns, middles, strict=True)
        )
        wild = np.zeros(finite.size, dtype=np.bool_)
        worst = 0.0
        for column, middle in zip(columns, middles, strict=True):
            off = np.abs(column - middle)
            far = finite & (off > WILD_TIMES * usual)
            if usual > 0 and far.any():
                wild |= far
                worst = max(worst, float(off[far].max()))
    return wild, worst

"""What each column of a log is: time, axes of the shake, speed, engine speed, mark; and the unit of the axes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.axes import Axes, axes_scale, find_axes
from vibeorder.recording.besides import find_mark, find_rpm, find_speed
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.stamps import Stamps, find_stamps, standing_stamps
from vibeorder.recording.table import Table

__all__ = ["Roles", "Scale", "roles_of", "scale_of"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Roles:
    """stamps: of the table's rows. speed, rpm, mark: positions of those columns, or None."""

    stamps: Stamps
    axes: Axes
    speed: int | None
    rpm: int | None
    mark: int | None


@dataclass(frozen=True, slots=True)
class Scale:
    """factor: to m/s^2, where that unit is `known`; said: how it was come by."""

    factor: float
    known: bool
    said: str


def roles_of(table: Table, options: ReadOptions) -> Roles:
    """The roles of a table's columns, as the user says or as names and numbers tell.

    Raises RecordingError with the sentence that names the option which settles what the table does not say.
    """
    stamps = _stamps(table, options)
    taken = {stamps.column} if stamps.column >= 0 else set()
    speed = find_speed(table, options.speed_column, taken)
    rpm = find_rpm(table, options.rpm_column, taken)
    mark = find_mark(table, options.mark_column, taken)
    taken |= {c for c in (speed, rpm, mark) if c is not None}
    return Roles(stamps, find_axes(table, options.axes, taken), speed, rpm, mark)


def scale_of(
    table: Table, axes: Axes, samples: FloatArray, options: ReadOptions, scale_from: Table | None = None
) -> Scale:
    """The unit of samples [shape (axes, n)]. scale_from: a sister table with gravity in it."""
    factor, known, note = axes_scale(table, axes, samples, options.unit)
    if known or scale_from is None or options.unit is not None:
        return Scale(factor, known, note)
    try:
        sister = find_axes(scale_from, (), set())
    except RecordingError:
        return Scale(factor, known, note)
    values = np.stack([scale_from.numbers(column) for column in sister.columns])
    sister_factor, sister_known, sister_note = axes_scale(scale_from, sister, values, None)
    if sister_known:
        return Scale(sister_factor, True, f"{sister_note}, in {scale_from.source} beside it")
    return Scale(factor, known, note)


def _stamps(table: Table, options: ReadOptions) -> Stamps:
    found = None
    if options.time_column is not None or options.rate_hz is None:
        found = find_stamps(table, options.time_column)
    if found is not None:
        return found
    rate = options.rate_hz or table.rate_hz
    if rate is None and (found := standing_stamps(table)) is not None:
        return found
    if rate is None:
        raise RecordingError(
            f"{table.source} has no time column that can be told; its columns are {table.listing()}; "
            'give --time-column, or --rate "500 Hz" with the rate of the logger'
        )
    if not 0.1 <= rate <= 1e6:
        raise RecordingError(
            f'a rate of {rate:g} Hz is not one of a vibration logger; --rate takes text like "500 Hz"'
        )
    by = "as said by --rate" if options.rate_hz else "as stated in the file's own first lines"
    said = f"no time column: {rate:g} Hz {by}"
    return Stamps(np.arange(table.rows) / rate, None, said, -1, "rows", 1.0 / rate)

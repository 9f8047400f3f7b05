"""A log as columns -> a Recording: roles of the columns, unit, clock, and what lies beside."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.axes import Axes, axes_scale, find_axes
from vibeorder.recording.besides import find_mark, find_rpm, find_speed, speed_trace
from vibeorder.recording.clock import set_forward, to_uniform
from vibeorder.recording.decimate import Decimator, decimation_factor
from vibeorder.recording.model import Recording, Trace
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.stamps import Stamps, find_stamps
from vibeorder.recording.table import Table

__all__ = ["recording_from_table"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
# Beyond this many times the shake's usual size a number is a fault of the logger, not of the road.
WILD_TIMES = 1e3
# Counts of 32 bits reach 4e9; squares of sums of more would overflow in single precision.
LARGEST_SAMPLE = 1e10
# Below this rate nothing of a driveline but a slow wheel can be seen.
SLOW_RATE_HZ = 50.0


def recording_from_table(table: Table, options: ReadOptions, scale_from: Table | None = None) -> Recording:
    """Builds the Recording from one table. scale_from: a sister table with gravity in it that tells the unit.

    Raises RecordingError with the sentence that names the option which settles what the table does not say.
    """
    if table.rows < 2:
        raise RecordingError(f"{table.source} has {table.rows} row of numbers; a recording needs many")
    stamps = _stamps(table, options)
    times, set_back = set_forward(stamps.times_s)
    taken = {stamps.column} if stamps.column >= 0 else set()
    speed_column = find_speed(table, options.speed_column, taken)
    rpm, rpm_column, rpm_notes = find_rpm(table, options.rpm_column, times, taken)
    mark, mark_column, mark_notes = find_mark(table, options.mark_column, times, taken)
    taken |= {c for c in (speed_column, rpm_column, mark_column) if c is not None}
    axes = find_axes(table, options.axes, taken)
    samples, kept_times, notes, repaired = _clean(table, axes, times)
    factor, known, unit_note = _scale(table, axes, samples, options, scale_from)
    samples *= factor
    _check_largest(table, axes, samples)
    shake = (kept_times, samples) if known else None
    speed, speed_notes = _road_speed(table, speed_column, times, options, shake)
    table.forget()
    uniform = to_uniform(kept_times, samples, table.source)
    said = [*table.notes, stamps.said, *set_back, axes.said, unit_note, *notes, *uniform.history]
    said += [*speed_notes, *rpm_notes, *mark_notes, *_slow_note(uniform.rate_hz)]
    return _slowed(
        Recording(
            samples=uniform.samples,
            rate_hz=uniform.rate_hz,
            unit="m/s^2" if known else "relative",
            kind="acceleration",
            channels=axes.names,
            valid=uniform.valid,
            quality=replace(uniform.quality, repaired=uniform.quality.repaired + repaired),
            source=table.source,
            start_s=uniform.start_s,
            epoch_s=stamps.epoch_s,
            speed=_dated(speed, stamps.epoch_s),
            rpm=_dated(rpm, stamps.epoch_s),
            mark_times_s=mark,
            history=tuple(said),
        )
    )


def _stamps(table: Table, options: ReadOptions) -> Stamps:
    found = None
    if options.time_column is not None or options.rate_hz is None:
        found = find_stamps(table, options.time_column)
    if found is not None:
        return found
    rate = options.rate_hz or table.rate_hz
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
    return Stamps(np.arange(table.rows) / rate, None, f"no time column: {rate:g} Hz {by}", -1)


def _clean(table: Table, axes: Axes, times: FloatArray) -> tuple[FloatArray, FloatArray, list[str], int]:
    """Rows with a number on every axis and a stamp, wild values taken out; what was left out."""
    notes = []
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
    empty = int((~finite | ~stamped).sum())
    if empty:
        notes.append(f"{empty} of {table.rows} rows had no number on some axis or no stamp and were left out")
    if wild.any():
        notes.append(f"{int(wild.sum())} rows held wild values (up to {worst:.0e}) and were left out")
    kept = np.stack([column[keep] for column in columns])
    if kept.shape[1] < 2:
        raise RecordingError(f"{table.source} has {kept.shape[1]} usable row; a recording needs many")
    if float(np.ptp(kept, axis=1).max()) == 0.0:
        raise RecordingError(
            f"{', '.join(axes.names)} of {table.source} never change: was the sensor working?"
        )
    return kept, times[keep], notes, empty + int(wild.sum())


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


def _scale(
    table: Table, axes: Axes, samples: FloatArray, options: ReadOptions, scale_from: Table | None
) -> tuple[float, bool, str]:
    factor, known, note = axes_scale(table, axes, samples, options.unit)
    if known or scale_from is None or options.unit is not None:
        return factor, known, note
    try:
        sister = find_axes(scale_from, (), set())
    except RecordingError:
        return factor, known, note
    values = np.stack([scale_from.numbers(column) for column in sister.columns])
    sister_factor, sister_known, sister_note = axes_scale(scale_from, sister, values, None)
    if sister_known:
        return sister_factor, True, f"{sister_note}, in {scale_from.source} beside it"
    return factor, known, note


def _check_largest(table: Table, axes: Axes, samples: FloatArray) -> None:
    largest = max(float(samples.max()), -float(samples.min()))
    if largest > LARGEST_SAMPLE:
        raise RecordingError(
            f"{', '.join(axes.names)} of {table.source} reach {largest:.0e}, which no accelerometer does; "
            "--axes names the right columns"
        )


def _road_speed(
    table: Table,
    column: int | None,
    times: FloatArray,
    options: ReadOptions,
    shake: tuple[FloatArray, FloatArray] | None,
) -> tuple[Trace | None, list[str]]:
    """The speed column, its unit proved by the shake's own acceleration where that has a scale."""
    if column is None:
        return None, []
    return speed_trace(table, column, times, options.speed_unit, shake)


def _dated(trace: Trace | None, epoch_s: float | None) -> Trace | None:
    return replace(trace, epoch_s=epoch_s) if trace is not None else None


def _slow_note(rate_hz: float) -> list[str]:
    if rate_hz >= SLOW_RATE_HZ:
        return []
    return [
        f"the log is slow ({rate_hz:.3g} Hz): nothing above {rate_hz / 2:.3g} Hz can be seen, "
        "and faster shakes appear folded below that; a phone logger set to its fastest gives 100 Hz or more"
    ]


def _slowed(recording: Recording) -> Recording:
    """A log faster than 2 kHz is brought down as sound is."""
    factor = decimation_factor(recording.rate_hz)
    if factor == 1:
        return recording
    decimator = Decimator(factor, recording.samples.shape[0])
    rest = recording.samples.mean(axis=1, keepdims=True)
    pieces = [decimator.push((recording.samples - rest).astype(np.float32)), decimator.finish()]
    samples = np.concatenate(pieces, axis=1).astype(np.float64) + rest
    starts = np.arange(samples.shape[1]) * factor
    valid = np.logical_and.reduceat(recording.valid, starts)
    rate = recording.rate_hz / factor
    note = f"brought down from {recording.rate_hz:.0f} to {rate:.1f} Hz behind a filter"
    samples = np.where(valid, samples, 0.0)
    return replace(recording, samples=samples, rate_hz=rate, valid=valid, history=(*recording.history, note))

"""A road speed logged in a file of its own (GPS or OBD), and its way onto the recording's clock."""

from dataclasses import replace
from pathlib import Path

from vibeorder.errors import RecordingError, SpeedError
from vibeorder.recording.besides import find_speed, speed_trace
from vibeorder.recording.jsonlog import recognise as is_json
from vibeorder.recording.jsonlog import table_from_json
from vibeorder.recording.layout import is_text
from vibeorder.recording.model import Recording, Trace
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.stamps import find_stamps
from vibeorder.recording.table import Table, read_table

__all__ = ["onto_clock", "read_speed_log"]


def read_speed_log(path: Path, options: ReadOptions = ReadOptions()) -> Trace:  # noqa: B008 (frozen)
    """The road speed of a log, in m/s, seconds from its own first stamp.

    options: `speed_column` and `speed_unit` are of this file. Raises SpeedError or RecordingError with one
    sentence that says what is wrong and which option settles it.
    """
    table = _table(Path(path))
    column = find_speed(table, options.speed_column, set())
    if column is None:
        raise SpeedError(
            f"--speed-log {path}: no column holds a road speed, by name and numbers; "
            f"its columns are {table.listing()}; --speed-column names the one"
        )
    stamps = find_stamps(table, slow=True)
    if stamps is None or table.rows < 2:
        raise SpeedError(
            f"--speed-log {path}: no column of time was found; its columns are {table.listing()}; "
            "give a log with a time stamp in each row"
        )
    trace, notes = speed_trace(table, column, stamps.times_s, options.speed_unit)
    if trace is None:
        raise SpeedError(f"--speed-log {path}: {notes[0]}")
    return replace(trace, epoch_s=stamps.epoch_s)


def onto_clock(trace: Trace, recording: Recording) -> Trace:
    """The trace in the recording's own seconds.

    Where both files carry absolute stamps these settle it; else both are taken to start together.
    """
    if trace.epoch_s is None or recording.epoch_s is None:
        return trace
    shift_s = trace.epoch_s - recording.epoch_s
    moved = replace(trace, times_s=trace.times_s + shift_s, epoch_s=recording.epoch_s)
    end_s = recording.start_s + recording.duration_s
    if moved.times_s[-1] < recording.start_s or moved.times_s[0] > end_s:
        raise SpeedError(
            f"the speed log ({trace.name}) and {recording.source} do not overlap by their stamps; "
            "give the log of this drive"
        )
    return moved


def _table(path: Path) -> Table:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise RecordingError(f"--speed-log {path} cannot be opened: {error.strerror or error}") from error
    if not raw:
        raise RecordingError(f"--speed-log {path} is empty (0 bytes); record or copy it again")
    if is_json(raw[:4096]):
        return table_from_json(raw, path.name)
    if is_text(raw[:4096]) and not raw.lstrip().startswith(b"<"):
        return read_table(path, raw, path.name)
    raise RecordingError(
        f"--speed-log {path} is not a text log; save the speed as CSV with a time and a speed column"
    )

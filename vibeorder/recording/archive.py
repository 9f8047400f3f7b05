"""Reader of zips and folders that hold one log per sensor."""

import zipfile
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

import numpy as np

from vibeorder.errors import RecordingError
from vibeorder.recording import ourfile
from vibeorder.recording.axes import find_axes
from vibeorder.recording.besides import find_speed, speed_trace
from vibeorder.recording.jsonlog import recognise as is_json
from vibeorder.recording.jsonlog import table_from_json
from vibeorder.recording.layout import is_text
from vibeorder.recording.logs import recording_from_table
from vibeorder.recording.model import Recording, Trace
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.stamps import find_stamps, standing_stamps, words_of
from vibeorder.recording.table import Table, read_table

__all__ = ["NAME", "read", "read_folder", "recognise"]

NAME = "zip or folder of logs"
# A zip that unpacks to more than this is no phone log (and may be made to fill the memory).
MAX_UNPACKED = 1 << 29
# Sensor noise packs to a fifth or a third; what packs a hundredfold is made to fill the memory.
MAX_RATIO, SMALL_UNPACKED = 100, 1 << 24
MAX_MEMBERS = 200
_LOG_SUFFIXES = {".csv", ".txt", ".tsv", ".json", ".log", ".dat"}
_OTHER_SENSORS = frozenset(
    [
        "gyroscope",
        "gyro",
        "magnetometer",
        "gravity",
        "orientation",
        "barometer",
        "annotation",
        "metadata",
        "compass",
        "light",
        "microphone",
        "pedometer",
        "battery",
        "network",
        "rotation",
        "license",
        "readme",
        "notice",
        "proximity",
        "device",
    ]
)
_ACCELERATION = {"accelerometer", "acceleration", "accel", "acc", "accelerometers"}
_GRAVITY_FREE = {"linear", "user", "lin"}
_GRAVITY_IN = {"total", "uncalibrated", "raw"}


@dataclass(frozen=True, slots=True)
class _Member:
    """One file of the bundle; `raw` None means that it lies on disk at `path`."""

    name: str
    path: Path
    raw: bytes | None


def recognise(head: bytes) -> bool:
    """Whether the first bytes are those of a zip; never raises."""
    return head[:4] in (b"PK\x03\x04", b"PK\x05\x06")


def read(path: Path, options: ReadOptions) -> Recording:
    """The logs in a zip as one Recording; RecordingError where there is no acceleration among them."""
    try:
        with zipfile.ZipFile(path) as bundle:
            infos = [info for info in bundle.infolist() if not info.is_dir()]
            if len(infos) > MAX_MEMBERS:
                raise RecordingError(f"{path.name} holds {len(infos)} files; zip the logs of one drive only")
            _check_sizes(path, sum(info.file_size for info in infos))
            if ourfile.is_ours([info.filename for info in infos]):
                return ourfile.read(path, options)
            members = [
                _Member(info.filename, path, bundle.read(info))
                for info in infos
                if _may_be_log(info.filename)
            ]
    except (
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        NotImplementedError,
        RuntimeError,
        EOFError,
        ValueError,
        IndexError,  # a member without a name, in zipfile itself
    ) as error:
        raise RecordingError(f"{path.name} begins like a zip but cannot be unpacked ({str(error)[:80]}); "
                             "copy it again") from error  # fmt: skip
    except Exception as error:  # zlib.error, lzma.LZMAError: no common parent but this
        if type(error).__name__ in ("error", "LZMAError"):
            raise RecordingError(
                f"{path.name} is a damaged zip ({str(error)[:80]}); copy it again"
            ) from error
        raise
    return _read_members(path.name, members, [info.filename for info in infos], options)


def _check_sizes(path: Path, unpacked: int) -> None:
    if unpacked > MAX_UNPACKED:
        raise RecordingError(
            f"{path.name} unpacks to more than {MAX_UNPACKED >> 20} MB; cut the logs shorter"
        )
    if unpacked > max(SMALL_UNPACKED, MAX_RATIO * path.stat().st_size):
        raise RecordingError(
            f"{path.name} unpacks to {unpacked // max(path.stat().st_size, 1)} times its size, which the numbers of a "
            "sensor never do; give the logs themselves"
        )


def read_folder(path: Path, options: ReadOptions) -> Recording:
    """The logs in a folder, one per sensor, as one Recording."""
    files = sorted(entry for entry in path.iterdir() if entry.is_file())
    if len(files) > MAX_MEMBERS:
        raise RecordingError(
            f"folder {path.name} holds {len(files)} files; give the folder of one drive, or one file"
        )
    members = [_Member(entry.name, entry, None) for entry in files if _may_be_log(entry.name)]
    return _read_members(path.name, members, [entry.name for entry in files], options)


def _may_be_log(name: str) -> bool:
    place = PurePosixPath(name)
    return place.suffix.lower() in _LOG_SUFFIXES and not place.name.startswith(("._", "."))


def _read_members(source: str, members: list[_Member], names: list[str], options: ReadOptions) -> Recording:
    tables, notes = _tables(members)
    ranked = sorted(((_rank(table), table) for table in tables), key=lambda pair: -pair[0])
    ranked = [(rank, table) for rank, table in ranked if rank > 0]
    if not ranked:
        listed = ", ".join(names[:20]) or "nothing"
        raise RecordingError(
            f"no log of acceleration was found in {source}; it holds {listed}; give one file, with --axes"
        )
    chosen = ranked[0][1]
    sister = next((table for _, table in ranked if table is not chosen and not _gravity_free(table)), None)
    recording = recording_from_table(chosen, options, scale_from=sister)
    beside = [table.source for _, table in ranked[1:]]
    notes.insert(
        0, f"acceleration from {chosen.source}" + (f" (beside it: {', '.join(beside)})" if beside else "")
    )
    speed = recording.speed
    if speed is None:
        speed, speed_notes = _speed_beside(tables, chosen, recording, options)
        notes += speed_notes
    return replace(recording, source=source, speed=speed, history=(*notes, *recording.history))


def _tables(members: list[_Member]) -> tuple[list[Table], list[str]]:
    tables, notes = [], []
    for member in members:
        name = PurePosixPath(member.name).name
        raw = member.raw
        try:
            size = len(raw) if raw is not None else member.path.stat().st_size
            if size == 0:
                notes.append(f"{name} is empty and was passed over")
                continue
            head = raw[:4096] if raw is not None else _head(member.path)
            if is_json(head):
                tables.append(table_from_json(raw if raw is not None else member.path.read_bytes(), name))
            elif is_text(head):
                tables.append(read_table(member.path, raw, name))
        except RecordingError:
            notes.append(f"{name} is not a log and was passed over")
    return tables, notes


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(4096)


def _words(table: Table) -> set[str]:
    return set(words_of(PurePosixPath(table.source).stem))


def _gravity_free(table: Table) -> bool:
    return bool(_words(table) & _GRAVITY_FREE)


def _rank(table: Table) -> float:
    """How much a table is the acceleration to read: named so, gravity in, many true updates, all finite."""
    words = _words(table)
    if words & _OTHER_SENSORS and not words & _ACCELERATION:
        return 0.0
    try:
        axes = find_axes(table, (), set())
    except RecordingError:
        return 0.0
    values = np.stack([table.numbers(column) for column in axes.columns])
    if values.shape[1] < 10:
        return 0.0
    rank = 1.0 + (4.0 if words & _ACCELERATION else 0.0)
    rank += (0.5 if words & _GRAVITY_IN else 0.0) - (0.5 if words & _GRAVITY_FREE else 0.0)
    finite = float(np.isfinite(values).all(axis=0).mean())
    updates = float((np.diff(values, axis=1) != 0).any(axis=0).sum())
    # Twice the true updates outweigh gravity: the faster sensor sees more.
    return float(rank + finite + 0.5 * np.log2(max(updates, 1.0)))


def _speed_beside(
    tables: list[Table], chosen: Table, recording: Recording, options: ReadOptions
) -> tuple[Trace | None, list[str]]:
    """Road speed from another table of the bundle, brought onto the recording's clock."""
    own = find_stamps(chosen, options.time_column) if options.time_column or options.rate_hz is None else None
    if own is None and options.rate_hz is None and chosen.rate_hz is None:
        own = standing_stamps(chosen)
    for table in tables:
        if table is chosen or (options.speed_column and options.speed_column not in table.names):
            continue
        column = find_speed(table, options.speed_column, set())
        stamps = find_stamps(table, slow=True) if column is not None else None
        if column is None or stamps is None or table.rows < 2:
            continue
        trace, notes = speed_trace(table, column, stamps.times_s, options.speed_unit)
        if trace is None:
            return None, notes
        shift, how = _shift(
            table, stamps.column, stamps.epoch_s, chosen, own.column if own else None, recording
        )
        moved = replace(trace, times_s=trace.times_s + shift, epoch_s=recording.epoch_s)
        return moved, [f"speed from {table.source}, {how}", *notes]
    return None, []


def _shift(
    table: Table, column: int, epoch_s: float | None, chosen: Table, own: int | None, recording: Recording
) -> tuple[float, str]:
    """Seconds from the recording's zero to the speed table's zero."""
    if epoch_s is not None and recording.epoch_s is not None:
        return epoch_s - recording.epoch_s, "on the same absolute clock"
    if own is not None and table.names[column] and table.names[column] == chosen.names[own]:
        ours, theirs = chosen.numbers(own), table.numbers(column)
        stamps = find_stamps(table, slow=True)
        unit = 1.0
        if stamps is not None and theirs[-1] != theirs[0]:
            unit = float(stamps.times_s[-1] / (theirs[-1] - theirs[0]))
        return float((theirs[0] - ours[0]) * unit), f'on the same clock "{table.names[column]}"'
    return 0.0, "both clocks taken from their first stamp"

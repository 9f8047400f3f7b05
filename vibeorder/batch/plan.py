"""Which files of a folder are recordings, and of which vehicle each is.

A vehicle is found by the first of these that says something: the line of recordings.csv (or .toml) that names
the recording; the one profile given for all; a profile with the recording's own stem beside it, or in the folder
of vehicles; the nearest vehicle.toml from the recording's folder up to the top; vehicle.toml in the folder of vehicles.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vibeorder.batch.index import INDEX_NAMES, IndexLine, read_index
from vibeorder.batch.model import Task
from vibeorder.batch.said import Said
from vibeorder.batch.table import is_own_table
from vibeorder.errors import VibeorderError

__all__ = ["SUFFIXES", "Plan", "plan_batch"]

SUFFIXES = frozenset([
    ".csv", ".tsv", ".txt", ".log", ".dat", ".json", ".zip", ".wav", ".wave", ".flac", ".ogg", ".oga", ".opus", ".mp3",
    ".aif", ".aiff", ".aifc", ".au", ".caf", ".m4a", ".mp4", ".mov", ".3gp", ".aac", ".amr", ".webm", ".mkv", ".mka",
])  # fmt: skip
"""What a recording's name ends in; whether it is one, its content says. The index may name any other file."""

PROFILE = "vehicle.toml"
SENSOR_LOGS = frozenset(["accelerometer", "totalacceleration", "acceleration", "accelerometeruncalibrated"])
OTHER_LOGS = frozenset(
    ["gyroscope", "location", "gravity", "magnetometer", "orientation", "barometer", "annotation"]
)
"""A folder that holds one log of each kind is the bundle of one drive, as phone loggers unpack it."""


@dataclass(frozen=True, slots=True)
class Plan:
    """tasks in the order of their names; passed: files that are no recordings by their names.

    inputs: every file that is read, which no output may overwrite.
    """

    tasks: tuple[Task, ...]
    passed: tuple[str, ...] = ()
    inputs: tuple[Path, ...] = ()


def plan_batch(folder: Path, vehicles: Path | None, said: Said) -> Plan:
    """Every recording under `folder`, with its vehicle and what is said of it.

    vehicles: a profile for all, a folder of profiles, or an index; None: the folder itself.
    Raises VibeorderError where the folder or the index cannot be used, or no recording is there.
    """
    if not folder.is_dir():
        raise VibeorderError(f"{folder} is not a folder; name the folder that holds the recordings")
    garage = _garage(folder, vehicles)
    lines = garage.lines
    logs = {_real(Path(line.said.speed_log)) for line in lines.values() if line.said.speed_log is not None}
    logs |= {_real(Path(said.speed_log))} if said.speed_log is not None else set()
    left_out = logs | {_real(path) for path in garage.indexes}
    found, passed = _recordings(folder, left_out, set(lines))
    tasks = [_task(folder, source, garage, said) for source in sorted({*found, *lines})]
    if not tasks:
        raise VibeorderError(
            f"no recording was found in {folder}: no file there is named like a sound or a log"
        )
    read = {Path(name) for task in tasks for name in (task.path, task.vehicle, task.said.speed_log) if name}
    return Plan(tuple(tasks), tuple(passed), (*read, *garage.indexes))


@dataclass(frozen=True, slots=True)
class _Garage:
    """Where vehicles come from. single: one for all. folder: of profiles. lines: of the index, by source."""

    single: Path | None
    folder: Path
    lines: dict[str, IndexLine]
    indexes: tuple[Path, ...]


def _garage(folder: Path, vehicles: Path | None) -> _Garage:
    place = folder if vehicles is None else vehicles
    if not place.exists():
        raise VibeorderError(
            f"there is no {place}; --vehicles names a profile, a folder of them, or an index"
        )
    if place.is_file() and (place.suffix.lower() == ".csv" or _lists(place)):
        return _Garage(None, place.parent, read_index(place, folder, place.parent), (place,))
    single = place if place.is_file() else None
    if single is not None:
        from vibeorder.vehicle import load_vehicle

        load_vehicle(single)  # its sentence now, and not once per recording
    garage = place.parent if single is not None else place
    near = dict.fromkeys(one / name for one in (garage, folder) for name in INDEX_NAMES)
    indexes = [path for path in near if path.is_file()]
    if len({_real(path) for path in indexes}) > 1:
        raise VibeorderError(
            f"{indexes[0]} and {indexes[1]} both say which vehicle is whose; keep one of them"
        )
    return _Garage(single, garage, read_index(indexes[0], folder, garage) if indexes else {}, tuple(indexes))


def _lists(path: Path) -> bool:
    """Whether a TOML file is an index rather than a profile."""
    try:
        return any(line.strip() == "[[recording]]" for line in path.read_text("utf-8").splitlines())
    except (OSError, UnicodeDecodeError):
        return False


def _recordings(folder: Path, left_out: set[Path], named: set[str]) -> tuple[list[str], list[str]]:
    """Sources below the folder, and the names of what was passed over."""
    found: list[str] = []
    passed: list[str] = []
    for directory, names in _walk(folder):
        if directory != folder and _is_bundle(names):
            found.append(directory.relative_to(folder).as_posix())
            continue
        for name in names:
            path = directory / name
            source = path.relative_to(folder).as_posix()
            if source in named or name.endswith((".toml", ".journal")) or _real(path) in left_out:
                continue
            if path.suffix.lower() not in SUFFIXES or is_own_table(path):
                passed.append(source)
            else:
                found.append(source)
    inside = tuple(f"{source}/" for source in named)  # of a folder that the index names as one recording
    return [one for one in found if not one.startswith(inside)], passed


def _walk(folder: Path) -> Iterator[tuple[Path, list[str]]]:
    """Folders and their files in the order of their names; nothing hidden, no link to a folder followed."""
    files, folders = [], []
    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        raise VibeorderError(f"folder {folder} cannot be read: {error.strerror or error}") from error
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if entry.is_dir() and not entry.is_symlink():
            folders.append(entry)
        elif entry.is_file():
            files.append(entry.name)
    yield folder, files
    for one in folders:
        yield from _walk(one)


def _is_bundle(names: list[str]) -> bool:
    stems = {
        Path(name).stem.lower().replace(" ", "") for name in names if Path(name).suffix.lower() in SUFFIXES
    }
    return bool(stems & SENSOR_LOGS) and bool(stems & OTHER_LOGS)


def _task(folder: Path, source: str, garage: _Garage, said: Said) -> Task:
    path = folder / source
    line = garage.lines.get(source)
    ours = said if line is None else _beside(said, line.said)
    given = garage.single
    if line is not None and line.vehicle is not None:
        given = line.vehicle
    vehicle = given or _nearest(folder, path, garage.folder)
    task = Task(source, str(path), "" if vehicle is None else str(vehicle), ours)
    if line is not None and line.trouble:
        return replace(task, trouble=line.trouble)
    if not path.exists():
        return replace(task, trouble=f"the index names {source}, but it is not in {folder}")
    if vehicle is None:
        return replace(task, trouble=_NO_VEHICLE.format(source=source, stem=Path(source).stem))
    return task


_NO_VEHICLE = (
    "no vehicle is known for {source}: name it in recordings.csv, or put {stem}.toml or vehicle.toml beside it, "
    "or give one profile for all with --vehicles"
)


def _beside(said: Said, line: Said) -> Said:
    """What the index says of one recording before what is said of all; one way of saying the speed only."""
    own = line.stated()
    if "speed" in own or "speed_log" in own:
        said = replace(said, speed=None, speed_log=None, log_late=None)
    changes: dict[str, Any] = own
    return replace(said, **changes)


def _nearest(folder: Path, path: Path, garage: Path) -> Path | None:
    own = f"{path.stem}.toml"
    ways = [path.parent / own, garage / path.parent.relative_to(folder) / own, garage / own]
    step = path.parent
    ways.append(step / PROFILE)
    while step != folder:
        step = step.parent
        ways.append(step / PROFILE)
    ways.append(garage / PROFILE)
    return next((way for way in ways if way.is_file()), None)


def _real(path: Path) -> Path:
    return Path(os.path.realpath(path))  # resolve() fails on a link to itself

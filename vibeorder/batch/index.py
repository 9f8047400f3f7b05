"""recordings.csv or recordings.toml: one line per recording, its vehicle and what is said of the drive."""

import csv
import os
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path, PureWindowsPath
from typing import Any

from vibeorder.batch.said import FIELDS, Said, said_of
from vibeorder.errors import VibeorderError

__all__ = ["INDEX_NAMES", "IndexLine", "read_index"]

INDEX_NAMES = ("recordings.csv", "recordings.toml")
COLUMNS = ("file", "vehicle", *FIELDS)


@dataclass(frozen=True, slots=True)
class IndexLine:
    """vehicle: the profile's path, or None where the line leaves it to be found. trouble: what is wrong in it."""

    vehicle: Path | None
    said: Said
    trouble: str = ""


def read_index(path: Path, folder: Path, garage: Path) -> dict[str, IndexLine]:
    """The lines by their recording's name relative to `folder`. Profiles and speed logs are looked for beside the
    index, in `garage` and in `folder`.

    Raises VibeorderError where the index itself cannot be read; a line that makes no sense carries its trouble.
    """
    try:
        text = path.read_text("utf-8-sig")
    except UnicodeDecodeError:
        raise VibeorderError(f"{path.name} is not UTF-8 text; save it as CSV in UTF-8") from None
    except OSError as error:
        raise VibeorderError(f"{path} cannot be read: {error.strerror or error}") from error
    rows = _toml_rows(text, path.name) if path.suffix.lower() == ".toml" else _csv_rows(text, path.name)
    places = tuple(dict.fromkeys((path.parent, garage, folder)))
    lines: dict[str, IndexLine] = {}
    for number, cells in rows:
        source = PureWindowsPath(cells.get("file", "").strip()).as_posix().removeprefix("./")
        if source in ("", ".") or "\0" in source:
            raise VibeorderError(f"{path.name}, {number}, does not say which file it is about")
        if source in lines:
            raise VibeorderError(f"{path.name} names {source} twice; keep one of the lines")
        if not _inside(source, folder):
            raise VibeorderError(
                f"{path.name}, {number}: {source} is not inside {folder}; name it from there"
            )
        lines[source] = _line(cells, f"{path.name}, {number}", places)
    return lines


def _inside(source: str, folder: Path) -> bool:
    """Whether a name stays below the folder: not by "..", and not through a link to a folder elsewhere."""
    if source.startswith("/") or ".." in source.split("/") or ":" in source:
        return False
    within = os.path.realpath((folder / source).parent)  # resolve() fails on a link to itself
    return Path(within).is_relative_to(os.path.realpath(folder))


def _csv_rows(text: str, name: str) -> Iterator[tuple[str, dict[str, str]]]:
    head = text.split("\n", 1)[0]
    separator = max(",;\t", key=head.count)
    try:
        rows = list(csv.reader(StringIO(text), delimiter=separator, strict=True))
    except csv.Error as error:
        raise VibeorderError(
            f"{name} is not a table that can be read ({error}); is a quote left open?"
        ) from error
    names = [cell.strip().lower().replace(" ", "_") for cell in rows[0]] if rows else []
    _check_names(names, name)
    if len(set(names)) < len(names):
        raise VibeorderError(f"{name} has a column twice; keep one of them")
    for number, row in enumerate(rows[1:], 2):
        if len(row) > len(names):
            raise VibeorderError(
                f"{name}, line {number}, has {len(row)} cells under {len(names)} column names"
            )
        if any(cell.strip() for cell in row):
            yield f"line {number}", dict(zip(names, row, strict=False))


def _toml_rows(text: str, name: str) -> Iterator[tuple[str, dict[str, str]]]:
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise VibeorderError(f"{name} cannot be read: {error}") from error
    rows = content.get("recording", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise VibeorderError(f"{name} lists no recordings; begin each with [[recording]]")
    for number, row in enumerate(rows, 1):
        _check_names(list(row), name)
        yield f"entry {number}", {key: _word(value) for key, value in row.items()}


def _word(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _check_names(names: list[str], where: str) -> None:
    wrong = next((one for one in names if one not in COLUMNS), None)
    if wrong is not None:
        raise VibeorderError(f"{where} has a column {wrong[:60]!r}; known are {', '.join(COLUMNS)}")
    if "file" not in names:
        raise VibeorderError(f"{where} has no column named file; it says which recording a line is about")


def _line(cells: dict[str, str], where: str, places: tuple[Path, ...]) -> IndexLine:
    wanted, log = cells.get("vehicle", "").strip(), cells.get("speed_log", "").strip()
    try:
        said = said_of(cells)
        if log:
            said = replace(said, speed_log=str(_found(log, ("",), places, "speed log")))
        vehicle = _found(wanted, ("", ".toml"), places, "vehicle profile") if wanted else None
    except VibeorderError as error:
        return IndexLine(None, Said(), f"{where}: {error}")
    return IndexLine(vehicle, said)


def _found(name: str, endings: tuple[str, ...], places: tuple[Path, ...], what: str) -> Path:
    tidy = PureWindowsPath(name).as_posix()
    for place in places:
        for ending in endings:
            if (path := place / f"{tidy}{ending}").is_file():
                return path
    raise VibeorderError(f"there is no {what} {name} in {' or '.join(map(str, places))}")

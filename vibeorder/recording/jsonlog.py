"""Reader of JSON logs: columns as lists, or a list of rows."""

import json
from pathlib import Path
from typing import Any

import numpy as np

from vibeorder.errors import RecordingError
from vibeorder.recording.logs import recording_from_table
from vibeorder.recording.model import Recording
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.table import Table

__all__ = ["NAME", "read", "recognise", "table_from_json"]

NAME = "JSON columns"
MAX_BYTES = 1 << 28


def recognise(head: bytes) -> bool:
    """Whether the first bytes open a JSON object or list of objects; never raises."""
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    return start[:1] == b"{" or (start[:1] == b"[" and start[1:].lstrip()[:1] == b"{")


def read(path: Path, options: ReadOptions) -> Recording:
    """The columns as a Recording; RecordingError where they are not columns of numbers."""
    if path.stat().st_size > MAX_BYTES:
        raise RecordingError(
            f"{path.name} is {path.stat().st_size / 1e6:.0f} MB of JSON; save the log as CSV"
        )
    return recording_from_table(table_from_json(path.read_bytes(), path.name), options)


def table_from_json(raw: bytes, source: str) -> Table:
    """Columns of the one length that most lists share; pieces with "start" and "end" rows are spread out."""
    import pandas as pd  # slow to import, needed for logs only

    try:
        content = json.loads(raw.decode("utf-8-sig", errors="replace"))
    except (ValueError, RecursionError) as error:
        raise RecordingError(
            f"{source} begins like JSON but is not ({str(error)[:80]}); is the copy complete?"
        ) from error
    notes: list[str] = []
    if isinstance(content, list):
        content = _columns_of_rows(content)
    if not isinstance(content, dict):
        raise RecordingError(f"{source} is JSON, but not columns of numbers; save the log as CSV")
    columns = {str(key): value for key, value in content.items() if isinstance(value, list) and _plain(value)}
    lengths = [len(value) for value in columns.values() if len(value) > 1]
    if not lengths:
        raise RecordingError(
            f"{source} is JSON without lists of numbers; its entries are {', '.join(map(str, content))[:200]}"
        )
    rows = max(set(lengths), key=lambda length: (lengths.count(length), length))
    kept: dict[str, Any] = {key: value for key, value in columns.items() if len(value) == rows}
    for key, value in content.items():
        if isinstance(value, list) and (spread := _spread_pieces(str(key), value, rows)) is not None:
            kept[str(key)] = spread
            notes.append(f"{key!r} is given in {len(value)} pieces of rows and was spread over them")
    frame = pd.DataFrame(dict(enumerate(kept.values())))
    return Table(source, tuple(kept), frame, tuple(notes))


def _columns_of_rows(rows: list[Any]) -> dict[str, list[Any]]:
    objects = [row for row in rows if isinstance(row, dict)]
    keys = dict.fromkeys(str(key) for row in objects[:50] for key in row)
    return {key: [row.get(key) for row in objects] for key in keys}


def _plain(values: list[Any]) -> bool:
    return all(value is None or isinstance(value, int | float | str) for value in values[:50])


def _spread_pieces(key: str, pieces: list[Any], rows: int) -> Any:
    """A value given as [{"start": row, "end": row, key: value}, ...] as one value per row, else None."""
    if not pieces or not all(
        isinstance(piece, dict) and {"start", "end", key} <= piece.keys() for piece in pieces
    ):
        return None
    out = np.full(rows, np.nan)
    for piece in pieces:
        try:
            out[int(piece["start"]) : int(piece["end"]) + 1] = float(piece[key])
        except (TypeError, ValueError):
            return None
    return out

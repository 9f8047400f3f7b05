"""What is done so far, beside the output: one line per recording, appended and on the disk before the next.

A process killed at any moment loses what it had in work and no more: the last line may be cut off, and a cut
line is passed over. The file is locked while a batch runs, so that two do not write one output.
"""

import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any

from vibeorder.batch.model import Outcome, Print
from vibeorder.errors import VibeorderError

__all__ = ["Journal", "journal_path", "open_journal"]

FORMAT = 1
BEGINS = b'{"journal": '


def journal_path(output: Path) -> Path:
    """results.csv -> results.csv.journal."""
    return output.with_name(f"{output.name}.journal")


class Journal:
    """An open journal. kept: the latest outcome by source."""

    def __init__(self, path: Path, handle: int, kept: dict[str, Outcome]) -> None:
        self.path, self.kept = path, kept
        self._handle = handle

    def add(self, outcome: Outcome) -> None:
        """Append one outcome and wait until the disk has it. Raises VibeorderError where the disk refuses."""
        line = json.dumps({"journal": FORMAT, **asdict(outcome)}, allow_nan=False) + "\n"
        try:
            _write_all(self._handle, line.encode("ascii"))
            os.fsync(self._handle)
        except OSError as error:
            raise VibeorderError(
                f"{self.path} cannot be written: {error.strerror or error}; every recording before this one is kept, "
                "and the same command goes on from there"
            ) from error
        self.kept[outcome.source] = outcome


@contextmanager
def open_journal(output: Path) -> Iterator[Journal]:
    """The journal of an output, made where there is none, held until the block is left.

    Raises VibeorderError where it cannot be written, is no journal, or another batch holds it.
    """
    path = journal_path(output)
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o666)
    except OSError as error:
        raise VibeorderError(
            f"{path} cannot be written: {error.strerror or error}; choose another --out"
        ) from error
    try:
        _hold(handle, path)
        raw = path.read_bytes()
        kept = _read(raw, path)
        if raw and not raw.endswith(b"\n"):  # the line that a kill cut off
            _write_all(handle, b"\n")
        yield Journal(path, handle, kept)
    finally:
        os.close(handle)


def _hold(handle: int, path: Path) -> None:
    if sys.platform == "win32":
        return  # no such lock there: two batches on one output are not told apart
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise VibeorderError(
            f"another batch is writing to {path}; wait for it, or choose another --out"
        ) from error


def _write_all(handle: int, content: bytes) -> None:
    while content:
        content = content[os.write(handle, content) :]


def _read(raw: bytes, path: Path) -> dict[str, Outcome]:
    kept: dict[str, Outcome] = {}
    lines = [line for line in raw.split(b"\n") if line.strip()]
    for line in lines:
        outcome = _outcome(line)
        if outcome is not None:
            kept[outcome.source] = outcome
    if not kept and not raw.startswith(BEGINS[: len(raw)]):
        raise VibeorderError(f"{path} is no journal of a batch; move it away, or choose another --out")
    return kept


def _outcome(line: bytes) -> Outcome | None:
    try:
        entry: dict[str, Any] = json.loads(line)
        if entry.pop("journal") != FORMAT:
            return None
        made = entry.pop("print")
        outcome = Outcome(print=None if made is None else Print(**made), **entry)
        words = (outcome.source, outcome.options, outcome.vehicle, outcome.error)
        sound = all(isinstance(one, str) for one in words) and isinstance(outcome.result, dict | None)
        return outcome if sound else None
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None

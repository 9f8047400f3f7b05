"""A recording read in a process of its own, while this one gets ready for what is done with it.

What a diagnosis needs takes as long to import as ten minutes of log to read, with what only the reading needs.
"""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from vibeorder.errors import RecordingError
from vibeorder.recording.model import Recording
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.processes import at_once, crashed, forked
from vibeorder.recording.reading import read_recording
from vibeorder.recording.store import on_disk

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

__all__ = ["Reader", "read_ahead", "read_apart"]

Reader = Callable[[Path, ReadOptions], Recording]
"""As `read_recording`."""

LONGEST_BYTES = 60_000_000
"""Larger files hold recordings that are kept on disk and cannot be handed over."""


def read_ahead(path: Path, options: ReadOptions) -> Reader:
    """Begins to read a file. What comes back gives its recording, and reads any other file when it is asked to.

    What cannot be read, or handed over, is read again when it is asked for: then it is said what is wrong.
    What made the reading crash would make this process crash too, and is refused: RecordingError.
    """
    try:
        if at_once() < 2 or not path.is_file() or path.stat().st_size > LONGEST_BYTES:
            return read_recording
    except OSError:
        return read_recording
    child, pipe = forked(_read, path, options)

    def reader(asked: Path, how: ReadOptions) -> Recording:
        if (asked, how) != (path, options):
            return read_apart(asked, how)
        found: Recording | None
        try:
            found = pipe.recv()
        except (EOFError, OSError):  # dead, for want of memory
            found = None
        child.join()
        if found is None and crashed(child.exitcode):
            raise RecordingError(
                f"reading {path.name} crashed the process that read it (exit code {child.exitcode}): the file is "
                "damaged, or of a kind that its decoder cannot take; copy it again, or save it as WAV or CSV"
            )
        return read_recording(asked, how) if found is None else found

    return reader


def read_apart(path: Path, options: ReadOptions = ReadOptions()) -> Recording:  # noqa: B008 (frozen)
    """As `read_recording`, in a process of its own where one may be had: a decoder's crash is a RecordingError then."""
    return read_ahead(path, options)(path, options)


def _read(path: Path, options: ReadOptions, pipe: "Connection[Recording | None, None]") -> None:
    try:
        found = read_recording(path, options)
    except Exception:
        return
    if not on_disk(found.samples):
        pipe.send(found)

"""Reader of text logs: CSV, TSV, semicolons, blanks, with or without header."""

from itertools import chain
from pathlib import Path

from vibeorder.errors import RecordingError
from vibeorder.recording.layout import is_text
from vibeorder.recording.logs import recording_from_table
from vibeorder.recording.longlog import recording_from_sections
from vibeorder.recording.model import Recording
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.table import read_sections, read_table

__all__ = ["NAME", "read", "recognise"]

NAME = "text log (CSV, TSV, semicolons, blanks)"


def recognise(head: bytes) -> bool:
    """Whether the first bytes are text; never raises."""
    return bool(head) and is_text(head)


def read(path: Path, options: ReadOptions) -> Recording:
    """The log as a Recording; RecordingError names the option that settles what the file does not say."""
    with path.open("rb") as file:
        head = file.read(2048).lstrip(b"\xef\xbb\xbf \t\r\n")
    if head[:1] == b"<":
        what = "a GPX track of positions: give it as --speed-log beside" if b"<gpx" in head else "markup, not"
        raise RecordingError(f"{path.name} is {what} a recording of the shake")
    sections = read_sections(path)
    first, second = next(sections), next(sections, None)
    if second is None:
        return recording_from_table(first, options)
    try:
        return recording_from_sections(chain((first, second), sections), options)
    except RecordingError:
        # what the first section does not tell the whole log may
        return recording_from_table(read_table(path), options)

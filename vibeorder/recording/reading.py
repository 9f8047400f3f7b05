"""The one entry: asks each reader in turn whether a file is its own."""

from dataclasses import replace
from pathlib import Path
from types import ModuleType

from vibeorder.errors import RecordingError
from vibeorder.recording import archive, audio, jsonlog, media, textlog
from vibeorder.recording.model import Recording, showable
from vibeorder.recording.options import ReadOptions

__all__ = ["READERS", "read_recording"]

# Asked in this order, by content and never by extension: text last, since it claims whatever is not binary.
READERS: tuple[ModuleType, ...] = (audio, media, archive, jsonlog, textlog)
HEAD_BYTES = 4096


def read_recording(path: Path, options: ReadOptions = ReadOptions()) -> Recording:  # noqa: B008 (frozen)
    """Reads any recording: sound, accelerometer log, zip or folder of logs. The file is never modified.

    path: the file or folder. options: what the user says about it.
    Raises RecordingError with one sentence that says what is wrong and which option or action settles it.
    """
    path = Path(path)
    try:
        if not path.exists():
            raise RecordingError(f"there is no file {path}; check the name")
        if path.is_dir():
            return _told(archive.read_folder(path, options))
        head = _head(path)
        for reader in READERS:
            if reader.recognise(head):
                return _told(reader.read(path, options))
    except OSError as error:
        raise RecordingError(f"{path} cannot be opened: {error.strerror or error}") from error
    except MemoryError as error:
        raise RecordingError(
            f"{path.name} is too large for the memory of this machine; cut it shorter"
        ) from error
    raise RecordingError(
        f"{path.name} is neither a sound file nor a text log that can be read; "
        "save the recording as WAV, M4A or CSV"
    )


def _told(recording: Recording) -> Recording:
    """The recording with names that can be shown."""
    return replace(
        recording,
        source=showable(recording.source),
        channels=tuple(showable(name) for name in recording.channels),
        history=tuple(showable(sentence) for sentence in recording.history),
    )


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    if not head:
        raise RecordingError(f"{path.name} is empty (0 bytes); record or copy it again")
    return head

"""A first look at an uploaded file, before anything decodes it: how long it says it is, what it unpacks to.

Headers may lie: what comes out is measured again after decoding, and the process that decodes has limits of memory
and time. This look only spares the honest visitor the wait.
"""

import zipfile
from pathlib import Path

from vibeorder.errors import RecordingError
from vibeorder.recording import READERS

__all__ = ["check_duration", "check_file"]

MAX_MEMBERS = 200
HEAD_BYTES = 4096


def check_file(path: Path, shown: str, decoded_s: float, unpacked_bytes: int) -> None:
    """Refuse sound that says it is too long, and a zip that says it unpacks to too much. Raises RecordingError.

    shown: the name to use in the sentence.
    """
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    kind = next((reader.__name__.rpartition(".")[2] for reader in READERS if reader.recognise(head)), "")
    if kind == "archive":
        _check_zip(path, shown, unpacked_bytes)
    elif kind == "audio":
        check_duration(_sound_s(path), shown, decoded_s)
    elif kind == "media":
        check_duration(_media_s(path), shown, decoded_s)


def check_duration(duration_s: float, shown: str, decoded_s: float) -> None:
    """Refuse what lasts longer than `decoded_s`. Raises RecordingError."""
    if duration_s > decoded_s:
        raise RecordingError(
            f"{shown} lasts {duration_s / 60:.0f} minutes; the page takes up to {decoded_s / 60:.0f}: "
            "cut it to the drive that shakes"
        )


def _check_zip(path: Path, shown: str, unpacked_bytes: int) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError, EOFError):
        raise RecordingError(f"{shown} is a damaged zip; pack it again, or send the log itself") from None
    total = sum(member.file_size for member in members)
    if len(members) > MAX_MEMBERS or total > unpacked_bytes:
        raise RecordingError(
            f"{shown} unpacks to {len(members)} files of {total / 1e6:.0f} MB; a zip of one drive's logs holds "
            f"at most {MAX_MEMBERS} files of {unpacked_bytes / 1e6:.0f} MB together: send the log itself"
        )


def _sound_s(path: Path) -> float:
    """Seconds that a sound file's header promises; 0 where it cannot be read, which the reader then says."""
    import soundfile

    try:
        return float(soundfile.info(str(path)).duration)
    except (RuntimeError, ValueError, ZeroDivisionError):
        return 0.0


def _media_s(path: Path) -> float:
    """Seconds that a media container promises; 0 where it does not or cannot be read."""
    import av

    try:
        with av.open(str(path)) as container:
            return float(container.duration or 0) / float(av.time_base)
    except (av.error.FFmpegError, ValueError, EOFError):
        return 0.0

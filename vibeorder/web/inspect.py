"""A first look at an uploaded file, before anything decodes it: how long, how wide, how much it unpacks to."""

import zipfile
from pathlib import Path

from vibeorder.errors import RecordingError

__all__ = ["check_media"]

MAX_MEMBERS = 200


def check_media(path: Path, decoded_s: float, unpacked_bytes: int) -> None:
    """Refuse a zip that says it unpacks to too much. Raises RecordingError."""
    if not zipfile.is_zipfile(path):
        return
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise RecordingError(f"{path.name} is a damaged zip ({error}); pack it again") from None
    total = sum(member.file_size for member in members)
    if len(members) > MAX_MEMBERS or total > unpacked_bytes:
        raise RecordingError(
            f"{path.name} unpacks to {len(members)} files of {total / 1e6:.0f} MB; a zip of logs holds a few "
            f"of at most {unpacked_bytes / 1e6:.0f} MB together: send the log itself"
        )

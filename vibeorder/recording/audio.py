"""Reader of sound files that libsndfile knows: WAV, FLAC, OGG, MP3, AIFF, AU, CAF."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.blocks import recording_from_blocks
from vibeorder.recording.model import Recording
from vibeorder.recording.options import ReadOptions

__all__ = ["NAME", "read", "recognise"]

NAME = "sound (WAV, FLAC, OGG, MP3, AIFF)"
BLOCK_VALUES = 1 << 18


def recognise(head: bytes) -> bool:
    """Whether the first bytes are those of a sound file that libsndfile reads; never raises."""
    if head[:4] in (b"RIFF", b"RIFX", b"RF64") and head[8:12] == b"WAVE":
        return True
    if head[:4] in (b"fLaC", b".snd", b"riff", b"caff"):
        return True
    if head[:4] == b"OggS":
        # Opus in OGG is left to PyAV only where libsndfile cannot: libsndfile 1.1 and later can.
        return True
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return True
    return head[:3] == b"ID3" or _is_mpeg_layer3(head)


def read(path: Path, options: ReadOptions) -> Recording:
    """The sound as a Recording at about 2 kHz; RecordingError where the file is broken or empty."""
    import soundfile  # slow to import, needed for sound only

    try:
        with soundfile.SoundFile(str(path)) as file:
            if file.frames == 0:
                raise RecordingError(f"{path.name} is a sound file without any sound in it")
            return recording_from_blocks(
                _blocks(file), float(file.samplerate), file.channels, file.frames, path.name, options
            )
    except soundfile.LibsndfileError as error:
        raise RecordingError(
            f"{path.name} begins like a sound file but cannot be decoded ({str(error).strip(' .')}); "
            "copy it from the phone again or save it as WAV"
        ) from error


def _blocks(file: Any) -> Iterator[NDArray[np.float32]]:
    frames = max(1024, BLOCK_VALUES // file.channels)
    while True:
        block = file.read(frames, dtype="float32", always_2d=True)
        if not len(block):
            return
        yield block.T


def _is_mpeg_layer3(head: bytes) -> bool:
    """An MPEG audio frame header of layer 3 with a rate and bit rate that exist."""
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE0 != 0xE0 or head[1] & 0x06 != 0x02:
        return False
    return head[2] >> 4 not in (0, 15) and head[2] & 0x0C != 0x0C and head[1] & 0x18 != 0x08

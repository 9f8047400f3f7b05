"""Reader of sound in phone containers, through PyAV: M4A, MP4, MOV, 3GP, AAC, AMR, Opus, WebM."""

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

NAME = "sound of phones and video (M4A, MP4, MOV, 3GP, AAC, AMR, WebM)"
# Frames of 20 ms each are gathered into blocks of about a second before they are filtered.
BLOCK_FRAMES = 1 << 16


def recognise(head: bytes) -> bool:
    """Whether the first bytes are those of a media container or an AAC or AMR stream; never raises."""
    if head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"):
        return True
    if head[:4] == b"\x1aE\xdf\xa3" or head[:5] == b"#!AMR":
        return True
    # ADTS: twelve bits set, layer 0.
    return len(head) > 2 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0


def read(path: Path, options: ReadOptions) -> Recording:
    """The first sound track as a Recording at about 2 kHz; RecordingError where there is none."""
    import av  # slow to import, needed for these files only

    try:
        with av.open(str(path)) as container:
            if not container.streams.audio:
                raise RecordingError(f"{path.name} has no sound track; record the shake with sound on")
            stream = container.streams.audio[0]
            # a stream whose codec is not known has neither
            rate, channels = float(getattr(stream, "rate", 0) or 0), int(getattr(stream, "channels", 0) or 0)
            if rate <= 0 or channels <= 0:
                raise RecordingError(f"{path.name} does not say the rate of its sound; save it as WAV")
            timed = stream.duration is not None and stream.time_base is not None
            seconds = float(stream.duration * stream.time_base) if timed else 0.0  # type: ignore[operator]
            broken: list[str] = []
            recording = recording_from_blocks(
                _blocks(container, stream, channels, broken), rate, channels,
                int(seconds * rate) or None, path.name, options,
            )  # fmt: skip
    except (av.error.FFmpegError, ValueError, EOFError) as error:
        raise RecordingError(
            f"{path.name} begins like a phone recording but cannot be decoded "
            f"({str(error).split(':')[0][:80]}); is the copy complete? Copy it again, or save it as WAV"
        ) from error
    if broken:
        from dataclasses import replace

        note = f"{len(broken)} damaged pieces of sound were left out"
        recording = replace(recording, history=(*recording.history, note))
    return recording


def _blocks(container: Any, stream: Any, channels: int, broken: list[str]) -> Iterator[NDArray[np.float32]]:
    import av

    resampler = av.AudioResampler(format="fltp", layout=stream.layout, rate=stream.rate)
    held: list[NDArray[np.float32]] = []
    frames = 0
    for packet in container.demux(stream):
        try:
            decoded = packet.decode()
        except av.error.FFmpegError as error:
            broken.append(str(error))
            continue
        for frame in decoded:
            for piece in resampler.resample(frame):
                block = piece.to_ndarray().astype(np.float32, copy=False)
                held.append(block[:channels])
                frames += block.shape[1]
        if frames >= BLOCK_FRAMES:
            yield np.concatenate(held, axis=1)
            held, frames = [], 0
    if held:
        yield np.concatenate(held, axis=1)

"""Reader of sound in phone containers, through PyAV: M4A, MP4, MOV, 3GP, AAC, AMR, Opus, WebM."""

from collections import Counter
from collections.abc import Iterator
from itertools import chain, islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.blocks import recording_from_blocks
from vibeorder.recording.model import Recording
from vibeorder.recording.options import ReadOptions
from vibeorder.units import counted

__all__ = ["NAME", "read", "recognise"]

NAME = "sound of phones and video (M4A, MP4, MOV, 3GP, AAC, AMR, WebM)"
# Frames of 20 ms each are gathered into blocks of about a second before they are filtered.
BLOCK_FRAMES = 1 << 16
# About a second of them tells the rate and the channels.
LOOKED_AT = 48


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
            if not getattr(stream, "rate", 0) or not getattr(stream, "channels", 0):
                raise RecordingError(f"{path.name} does not say the rate of its sound; save it as WAV")
            timed = stream.duration is not None and stream.time_base is not None
            seconds = float(stream.duration * stream.time_base) if timed else 0.0  # type: ignore[operator]
            track = _Track(container, stream, path.name)
            recording = recording_from_blocks(
                track.blocks(), float(track.rate_hz), track.channels,
                int(seconds * track.rate_hz) or None, path.name, options,
            )  # fmt: skip
    except (av.error.FFmpegError, ValueError, EOFError) as error:
        raise RecordingError(
            f"{path.name} begins like a phone recording but cannot be decoded "
            f"({str(error).split(':')[0][:80]}); is the copy complete? Copy it again, or save it as WAV"
        ) from error
    if track.left_out:
        from dataclasses import replace

        note = f"{counted(track.left_out, 'damaged piece')} of sound left out"
        recording = replace(recording, history=(*recording.history, note))
    return recording


class _Track:
    """A sound track in blocks, without the pieces of it that are damaged.

    rate_hz, channels: of most of its first frames, since a damaged head may say any. left_out: pieces so far.
    """

    def __init__(self, container: Any, stream: Any, source: str) -> None:
        import av

        self._container, self._stream, self._source = container, stream, source
        self.left_out = self._used = 0
        frames = self._decoded()
        first = list(islice(frames, LOOKED_AT))
        self._frames = chain(first, frames)
        setups = Counter(_setup(frame) for frame in first)
        self._setup = setups.most_common(1)[0][0] if first else ("", stream.layout.name, stream.rate)
        self.rate_hz: int = self._setup[2]
        layout = self._setup[1]
        self.channels: int = av.AudioLayout(layout).nb_channels
        # Packed, not planar: of a planar frame of eight channels or more PyAV (18.1) takes what lies in memory behind
        # the list of its planes for more of them, and the process dies.
        self._resampler: Any = av.AudioResampler(format="flt", layout=layout, rate=self.rate_hz)

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """Sound [shape (channels, n)]; RecordingError where more of it is damaged than not."""
        held: list[NDArray[np.float32]] = []
        count = 0
        for frame in self._frames:
            if _setup(frame) != self._setup:
                self.left_out += 1
                continue
            self._used += 1
            for piece in self._resampler.resample(frame):
                held.append(piece.to_ndarray().reshape(-1, self.channels))
                count += len(held[-1])
            if count >= BLOCK_FRAMES:
                yield np.concatenate(held).T
                held, count = [], 0
        if self.left_out > self._used:
            raise RecordingError(
                f"{self._source} is damaged: {self.left_out} of {self.left_out + self._used} pieces of its sound "
                "cannot be decoded or do not fit the others; copy it again, or save it as WAV"
            )
        if held:
            yield np.concatenate(held).T

    def _decoded(self) -> Iterator[Any]:
        import av

        for packet in self._container.demux(self._stream):
            try:
                frames = packet.decode()
            except av.error.FFmpegError:
                self.left_out += 1
                continue
            yield from frames


def _setup(frame: Any) -> tuple[str, str, int]:
    return frame.format.name, frame.layout.name, frame.sample_rate

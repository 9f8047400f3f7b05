"""One second of a recording as the phone sends it: what is in it, checked before it is acknowledged.

    4 bytes   b"VOP1"
    4 bytes   length of the head, unsigned, little-endian
    head      JSON: {"n", "rows", "sound": [{"segment", "frame", "frames", "arrived_s"}], "fixes", "marks", "events"}
              marks: seconds of a tap on "it shakes now", or [seconds, which step of the card begins or ends]
    motion    rows x 10 numbers of 8 bytes (float64, little-endian), in the order of MOTION_COLUMNS
    sound     16-bit PCM, little-endian, the frames of all blocks one after another

Piece 0 holds no samples; its head's "about" says when and how the recording was begun. docs/recorder-format.md
describes what is made of it.
"""

import json
import re
import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.ourfile import MOTION_COLUMNS

__all__ = ["About", "Fix", "Piece", "SoundBlock", "parse_piece"]

MAGIC = b"VOP1"
MAX_HEAD_BYTES = 1 << 16
MAX_LISTED = 2000
# Half a day: no recording is longer, and a time beyond is a damaged one.
LATEST_S = 43_200.0
MOST_FRAMES = 1 << 40
SLOWEST_SOUND_HZ, FASTEST_SOUND_HZ = 8_000, 192_000
SOURCES = ("gps", "positions")
_LOCAL = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d")
_WORDS = re.compile(r"[\w ,.:;()/%+-]{1,120}")


@dataclass(frozen=True, slots=True)
class SoundBlock:
    """Frames that follow each other. frame: number of the first, on the sound card's own count.

    segment: rises whenever the sound began anew. arrived_s: when the last frame was with the page.
    samples: [shape (frames,)] int16.
    """

    segment: int
    frame: int
    arrived_s: float
    samples: NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class Fix:
    """One road speed: its own stamp, when it arrived, whether the phone gave it or it is the way between two fixes."""

    time_s: float
    speed_mps: float
    arrived_s: float
    source: str
    accuracy_m: float | None


@dataclass(frozen=True, slots=True)
class About:
    """How the recording was begun. begun_epoch_s: Unix time of time 0. begun_local: as the phone's clock showed it.

    sound_hz: None without sound. processing: what the browser says it did to the sound. still_check: or None.
    """

    begun_epoch_s: float
    begun_local: str
    sound_hz: int | None
    processing: dict[str, bool]
    still_check: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class Piece:
    """What one piece holds. motion: [shape (rows, 10)], NaN where the phone gave no number.

    steps: when a drive of the card began or ended, and which.
    """

    number: int
    about: About | None
    motion: NDArray[np.float64]
    sound: tuple[SoundBlock, ...]
    fixes: tuple[Fix, ...]
    marks_s: tuple[float, ...]
    events: tuple[tuple[float, str], ...]
    steps: tuple[tuple[float, str], ...] = ()


def parse_piece(body: bytes, number: int) -> Piece:
    """A piece out of its bytes. Raises RecordingError where anything in it is not as described above."""
    try:
        return _parse(body, number)
    except (
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        OverflowError,
        RecursionError,
        struct.error,
    ) as error:
        raise RecordingError(
            f"piece {number} of the recording is not as the recorder page makes it ({str(error)[:80]}); "
            "load the recorder page again"
        ) from error


def _parse(body: bytes, number: int) -> Piece:
    if body[:4] != MAGIC:
        raise ValueError("it begins otherwise")
    (length,) = struct.unpack("<I", body[4:8])
    if length > MAX_HEAD_BYTES:
        raise ValueError("its head is too long")
    head = json.loads(body[8 : 8 + length])
    if head["n"] != number:
        raise ValueError(f"it says it is piece {head['n']}")
    rows, width = _whole(head["rows"], 100_000), len(MOTION_COLUMNS)
    motion_end = 8 + length + rows * width * 8
    blocks = [_block_head(one) for one in _listed(head["sound"])]
    if len(body) != motion_end + 2 * sum(frames for *_, frames in blocks):
        raise ValueError("its length does not fit what it says it holds")
    motion = np.frombuffer(body[8 + length : motion_end], "<f8").reshape(rows, width)
    times = motion[:, 0]
    if rows and not (np.isfinite(times).all() and np.abs(times).max() < LATEST_S):
        raise ValueError("a motion sample has no time")
    marks = _listed(head["marks"])
    return Piece(
        number=number,
        about=_about(head["about"]) if number == 0 else None,
        motion=motion,
        sound=_blocks(body[motion_end:], blocks),
        fixes=tuple(_fix(one) for one in _listed(head["fixes"])),
        marks_s=tuple(_time(one) for one in marks if not isinstance(one, list)),
        steps=tuple(
            (_time(at), _words(what)) for at, what in (one for one in marks if isinstance(one, list))
        ),
        events=tuple((_time(one["time_s"]), _words(one["what"])) for one in _listed(head["events"])),
    )


def _block_head(one: dict[str, Any]) -> tuple[int, int, float, int]:
    return (
        _whole(one["segment"], 10_000), _whole(one["frame"], MOST_FRAMES), _time(one["arrived_s"]),
        _whole(one["frames"], 10_000_000),
    )  # fmt: skip


def _blocks(data: bytes, heads: list[tuple[int, int, float, int]]) -> tuple[SoundBlock, ...]:
    samples, at, found = np.frombuffer(data, "<i2"), 0, []
    for segment, frame, arrived_s, frames in heads:
        found.append(SoundBlock(segment, frame, arrived_s, samples[at : at + frames]))
        at += frames
    return tuple(found)


def _fix(one: list[Any]) -> Fix:
    time_s, speed, arrived_s, source, accuracy = one
    if source not in SOURCES:
        raise ValueError("a speed comes from nowhere")
    return Fix(
        _time(time_s), _within(speed, 0.0, 200.0), _time(arrived_s), source,
        None if accuracy is None else _within(accuracy, 0.0, 1e6),
    )  # fmt: skip


def _about(one: dict[str, Any]) -> About:
    sound, still = one["sound"], one["still_check"]
    local = str(one["begun_local"])
    if not _LOCAL.fullmatch(local):
        raise ValueError("it does not say when it was begun")
    return About(
        begun_epoch_s=_within(one["begun_epoch_s"], 0.0, 1e11),
        begun_local=local,
        sound_hz=None if sound is None else _rate(sound["rate_hz"]),
        processing={} if sound is None else {_words(name): bool(on) for name, on in sound["processing"].items()},
        still_check=None if still is None else {
            "seconds": _within(still["seconds"], 0.0, 60.0),
            "shake_mps2": _within(still["shake_mps2"], 0.0, 1000.0),
            "sway_mps2": _within(still["sway_mps2"], 0.0, 1000.0),
            "passed": bool(still["passed"]),
        },
    )  # fmt: skip


def _rate(value: Any) -> int:
    rate = _whole(value, FASTEST_SOUND_HZ)
    if rate < SLOWEST_SOUND_HZ:
        raise ValueError("the sound's rate is none of a microphone")
    return rate


def _listed(value: Any) -> list[Any]:
    if not isinstance(value, list) or len(value) > MAX_LISTED:
        raise ValueError("a list in it is none, or too long")
    return value


def _time(value: Any) -> float:
    return _within(value, -LATEST_S, LATEST_S)


def _within(value: Any, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ValueError(f"{value!r} is not a number from {low:g} to {high:g}")
    return float(value)


def _whole(value: Any, high: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= high:
        raise ValueError(f"{value!r} is not a whole number up to {high}")
    return value


def _words(value: Any) -> str:
    if not isinstance(value, str) or not _WORDS.fullmatch(value):
        raise ValueError("a text in it is none of the recorder's")
    return value

"""Pieces of a recording to one file: motion, speed and sound on one clock, and the JSON that says so.

The layout is that of `vibeorder.recording.ourfile`; nothing is resampled, smoothed or filled in. Where sound is
missing the WAV holds silence, and the JSON says where.
"""

import io
import json
import struct
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder import __version__
from vibeorder.errors import RecordingError
from vibeorder.recording.ourfile import (
    FORMAT,
    JSON_NAME,
    MOTION_COLUMNS,
    MOTION_NAME,
    SHAKES,
    SOUND_CLOCK_NAME,
    SOUND_NAME,
    SPEED_COLUMNS,
    SPEED_NAME,
    STEP_ENDS,
    VERSION,
)
from vibeorder.web.pieces import About, Piece, SoundBlock

__all__ = ["Assembled", "assemble"]

# Within this a block that comes late has only waited for the page; beyond, the sound itself had stopped.
LEAST_GAP_S = 0.1
SILENCE = 1 << 16
# The fastest sensor that a browser has handed out gives 200 Hz; many times that is no motion.
MOST_ROWS_A_SECOND = 1000
WHOLE_ZIP_DATE = (1980, 1, 1, 0, 0, 0)
"""Of every file in the zip: the same pieces give the same bytes. When it was recorded stands in the JSON."""
TOTAL = "m/s^2 along the phone's own axis, gravity in"
LINEAR = "m/s^2 along the phone's own axis, gravity taken out by the phone"
UNITS = {
    "time_s": "s since the recording began, the stamp of the motion event or of the position itself",
    "linear_acceleration_x_mps2": LINEAR,
    "linear_acceleration_y_mps2": LINEAR,
    "linear_acceleration_z_mps2": LINEAR,
    "acceleration_x_mps2": TOTAL,
    "acceleration_y_mps2": TOTAL,
    "acceleration_z_mps2": TOTAL,
    "_degps": "degrees per second about the phone's own axis",
    "speed_mps": "m/s",
    "arrived_s": "s since the recording began, when the page was told",
    "from": "gps: the phone's own speed; positions: way between two positions over the time between them",
    "accuracy_m": "m, of the position, as the phone says",
}


@dataclass(frozen=True, slots=True)
class Assembled:
    """What was put together, for showing."""

    begun_local: str
    duration_s: float
    motion_rows: int
    motion_hz: float
    speeds: int
    marks: int
    sound_s: float
    steps: int = 0


@dataclass(frozen=True, slots=True)
class _Placed:
    """Sound blocks on one line of frames: (first frame, piece, block), gaps in between, start on the clock."""

    start_s: float
    frames: int
    at: tuple[tuple[int, int, int], ...]
    gaps: tuple[tuple[float, float], ...]


def assemble(pieces: Callable[[], Iterator[Piece]], target: Path, name: str, longest_s: float) -> Assembled:
    """Write the zip of one recording. name: its id.

    pieces: called for each of two passes, gives all pieces in their order; sound is never held as a whole.
    Raises RecordingError where there is no motion, or where it lasts longer than longest_s.
    """
    about, motion, parts = _gather(pieces(), round(MOST_ROWS_A_SECOND * longest_s))
    times = motion[:, 0]
    placed = _place(parts.sound, about.sound_hz)
    last_s = max(float(times.max()), 0.0 if placed is None else placed.start_s + placed.frames / _rate(about))
    if last_s > longest_s:
        raise RecordingError(
            f"the recording lasts {last_s / 60:.0f} minutes; the page takes up to {longest_s / 60:.0f}"
        )
    said = _json(name, about, motion, parts, placed, last_s)
    with zipfile.ZipFile(target, "w") as bundle:
        _add(bundle, JSON_NAME, json.dumps(said, indent=1).encode(), zipfile.ZIP_STORED)
        _add(bundle, MOTION_NAME, _csv(MOTION_COLUMNS, (row.tolist() for row in motion)))
        _add(bundle, SPEED_NAME, _csv(SPEED_COLUMNS, parts.fixes))
        if placed is not None:
            clock = ((first + block.samples.size, block.arrived_s) for (first, *_), block in
                     zip(placed.at, parts.sound, strict=True))  # fmt: skip
            _add(bundle, SOUND_CLOCK_NAME, _csv(("frame", "time_s"), clock))
            _add_sound(bundle, pieces(), placed, _rate(about))
    span = float(np.ptp(times))
    return Assembled(
        begun_local=about.begun_local, duration_s=last_s, motion_rows=len(motion),
        motion_hz=(len(motion) - 1) / span if span > 0 else 0.0, speeds=len(parts.fixes),
        marks=len(parts.marks), sound_s=0.0 if placed is None else placed.frames / _rate(about),
        steps=sum(not what.endswith(STEP_ENDS) for _, what in parts.steps),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Parts:
    """Everything but motion. sound: blocks without their samples' memory, in order of their pieces."""

    fixes: list[Sequence[Any]]
    marks: list[float]
    events: list[tuple[float, str]]
    sound: list[SoundBlock]
    steps: list[tuple[float, str]]


def _gather(pieces: Iterator[Piece], most_rows: int) -> tuple[About, NDArray[np.float64], _Parts]:
    about: About | None = None
    motion, rows_seen, parts = list[NDArray[np.float64]](), 0, _Parts([], [], [], [], [])
    for piece in pieces:
        about, rows_seen = piece.about or about, rows_seen + len(piece.motion)
        if rows_seen > most_rows:
            raise RecordingError(
                f"the recording holds more than {most_rows} motion samples, which no phone takes"
            )
        motion.append(piece.motion)
        parts.fixes.extend((f.time_s, f.speed_mps, f.arrived_s, f.source, f.accuracy_m) for f in piece.fixes)
        parts.marks.extend(piece.marks_s)
        parts.steps.extend(piece.steps)
        parts.events.extend(piece.events)
        for block in piece.sound:
            hollow = np.broadcast_to(np.int16(0), block.samples.shape)
            parts.sound.append(SoundBlock(block.segment, block.frame, block.arrived_s, hollow))
    rows = np.concatenate(motion) if motion else np.empty((0, len(MOTION_COLUMNS)))
    if about is None or len(rows) < 2:
        raise RecordingError("the recording holds no motion: was the phone allowed to measure it?")
    return about, rows, parts


def _place(blocks: list[SoundBlock], rate_hz: int | None) -> _Placed | None:
    """Where each block stands. A block arrives after its last frame, never before: the least delay counts."""
    if rate_hz is None or not any(block.samples.size for block in blocks):
        return None
    begun: dict[int, float] = {}  # segment -> time of frame 0 of the sound card's count
    for block in blocks:
        zero_s = block.arrived_s - (block.frame + block.samples.size) / rate_hz
        begun[block.segment] = min(zero_s, begun.get(block.segment, zero_s))
    start_s = begun[blocks[0].segment] + blocks[0].frame / rate_hz
    at, gaps, end = [], [], 0
    for i, block in enumerate(blocks):
        first = round((begun[block.segment] + block.frame / rate_hz - start_s) * rate_hz)
        if first - end < LEAST_GAP_S * rate_hz:
            first = end
        else:
            gaps.append((start_s + end / rate_hz, (first - end) / rate_hz))
        at.append((first, i, block.samples.size))
        end = first + block.samples.size
    return _Placed(start_s, end, tuple(at), tuple(gaps))


def _add(bundle: zipfile.ZipFile, name: str, data: bytes, how: int = zipfile.ZIP_DEFLATED) -> None:
    info = zipfile.ZipInfo(name, WHOLE_ZIP_DATE)
    info.compress_type, info.external_attr = how, 0o644 << 16
    bundle.writestr(info, data)


def _add_sound(bundle: zipfile.ZipFile, pieces: Iterator[Piece], placed: _Placed, rate_hz: int) -> None:
    """The WAV, block after block: not compressed, so that it can be read where it lies."""
    info = zipfile.ZipInfo(SOUND_NAME, WHOLE_ZIP_DATE)
    info.external_attr = 0o644 << 16
    blocks = (block for piece in pieces for block in piece.sound)
    with bundle.open(info, "w") as member:
        member.write(_wave_head(placed.frames, rate_hz))
        written = 0
        for (first, *_), block in zip(placed.at, blocks, strict=True):
            while written < first:
                silent = min(SILENCE, first - written)
                member.write(bytes(2 * silent))
                written += silent
            member.write(block.samples.astype("<i2").tobytes())
            written = first + block.samples.size


def _wave_head(frames: int, rate_hz: int) -> bytes:
    """RIFF head of mono 16-bit PCM (Multimedia Programming Interface and Data Specifications 1.0, 1991)."""
    size = 2 * frames
    form = struct.pack("<HHIIHH", 1, 1, rate_hz, 2 * rate_hz, 2, 16)
    return (
        b"RIFF"
        + struct.pack("<I", 36 + size)
        + b"WAVEfmt "
        + struct.pack("<I", 16)
        + form
        + (b"data" + struct.pack("<I", size))
    )


def _csv(columns: Sequence[str], rows: Any) -> bytes:
    made = io.BytesIO()
    made.write((",".join(columns) + "\n").encode())
    for row in rows:
        made.write((",".join(_cell(value) for value in row) + "\n").encode())
    return made.getvalue()


def _cell(value: Any) -> str:
    """Shortest text that reads back as the same number; nothing for none."""
    if value is None or value != value:
        return ""
    return value if isinstance(value, str) else repr(round(value, 6))


def _rate(about: About) -> int:
    return about.sound_hz or 1


def _json(
    name: str, about: About, motion: NDArray[np.float64], parts: _Parts, placed: _Placed | None, last_s: float
) -> dict[str, Any]:
    """What the files hold. Names may be added in a later version of the program, never changed in this one."""
    stopped = any(what == "stopped" for _, what in parts.events)
    return {
        "format": FORMAT,
        "version": VERSION,
        "made_by": f"vibeorder {__version__}, recorder page",
        "id": name,
        "begun_utc": datetime.fromtimestamp(about.begun_epoch_s, UTC).isoformat(timespec="milliseconds"),
        "begun_local": about.begun_local,
        "ended": "stopped" if stopped else "cut off",
        "duration_s": round(last_s, 3),
        "clocks": {
            "time_s": "seconds since the recording began, by the phone's steady clock; the same in all files",
            "begun_epoch_s": about.begun_epoch_s,
        },
        "motion": {"file": MOTION_NAME, "rows": len(motion), "columns": _units(MOTION_COLUMNS)},
        "speed": {"file": SPEED_NAME, "rows": len(parts.fixes), "columns": _units(SPEED_COLUMNS)},
        "sound": None if placed is None else {
            "file": SOUND_NAME, "rate_hz": _rate(about), "frames": placed.frames,
            "start_s": round(placed.start_s, 6),
            "gaps": [{"start_s": round(at, 6), "length_s": round(length, 6)} for at, length in placed.gaps],
            "clock_file": SOUND_CLOCK_NAME, "browser_processing": about.processing,
        },
        "marks": _marks(parts),
        "still_check": about.still_check,
        "events": [{"time_s": round(time_s, 3), "what": what} for time_s, what in parts.events],
    }  # fmt: skip


def _marks(parts: _Parts) -> list[dict[str, Any]]:
    """Taps on "it shakes now", and the drives of the card by their names, in the order of time."""
    every = [*((time_s, SHAKES) for time_s in parts.marks), *parts.steps]
    return [{"time_s": round(time_s, 3), "what": what} for time_s, what in sorted(every)]


def _units(columns: Sequence[str]) -> dict[str, str]:
    return {
        column: next(words for ending, words in UNITS.items() if column.endswith(ending))
        for column in columns
    }

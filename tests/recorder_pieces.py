"""Pieces of a recording as the recorder page makes them, for tests: written from docs/recorder-format.md."""

import hashlib
import json
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.web.assemble import Assembled, assemble
from vibeorder.web.pieces import parse_piece

__all__ = ["ABOUT", "BEGUN_S", "assembled", "digest_of", "first_piece", "piece", "pieces_of", "sha256"]

FloatArray = NDArray[np.float64]
Sound = tuple[int, int, float, NDArray[np.int16]]
BEGUN_S = 1_790_000_000.0
ABOUT: dict[str, Any] = {
    "begun_epoch_s": BEGUN_S,
    "begun_local": "2026-09-21 16:13",
    "sound": {"rate_hz": 8000, "processing": {"echoCancellation": False}},
    "still_check": {"seconds": 3, "shake_mps2": 0.02, "sway_mps2": 0.01, "passed": True},
}


def piece(
    number: int, motion: FloatArray | None = None, sound: Sequence[Sound] = (), *, fixes: Sequence[Any] = (),
    marks: Sequence[float] = (), events: Sequence[Any] = (), about: Any = None,
) -> bytes:  # fmt: skip
    """One piece. motion: [shape (rows, 10)]. sound: (segment, frame, arrived_s, samples)."""
    rows = np.empty((0, 10)) if motion is None else motion
    head: dict[str, Any] = {
        "n": number, "rows": len(rows), "fixes": list(fixes), "marks": list(marks), "events": list(events),
        "sound": [{"segment": s, "frame": f, "frames": len(x), "arrived_s": a} for s, f, a, x in sound],
    }  # fmt: skip
    if about is not None:
        head["about"] = about
    text = json.dumps(head).encode()
    body = b"VOP1" + struct.pack("<I", len(text)) + text + rows.astype("<f8").tobytes()
    return body + b"".join(x.astype("<i2").tobytes() for *_, x in sound)


def first_piece(**changes: Any) -> bytes:
    """Piece 0: when and how it was begun."""
    return piece(0, about={**ABOUT, **changes})


def pieces_of(
    times_s: FloatArray, with_gravity: FloatArray, *, fixes: Sequence[tuple[float, float]] = (),
    sound: NDArray[np.int16] | None = None, sound_start_s: float = 0.0, marks: Sequence[float] = (),
    stopped: bool = True, **about: Any,
) -> list[bytes]:  # fmt: skip
    """A recording cut into seconds. with_gravity: [shape (3, n)]; sound at 8000 Hz, heard 20 ms late by the page."""
    rest = with_gravity.mean(axis=1, keepdims=True)
    rows = np.vstack([times_s, with_gravity, with_gravity - rest, np.full((3, times_s.size), np.nan)]).T
    made = [first_piece(**({"sound": None} if sound is None else {}), **about)]
    last = int(np.ceil(times_s[-1] + 1e-9))
    for second in range(last):
        blocks: list[Sound] = []
        if sound is not None:
            part = sound[second * 8000 : (second + 1) * 8000]
            arrived = sound_start_s + second + len(part) / 8000 + 0.02
            blocks = [(1, 500 + second * 8000, arrived, part)] if len(part) else []
        inside = (times_s >= second) & (times_s < second + 1)
        end = [{"time_s": float(times_s[-1]), "what": "stopped"}] if stopped and second == last - 1 else []
        made.append(
            piece(
                second + 1,
                rows[inside],
                blocks,
                events=end,
                fixes=[[t, v, t + 0.3, "gps", 4.0] for t, v in fixes if second <= t < second + 1],
                marks=[t for t in marks if second <= t < second + 1],
            )
        )
    return made


def assembled(target: Path, made: Sequence[bytes], longest_s: float = 1800.0) -> Assembled:
    """Put pieces together as the server does."""
    return assemble(lambda: (parse_piece(one, n) for n, one in enumerate(made)), target, "ab" * 16, longest_s)


def sha256(body: bytes) -> str:
    """As the page computes it."""
    return hashlib.sha256(body).hexdigest()


def digest_of(made: Sequence[bytes]) -> str:
    """What the page says at the end: over all pieces' own digests."""
    return sha256("".join(sha256(one) for one in made).encode())

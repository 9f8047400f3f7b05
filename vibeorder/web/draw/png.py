"""A picture of levels as PNG with see-through ink: it lies on light and on dark paper alike."""

import struct
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["ink_png"]

SIGNATURE = b"\x89PNG\r\n\x1a\n"
INDEXED = 3


def ink_png(share: NDArray[np.floating[Any]], ink: tuple[int, int, int]) -> bytes:
    """One pixel a value: 0 is bare paper, 1 is full ink [shape (rows, columns), first row on top].

    Indexed colour, eight bits, every entry the same ink with its own opacity. Portable Network Graphics
    (W3C recommendation, third edition, 2025): IHDR, PLTE and tRNS before IDAT, each chunk with its CRC-32.
    """
    if share.ndim != 2 or not share.size:
        raise ValueError(f"a picture has rows and columns, not the shape {share.shape}")
    level = np.rint(255.0 * np.clip(np.nan_to_num(share), 0.0, 1.0)).astype(np.uint8)
    rows, columns = level.shape
    lines = np.concatenate([np.zeros((rows, 1), np.uint8), level], axis=1)  # filter type 0 before each row
    return b"".join(
        (
            SIGNATURE,
            _chunk(b"IHDR", struct.pack(">IIBBBBB", columns, rows, 8, INDEXED, 0, 0, 0)),
            _chunk(b"PLTE", bytes(ink) * 256),
            _chunk(b"tRNS", bytes(range(256))),
            _chunk(b"IDAT", zlib.compress(lines.tobytes(), 9)),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

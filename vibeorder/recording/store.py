"""Samples that arrive in blocks and are read in stretches: in memory while few, on disk from then on.

What is on disk is an ordinary array of numpy, mapped from a temporary file that nobody else sees and that goes with the
array. Whoever walks through all of it takes stretches with `excerpt`, which lets the pages go again, so that the
memory in use is that of a stretch however long the recording is.
"""

import mmap
import tempfile
from collections.abc import Iterator
from itertools import pairwise
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError

__all__ = ["IN_MEMORY_VALUES", "WALK_SAMPLES", "SampleStore", "excerpt", "on_disk", "spans", "stored"]

IN_MEMORY_VALUES = 4_000_000
"""Values kept in memory: half an hour of sound at 2 kHz, nearly an hour of three axes at 400 Hz."""

WALK_SAMPLES = 1 << 18
"""Samples at a time for whoever walks through a whole recording."""


class SampleStore:
    """Blocks [shape (channels, m)] pushed one after another; `finish` gives them as one array."""

    def __init__(self, channels: int, dtype: type[np.floating[Any]] = np.float32) -> None:
        self._channels, self._dtype = channels, dtype
        self._blocks: list[NDArray[Any]] = []
        self._count = 0
        self._file: IO[bytes] | None = None

    def push(self, block: NDArray[Any]) -> None:
        """Takes the next samples; RecordingError where the disk is full."""
        self._blocks.append(np.asarray(block, self._dtype))
        self._count += block.shape[1]
        if self._count * self._channels > IN_MEMORY_VALUES:
            self._spill()

    def finish(self) -> NDArray[Any]:
        """All samples [shape (channels, n)], read only where they are on disk."""
        if self._file is None:
            if not self._blocks:
                return np.zeros((self._channels, 0), self._dtype)
            return np.concatenate(self._blocks, axis=1)
        self._spill()
        with self._file as file:
            mapped = np.memmap(file, self._dtype, mode="r", shape=(self._count, self._channels))
        return mapped.T

    def _spill(self) -> None:
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(prefix="vibeorder-")  # noqa: SIM115 (lives with the array)
            for block in self._blocks:
                # channels side by side, so that a stretch of time is one stretch of the file
                self._file.write(np.ascontiguousarray(block.T).data)
            self._file.flush()
        except OSError as error:
            raise RecordingError(
                f"a long recording needs room in {tempfile.gettempdir()} and there is none "
                f"({error.strerror or error}); make room there, or set TMPDIR to a folder with room"
            ) from error
        self._blocks.clear()


def stored(
    blocks: Iterator[NDArray[Any]], channels: int, dtype: type[np.floating[Any]] = np.float32
) -> NDArray[Any]:
    """Blocks [shape (channels, m)] as one array, on disk where they are many."""
    store = SampleStore(channels, dtype)
    for block in blocks:
        store.push(block)
    return store.finish()


def excerpt(samples: NDArray[Any], first: int, last: int) -> NDArray[Any]:
    """samples[..., first:last]: a view of what is in memory, a copy of what is on disk."""
    part = samples[..., first:last]
    base = _mapped(samples)
    if base is None:
        return part
    copy = np.array(part, order="C")
    if hasattr(mmap, "MADV_DONTNEED"):
        base.madvise(mmap.MADV_DONTNEED)
    return copy


def on_disk(samples: NDArray[Any]) -> bool:
    """Whether samples are mapped from a file."""
    return _mapped(samples) is not None


def spans(total: int, longest: int = WALK_SAMPLES) -> list[tuple[int, int]]:
    """(first, last) of equal stretches that cover `total` samples, none longer than `longest`."""
    edges = np.linspace(0, total, max(1, -(-total // longest)) + 1).astype(int).tolist()
    return list(pairwise(edges))


def _mapped(samples: NDArray[Any]) -> mmap.mmap | None:
    base: Any = samples
    while isinstance(base, np.ndarray):
        base = base.base
    return base if isinstance(base, mmap.mmap) else None

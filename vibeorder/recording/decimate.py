"""Brings a fast signal down to a slow rate block by block, with flat memory."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording.store import excerpt, spans, stored

__all__ = ["Decimator", "decimated", "decimation_factor"]

Float32Array = NDArray[np.float32]

# Vibration orders of wheels, shafts and firing lie below 800 Hz (24 000 rpm at 2x); 2 kHz leaves room.
TARGET_RATE_HZ = 2000.0
# 80 dB: below the noise of any phone microphone (about 60 dB).
STOPBAND_DB = 80.0
# Passband ends and stopband begins at these shares of the new Nyquist frequency: what folds lands above 0.8.
PASS_SHARE, STOP_SHARE = 0.8, 1.2


def decimation_factor(rate_hz: float, target_hz: float = TARGET_RATE_HZ) -> int:
    """The whole number by which a rate is divided to come down to about `target_hz`, never below it."""
    return max(1, int(rate_hz / target_hz + 1e-9))


def decimated(samples: NDArray[np.floating[Any]], factor: int) -> Float32Array:
    """Every `factor`-th of the samples [shape (channels, n)] behind the filter [shape (channels, about n / factor)]."""
    decimator = Decimator(factor, samples.shape[0])

    def blocks() -> Iterator[Float32Array]:
        for a, b in spans(samples.shape[1]):
            yield decimator.push(np.asarray(excerpt(samples, a, b), np.float32))
        yield decimator.finish()

    return np.asarray(stored(blocks(), samples.shape[0]))


class Decimator:
    """Low-pass filter and decimation by a whole factor; its state is carried from block to block.

    A Kaiser-windowed sinc (Oppenheim & Schafer, Discrete-Time Signal Processing, section 7.5) is applied as
    one matrix product per block. Linear phase, its delay taken out: output i stands at input i * factor.
    """

    def __init__(self, factor: int, channels: int) -> None:
        self._factor = factor
        self._taps = _polyphase_taps(factor)
        rows = self._taps.shape[1]
        # The filter is centred on row rows/2: the start is padded with silence so that its delay vanishes.
        self._pending: Float32Array = np.zeros((channels, (rows // 2) * factor), dtype=np.float32)

    def push(self, block: Float32Array) -> Float32Array:
        """Filters the next block [shape (channels, n)]; gives what is ready [shape (channels, m)]."""
        if self._factor == 1:
            return block
        held = np.concatenate((self._pending, block), axis=1)
        rows = self._taps.shape[1]
        ready = held.shape[1] // self._factor - rows + 1
        if ready <= 0:
            self._pending = held
            return np.zeros((held.shape[0], 0), dtype=np.float32)
        used = (ready + rows - 1) * self._factor
        out = np.stack([self._filter(channel[:used], ready) for channel in held])
        self._pending = held[:, ready * self._factor :].copy()
        return out

    def finish(self) -> Float32Array:
        """What was still held back, the end padded with silence."""
        if self._factor == 1:
            return np.zeros((self._pending.shape[0], 0), dtype=np.float32)
        rows = self._taps.shape[1]
        tail = np.zeros((self._pending.shape[0], (rows - rows // 2 - 1) * self._factor), dtype=np.float32)
        return self.push(tail)

    def _filter(self, signal: Float32Array, ready: int) -> Float32Array:
        products = signal.reshape(-1, self._factor) @ self._taps
        out = np.zeros(ready, dtype=np.float32)
        for row in range(self._taps.shape[1]):
            out += products[row : row + ready, row]
        return out


def _polyphase_taps(factor: int) -> Float32Array:
    """Filter taps [shape (factor, rows)]: tap k of the filter is at [k % factor, k // factor]."""
    width = (STOP_SHARE - PASS_SHARE) * np.pi / factor
    half = int(np.ceil((STOPBAND_DB - 7.95) / (2.285 * width) / 2.0))
    rows = 2 * (-(-half // factor)) + 1
    beta = 0.1102 * (STOPBAND_DB - 8.7)
    offset = np.arange(rows * factor) - (rows // 2) * factor
    window = np.where(
        np.abs(offset) <= half, np.i0(beta * np.sqrt(np.clip(1 - (offset / half) ** 2, 0, 1))), 0
    )
    taps = np.sinc(offset / factor) * window
    taps /= taps.sum()
    return np.ascontiguousarray(taps.reshape(rows, factor).T.astype(np.float32))

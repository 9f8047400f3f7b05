"""A recording read along one order's phase: what turns with the part stands still, all else runs past.

Multiplying x(t) by exp(-2 pi i phi(t)), with phi the part's turns times the order, moves that order's
line to 0 Hz whatever the speed did. Since the phase is taken at the samples' own instants, an order
above half the sample rate is read at its folded place without further care. (Time-variant discrete
Fourier transform; Blough, SAE 2003-01-1484.)
"""

from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Baseband",
    "BlockSpectra",
    "block_spectra",
    "carrier_of",
    "demodulate",
    "filter_gain",
    "narrowed",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complexfloating]
BoolArray = NDArray[np.bool_]

FEW_BINS = 96
"""Up to this many offsets are summed directly, which beats a transform that gives them all."""

AT_A_TIME = 1 << 14
"""Samples whose carrier is made at a time: what it is made from then stays in the processor's own memory."""

FILTER_SPAN = 6
"""Length of the decimation filter in output samples; its shape is a squared Hann window, whose side
lobes lie 46 dB down and fall quickly: gravity and body bounce, 10^3 times a line's power, stay out."""


@dataclass(frozen=True)
class Baseband:
    """The recording demodulated on one phase track and decimated.

    z: [shape (channels, m)] complex; a line a*cos(2 pi phi + p) reads a*exp(i p).
    rate_hz: samples per second of z. start_s: time of z[:, 0] on the clock of the samples.
    cover: [shape (m,)] share of real (not missing) samples behind each value, 0 to 1.
    filtered: whether a decimation filter shaped it (its gain is made up for when blocks are cut).
    """

    z: ComplexArray
    rate_hz: float
    start_s: float
    cover: FloatArray
    filtered: bool = True
    _narrowed: dict[int, FloatArray] = field(default_factory=dict, repr=False)

    @cached_property
    def times_s(self) -> FloatArray:
        """Instants of the values of z."""
        return np.asarray(self.start_s + np.arange(self.z.shape[1]) / self.rate_hz)

    def cover_narrowed(self, step: int, count: int) -> FloatArray:
        """cover behind the first `count` values of z decimated by `step`, the same whatever z is corrected by."""
        if step not in self._narrowed:
            weights = _filter(step).astype(np.float32)
            cover = _polyphase(self.cover.astype(np.float32)[None], weights, step, count)[0]
            self._narrowed[step] = np.asarray(cover, float)
        return self._narrowed[step]


def demodulate(
    samples: NDArray[np.float32], valid: BoolArray, rate_hz: float, turns: FloatArray, wanted_rate_hz: float
) -> Baseband:
    """Shift a phase track to 0 Hz and decimate to about `wanted_rate_hz`.

    samples: [shape (channels, n)], zero where not `valid` [shape (n,)]. turns: phase in turns [shape (n,)].
    """
    mixed = samples * carrier_of(turns)
    step = max(1, int(rate_hz / wanted_rate_hz))
    if step == 1:
        return Baseband(2.0 * mixed, rate_hz, 0.0, valid.astype(float), filtered=False)
    weights = _filter(step)
    count = (samples.shape[1] - weights.size) // step + 1
    z = _polyphase(mixed, weights.astype(np.float32), step, count)
    cover = np.ones(count)
    if not valid.all():
        there = valid.astype(np.float32)[None]
        cover = np.asarray(_polyphase(there, weights.astype(np.float32), step, count)[0], float)
    delay = (weights.size - 1) / 2.0 / rate_hz
    return Baseband(2.0 * z, rate_hz / step, delay, cover)


def narrowed(band: Baseband, turns: FloatArray, wanted_rate_hz: float) -> Baseband:
    """The same track corrected by `turns` (at band's instants) and decimated further."""
    shifted = band.z * carrier_of(turns)
    step = int(band.rate_hz / wanted_rate_hz)
    weights = _filter(max(step, 1)).astype(np.float32)
    count = (shifted.shape[1] - weights.size) // max(step, 1) + 1
    if step < 2 or count < 2:
        return Baseband(shifted, band.rate_hz, band.start_s, band.cover, band.filtered)
    z = _polyphase(shifted, weights, step, count)
    delay = (weights.size - 1) / 2.0 / band.rate_hz
    return Baseband(z, band.rate_hz / step, band.start_s + delay, band.cover_narrowed(step, count))


def carrier_of(turns: FloatArray) -> NDArray[np.complex64]:
    """exp(-2 pi i turns) [shape (n,)]: single precision is enough once whole turns are taken off."""
    carrier = np.empty(turns.shape, np.complex64)
    for first in range(0, turns.size, AT_A_TIME):
        part, own = turns[first : first + AT_A_TIME], carrier[first : first + AT_A_TIME]
        angle = ((part - np.floor(part)) * (2.0 * np.pi)).astype(np.float32)
        np.cos(angle, out=own.real)
        np.negative(np.sin(angle, out=angle), out=own.imag)
    return carrier


@lru_cache(maxsize=64)
def _filter(step: int) -> FloatArray:
    length = FILTER_SPAN * step
    window = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 4
    return np.asarray(window / window.sum())


def _polyphase(x: NDArray[Any], weights: NDArray[np.float32], step: int, count: int) -> ComplexArray:
    segments = count + FILTER_SPAN - 1
    cut = x[:, : segments * step].reshape(x.shape[0], segments, step)
    # taps before segments, so that each tap's part lies in one piece
    parts = weights.reshape(FILTER_SPAN, step) @ cut.transpose(0, 2, 1)
    out = parts[:, 0, 0:count].copy()
    for tap in range(1, FILTER_SPAN):
        out += parts[:, tap, tap : tap + count]
    return np.asarray(out)


def filter_gain(offset_hz: FloatArray, decimated_rate_hz: float) -> FloatArray:
    """Gain of the decimation filter at an offset from the track [-].

    The spectrum of sin^4 over L seconds: with u = offset x L, sinc(u) + 2/3 (sinc(u-1) + sinc(u+1))
    + 1/6 (sinc(u-2) + sinc(u+2)).
    """
    u = np.asarray(offset_hz, float) * FILTER_SPAN / decimated_rate_hz
    return np.asarray(
        np.sinc(u)
        + (2.0 / 3.0) * (np.sinc(u - 1.0) + np.sinc(u + 1.0))
        + (1.0 / 6.0) * (np.sinc(u - 2.0) + np.sinc(u + 2.0))
    )


def _fast_length(length: int) -> int:
    """Next length with small factors only."""
    while True:
        left = length
        for factor in (2, 3, 5, 7):
            while left % factor == 0:
                left //= factor
        if left == 1:
            return length
        length += 1


@dataclass(frozen=True, slots=True)
class BlockSpectra:
    """Hann-windowed blocks of a baseband and their spectra round the track.

    spectra: [shape (channels, blocks, offsets)] amplitude of a line at that offset, as in Baseband.z.
    offset_hz: [shape (offsets,)]. mid_s: [shape (blocks,)]. cover: [shape (blocks,)].
    """

    spectra: ComplexArray
    offset_hz: FloatArray
    mid_s: FloatArray
    cover: FloatArray


@lru_cache(maxsize=128)
def _few_bins(length: int, size: int, count: int) -> NDArray[np.complex64]:
    """The transform of `length` samples to bins -count to count of `size` [shape (length, 2 count + 1)]."""
    bins = np.arange(-count, count + 1)
    turns = np.arange(length)[:, None] * bins
    return np.asarray(np.exp((-2j * np.pi / size) * turns), np.complex64)


def _cut(
    rate_hz: float, start_s: float, values: int, length: int, mid_s: bytes
) -> tuple[NDArray[np.intp], BoolArray, FloatArray]:
    """Which of a baseband's values each block holds, whether there are such, and the weights of a block.

    [shapes (blocks, length), the same and (length,)]; mid_s: the blocks' middles, as the bytes of their array.
    """
    first = np.round((np.frombuffer(mid_s) - start_s) * rate_hz - (length - 1) / 2.0).astype(int)
    index = first[:, None] + np.arange(length)
    inside = (index >= 0) & (index < values)
    window = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
    return np.clip(index, 0, values - 1), inside, window / window.sum()


_kept_cut = lru_cache(maxsize=128)(_cut)
"""For the short blocks of narrowed tracks, which are read along many courses."""


@lru_cache(maxsize=256)
def _made_up(size: int, count: int, rate_hz: float) -> NDArray[np.float32]:
    """What makes up for the filter's gain at bins -count to count of `size` [shape (2 count + 1,)]."""
    gain = filter_gain(np.arange(-count, count + 1) * rate_hz / size, rate_hz)
    return np.asarray(1.0 / np.maximum(gain, 0.05), np.float32)


def block_spectra(
    band: Baseband, block_s: float, mid_s: FloatArray, reach_hz: float, pad: int = 2
) -> BlockSpectra:
    """Spectra of blocks centred at `mid_s`, within `reach_hz` either side of the track.

    pad: zero padding factor; 1 leaves the bins 1/block_s apart.
    """
    length = max(4, round(block_s * band.rate_hz))
    size = pad * length if pad == 1 else _fast_length(pad * length)
    count = min(int(np.ceil(reach_hz * size / band.rate_hz)), size // 2 - 1)
    few = 2 * count + 1 <= FEW_BINS
    index, inside, weights = (_kept_cut if few else _cut)(
        band.rate_hz, band.start_s, band.z.shape[1], length, mid_s.tobytes()
    )
    cover = np.where(inside, band.cover.take(index), 0.0) @ weights
    # by an index it takes five times as long
    cut = band.z.take(index, axis=1) * (inside * weights).astype(np.float32)
    if few:
        spectra = np.asarray(
            cut.astype(np.complex64, copy=False) @ _few_bins(length, size, count), np.complex64
        )
    else:
        spectra = np.empty((*cut.shape[:2], 2 * count + 1), np.complex64)
        # one after another, or most of it goes for memory that is touched for the first time
        for own, channel in zip(spectra, cut, strict=True):
            whole = np.fft.fft(channel, size, axis=-1)
            own[:, :count], own[:, count:] = whole[:, -count:], whole[:, : count + 1]
    if band.filtered:
        spectra *= _made_up(size, count, band.rate_hz)
    offset_hz = np.arange(-count, count + 1) * band.rate_hz / size
    return BlockSpectra(spectra, offset_hz, mid_s, cover)

"""Frames of the recording against the wheel's angle: one transform a frame holds every order sharp at once.

Within a frame the samples are read at equal steps of the nominal wheel's turn instead of time (computed order
tracking: Fyfe and Munck, Mech. Syst. Signal Process. 11(2), 1997, 187-205), so that whatever keeps step with
the wheel, at any ratio, stays in one bin while the speed changes.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.signal import OVERSAMPLED, Signal
from vibeorder.spectrum.lengths import fast_length
from vibeorder.spectrum.middle import middle, power_of

__all__ = ["LEAST_TURNS", "WheelFrames", "wheel_frames", "whitened"]

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]
C64 = NDArray[np.complex64]

SPARE = 1.2
"""More points a frame than samples: where the wheel runs faster than the mean, time is stepped through faster."""

SEGMENT_BINS = 12
"""Bins over which a noise level is taken: wider than a line's four, narrower than what a resonance leaves."""

LEAST_TURNS = 0.5
"""A frame in which the wheel turned less than this says nothing."""


@dataclass(frozen=True, slots=True)
class WheelFrames:
    """Hann-windowed spectra of frames against wheel angle.

    spectra: [shape (channels, frames, bins)]; bin k holds k shakes per `turns` wheel turns. turns: wheel turns in
    each frame, frame_s: their length, cover: share of real samples under the window [shape (frames,)].
    """

    spectra: C64
    turns: FloatArray
    frame_s: float
    cover: FloatArray

    @property
    def frequency_hz(self) -> FloatArray:
        """Mean frequency of each bin in each frame: bins are 1 / frame_s apart [shape (bins,)]."""
        return np.asarray(np.arange(self.spectra.shape[2]) / self.frame_s)

    def bins(self, multiple: float) -> FloatArray:
        """Where so many shakes per nominal wheel turn show, in bins [shape (frames,)]."""
        return multiple * self.turns


def wheel_frames(
    signal: Signal, turns: FloatArray, mid_s: FloatArray, frame_s: float, top_hz: float
) -> WheelFrames:
    """Frames centred at `mid_s`, with bins up to `top_hz`. turns: of the wheel at the samples [shape (n,)]."""
    total = signal.samples.shape[1]
    low = np.clip((mid_s - 0.5 * frame_s) * signal.rate_hz, 0.0, total - 1.0)
    high = np.clip((mid_s + 0.5 * frame_s) * signal.rate_hz, 0.0, total - 1.0)
    at = np.arange(total, dtype=float)
    first, last = np.interp(low, at, turns), np.interp(high, at, turns)
    size = _size(SPARE * frame_s * signal.rate_hz)
    share = (np.arange(size) + 0.5) / size
    angle = first[:, None] + (last - first)[:, None] * share
    # standing still, turns do not rise: the least slope keeps the look-up one to one
    rising = turns + 1e-9 * at
    index = np.interp(angle.ravel(), rising, at).reshape(angle.shape)
    window = (np.sin(np.pi * share) ** 2).astype(np.float32)
    window *= 2.0 / window.sum()
    inside = (mid_s >= 0.0) & (last - first > LEAST_TURNS)
    cover = (signal.valid[np.round(index).astype(np.intp)] * window).sum(axis=1) * 0.5 * inside
    bins = min(size // 2, int(top_hz * frame_s) + 2 * SEGMENT_BINS)
    between = _Between(index, total)
    spectra = np.stack([np.fft.rfft(between.of(c) * window, axis=1)[:, :bins] for c in signal.oversampled()])
    return WheelFrames(spectra.astype(np.complex64), last - first, frame_s, cover)


class OrderShape(Protocol):
    """How the noise runs over wheel orders."""

    def at(self, order: FloatArray) -> FloatArray:
        """Density at so many shakes a wheel turn."""
        ...


def whitened(frames: WheelFrames, floor: Floor, moving: OrderShape) -> F32:
    """Sum over channels of power over each channel's own noise beside it [shape (frames, bins)].

    The channels are turned to the noise's own axes, segment by segment of the spectrum; the noise level is the
    median over a segment and its neighbours, after the floor's shape is taken out.
    """
    count = frames.spectra.shape[2] // SEGMENT_BINS
    used = count * SEGMENT_BINS
    channels, times, _ = frames.spectra.shape
    order = np.arange(used) / np.maximum(frames.turns, LEAST_TURNS)[:, None]
    density = floor.at(frames.frequency_hz[:used]) * moving.at(order)
    flat = frames.spectra[:, :, :used] / np.sqrt(density).astype(np.float32)
    # segment by segment [shape (segments, channels, frames x bins)], as products of matrices take it
    cut = np.ascontiguousarray(flat.reshape(channels, times, count, SEGMENT_BINS).transpose(2, 0, 1, 3))
    cut = cut.reshape(count, channels, -1)
    if channels > 1:
        unit = cut[..., ::2] / (np.sqrt(power_of(cut[..., ::2]).sum(axis=1)) + np.float32(1e-20))[:, None]
        _, axes = np.linalg.eigh(unit @ unit.conj().transpose(0, 2, 1))
        cut = axes.conj().transpose(0, 2, 1) @ cut
    power = power_of(cut).reshape(count, channels, times, SEGMENT_BINS)
    level = middle(power)
    padded = np.pad(level, ((1, 1), (0, 0), (0, 0)), mode="edge")
    before, after = padded[:-2], padded[2:]
    level = np.maximum(np.minimum(before, after), np.minimum(np.maximum(before, after), level))
    noise = level / np.float32(np.log(2.0)) + np.float32(1e-20)
    ratio = (power / noise[..., None]).sum(axis=1)
    return np.ascontiguousarray(ratio.transpose(1, 0, 2), np.float32).reshape(times, used)


class _Between:
    """Fractional sample numbers, read by cubics through samples at OVERSAMPLED times the rate."""

    def __init__(self, index: FloatArray, total: int) -> None:
        place = index * OVERSAMPLED
        # the first of four neighbours; as the type that look-ups take, or each of them would convert it
        self._first = np.clip(place.astype(np.intp), 1, OVERSAMPLED * total - 3) - 1
        self._u = (place - 1.0 - self._first).astype(np.float32)

    def of(self, fine: F32) -> F32:
        """An oversampled channel there."""
        a, b, c, d = (fine[k:].take(self._first, mode="clip") for k in range(4))
        return _cubic(a, b, c, d, self._u)


def _cubic(a: F32, b: F32, c: F32, d: F32, u: F32) -> F32:
    """Between b (u = 0) and c (u = 1), in place where it can be:
    b + u/2 (c - a + u (2a - 5b + 4c - d + u (3 (b - c) + d - a)))."""
    out = np.subtract(b, c)
    out *= 3
    out += d
    out -= a
    out *= u
    out += 2 * a - 5 * b + 4 * c - d
    out *= u
    out += c - a
    out *= np.float32(0.5) * u
    out += b
    return out


def _size(least: float) -> int:
    """The next even length that transforms fast."""
    return fast_length(int(np.ceil(least)), even=True)

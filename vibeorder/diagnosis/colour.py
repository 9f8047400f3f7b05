"""The colour of the noise in a recording without a speed: its density, its direction, its level against time.

A phone lies any way round, so the channels share the road's noise; what they share changes with frequency, as
every body resonance has its direction. The shape of the covariance is Tyler's (1987): every frame counts by its
direction alone, so that a pothole or a line turns nothing; the density is a median, over time and over a band
wider than a line.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.signal import Signal, folded

__all__ = ["FRAME_S", "HOP_S", "Colour", "colour_of", "frames_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

FRAME_S, HOP_S = 3.0, 1.0
LINE_HALF_HZ = 2.0
"""Half width of the median over frequency: more than twice what a line fills of a frame's spectrum."""

SHAPE_HALF_HZ = 1.6
TYLER_PASSES = 3
LOWEST_HZ = 3.0
QUIETEST = 1e-12


@dataclass(frozen=True, slots=True)
class Colour:
    """Noise covariance of one spectral bin: density x shape x level, for a window of energy 1.

    frequency_hz [shape (n,)]; density [shape (n,)]; shape [shape (n, c, c)], of trace c; mid_s, level [shape
    (frames,)]: power factor of each frame, about 1.
    """

    frequency_hz: FloatArray
    density: FloatArray
    shape: FloatArray
    mid_s: FloatArray
    level: FloatArray
    rate_hz: float

    def at(self, frequency_hz: FloatArray) -> IntArray:
        """Bin in which a line of that (true) frequency shows."""
        seen = folded(frequency_hz, self.rate_hz)
        step = self.frequency_hz[1] - self.frequency_hz[0]
        return np.asarray(np.clip(np.round(seen / step), 0, self.frequency_hz.size - 1), np.intp)

    def whitener(self, frequency_hz: FloatArray) -> NDArray[np.float32]:
        """Matrices that make the noise of those bins white and of variance 1 at level 1 [shape (n, c, c)]."""
        index = self.at(frequency_hz)
        lower = np.linalg.cholesky(self.shape * self.density[:, None, None])
        return np.linalg.inv(lower)[index].astype(np.float32)

    def level_at(self, times_s: FloatArray) -> FloatArray:
        """Power factor at any instants."""
        return np.interp(times_s, self.mid_s, self.level)


def frames_of(signal: Signal) -> tuple[int, IntArray]:
    """Length of a frame in samples, and where each starts."""
    total = signal.samples.shape[1]
    size = min(total, round(FRAME_S * signal.rate_hz))
    return size, np.arange(0, total - size + 1, max(1, round(HOP_S * signal.rate_hz)))


def colour_of(signal: Signal) -> Colour:
    """Measure the noise of one stretch."""
    from scipy.special import gammaincinv

    size, first = frames_of(signal)
    channels = signal.samples.shape[0]
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
    index = first[:, None] + np.arange(size)
    energy = signal.valid[index] @ window**2 + QUIETEST
    spectra = np.fft.rfft(signal.samples[:, index] * window, axis=-1) / np.sqrt(energy)[:, None]
    frequency = np.asarray(np.fft.rfftfreq(size, 1.0 / signal.rate_hz), float)
    whole = signal.valid[index].mean(axis=1) > 0.6
    used = spectra[:, whole] if whole.sum() > 3 else spectra
    power = (np.abs(used) ** 2).sum(axis=0) + QUIETEST
    shape = _shape(used, max(1, round(SHAPE_HALF_HZ * size / signal.rate_hz)))
    level = np.median((power / np.median(power, axis=0))[:, frequency > LOWEST_HZ], axis=1)
    form = _form(used, shape) / level[:, None]
    density = np.median(form, axis=0) / gammaincinv(channels, 0.5)
    density = _without_lines(density, max(1, round(LINE_HALF_HZ * size / signal.rate_hz)))
    all_levels = np.ones(first.size)
    all_levels[whole if whole.sum() > 3 else slice(None)] = level
    padded = np.pad(np.log(all_levels), 1, mode="edge")
    smooth = np.exp(0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:])
    mid_s = np.asarray((first + 0.5 * size) / signal.rate_hz, float)
    return Colour(
        frequency, np.asarray(density, float), shape, mid_s, np.asarray(smooth, float), signal.rate_hz
    )


def _form(spectra: NDArray[np.complexfloating], shape: FloatArray) -> FloatArray:
    """x' V^-1 x of every frame and bin [shape (frames, bins)]."""
    turned = np.einsum("bij,jfb->ifb", np.linalg.inv(np.linalg.cholesky(shape)), spectra)
    return np.asarray((np.abs(turned) ** 2).sum(axis=0) + QUIETEST, float)


def _shape(spectra: NDArray[np.complexfloating], half: int) -> FloatArray:
    """Tyler's shape matrix of every bin, over frames and `half` bins either side [shape (bins, c, c)]."""
    channels, _, bins = spectra.shape
    shape = np.repeat(np.eye(channels)[None], bins, axis=0)
    if channels == 1:
        return shape
    unit = spectra / np.sqrt((np.abs(spectra) ** 2).sum(axis=0) + QUIETEST)
    for _ in range(TYLER_PASSES):
        weight = 1.0 / _form(unit, shape)
        outer = np.einsum("ifb,jfb,fb->bij", unit, unit.conj(), weight).real
        running = np.cumsum(np.pad(outer, ((half + 1, half), (0, 0), (0, 0)), mode="edge"), axis=0)
        shape = running[2 * half + 1 :] - running[: -2 * half - 1]
        shape = shape + 1e-3 * np.trace(shape, axis1=1, axis2=2)[:, None, None] * np.eye(channels)
        shape = shape * (channels / np.trace(shape, axis1=1, axis2=2))[:, None, None]
    return np.asarray(shape, float)


def _without_lines(density: FloatArray, half: int) -> FloatArray:
    from scipy.ndimage import median_filter

    middle = np.log(median_filter(density, 2 * half + 1, mode="nearest") + QUIETEST)
    kernel = np.ones(2 * (half // 2) + 1)
    padded = np.pad(middle, half // 2, mode="edge")
    return np.asarray(np.exp(np.convolve(padded, kernel / kernel.size, mode="valid")), float)

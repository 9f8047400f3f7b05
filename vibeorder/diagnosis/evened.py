"""Sound brought to one scale: its own noise made as strong at every frequency.

A microphone has no scale, loses the bottom octaves and rides a gain, and what a cabin lets through differs from octave
to octave. All of that falls on a part's line and on the noise beside it alike. So the noise is the measure: where it is
evened to one density, a line's strength says how far it stands out to the ear.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording.store import excerpt, spans, stored

__all__ = ["evened"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

HEARD_DENSITY = 0.01
"""Density to which the noise is brought, in m/s^2 over the root of a hertz: a tone is just heard in noise from about 18
dB above the density's level (critical ratio below 500 Hz, Hawkins and Stevens 1950, from memory), and what is just
heard counts here as what is just complained of, 0.08 m/s^2."""

SHAPE_S = 0.5
"""Length of the filter that evens: body resonances and the microphone's corner are broader than its 2 to 4 Hz."""

SHAPE_HZ, SHAPE_SHARE = 3.0, 0.1
"""Half width over which the noise is smoothed, at least, and as a share of the frequency: no line is so broad."""

RANK = 40.0
"""Percentile of the spectrum taken for its noise: lines stand in less than half of what is near any frequency."""

FRAMES = 200
MOST_GAIN_DB = 60.0
"""Nothing is raised more than this above the recording's strongest octave: below lies the recorder's own rounding."""

LOUDEST_RMS = 1.0
"""Where hardly any noise is beside the lines, the whole is brought to this rms in m/s^2 instead: that it is loud is all
that can be said."""


def evened(samples: Float32Array, valid: NDArray[np.bool_], rate_hz: float) -> Float32Array:
    """The samples with even noise of HEARD_DENSITY, of the same shape; stored once, on disk where they are many.

    samples: [shape (channels, n)], without their mean, zero where not `valid` [shape (n,)].
    """
    total = samples.shape[1]
    size = 2 * max(8, round(0.5 * min(SHAPE_S * rate_hz, 0.25 * total)))
    taps = _taps(_density(samples, valid, rate_hz, size), size)
    even = stored(_filtered(samples, valid, taps), samples.shape[0])
    power = sum(float((excerpt(even, a, b).astype(float) ** 2).sum()) for a, b in spans(total))
    rms = float(np.sqrt(power / max(int(np.count_nonzero(valid)), 1)))
    if rms <= LOUDEST_RMS:
        return even
    del even  # two of them are never held at once: it is made anew, quieter
    quieter = np.asarray(taps * (LOUDEST_RMS / rms), np.float32)
    return stored(_filtered(samples, valid, quieter), samples.shape[0])


def _density(samples: Float32Array, valid: NDArray[np.bool_], rate_hz: float, size: int) -> FloatArray:
    """Noise power a hertz, of all channels, lines left out [shape (size / 2 + 1,)]."""
    total = samples.shape[1]
    # frames long enough to keep lines narrow, then averaged down to the filter's own points
    long = min(total, size * 8)
    starts = np.linspace(0, total - long, min(FRAMES, max(1, 2 * total // long))).astype(int)
    whole = [s for s in starts if valid[s : s + long].all()] or list(starts)
    window = np.sin(np.pi * (np.arange(long) + 0.5) / long) ** 2
    power = np.median(
        [
            (np.abs(np.fft.rfft(excerpt(samples, int(s), int(s) + long) * window, axis=-1)) ** 2).sum(axis=0)
            for s in whole
        ],
        axis=0,
    ) * (2.0 / (np.log(2.0) * rate_hz * float((window**2).sum())))
    frequency = np.asarray(np.fft.rfftfreq(long, 1.0 / rate_hz), float)
    return np.array([_ranked(power, frequency, f) for f in np.fft.rfftfreq(size, 1.0 / rate_hz)])


def _ranked(power: FloatArray, frequency: FloatArray, at_hz: float) -> float:
    half = max(SHAPE_HZ, SHAPE_SHARE * at_hz)
    first, last = np.searchsorted(frequency, (at_hz - half, at_hz + half))
    return float(np.percentile(power[first : max(int(last), int(first) + 1)], RANK))


def _taps(density: FloatArray, size: int) -> Float32Array:
    """A filter of linear phase whose gain makes the density even [shape (size + 1,)]."""
    least = float(density.max()) * 10.0 ** (-0.1 * MOST_GAIN_DB) + 1e-30
    gain = HEARD_DENSITY / np.sqrt(np.maximum(density, least))
    shape = np.roll(np.fft.irfft(gain, size), size // 2)
    taps = np.append(shape, shape[0]) * np.sin(np.pi * (np.arange(size + 1)) / size) ** 2
    return np.asarray(taps, np.float32)


def _filtered(samples: Float32Array, valid: NDArray[np.bool_], taps: Float32Array) -> Iterator[Float32Array]:
    """The samples through the filter, its delay taken out, block by block."""
    from scipy import fft

    half = taps.size // 2
    total = samples.shape[1]
    for a, b in spans(total):
        first, last = max(0, a - half), min(total, b + half)
        size = fft.next_fast_len(last - first + 2 * half, real=True)
        gain = fft.rfft(taps, size)
        out = fft.irfft(fft.rfft(excerpt(samples, first, last), size, axis=1) * gain, size, axis=1)
        own = out[:, a - first + half : a - first + half + b - a]
        yield np.where(valid[a:b], own, 0.0).astype(np.float32)

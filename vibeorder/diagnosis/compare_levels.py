"""One order's level along a drive, block by block, with the noise beside it taken off.

The recording is demodulated on the order's own phase (time-variant discrete Fourier transform; Blough, SAE
2003-01-1484) and cut into Hann blocks. By Parseval a line of amplitude a, wherever it lies in the band, puts
1.5 a^2 into the sum of |X|^2 over its bins (1.5 is Hann's noise bandwidth in bins; F. J. Harris, Proc. IEEE
66, 1978, table I), so a band as wide as the doubt in the rate reads the line without searching for it, and a
line that is not there reads zero on average, not the highest noise.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.prepare import signal_of
from vibeorder.diagnosis.signal import folded
from vibeorder.recording.model import Recording
from vibeorder.spectrum.baseband import block_spectra, demodulate

__all__ = ["BLOCK_S", "HOP_S", "WIDEST_HZ", "Levels", "noise_bands", "read_levels"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BLOCK_S = 2.0
HOP_S = 1.0
"""Hann blocks overlap by half: 1 Hz between two lines is kept apart, and speed hardly changes within one."""

HANN_BANDWIDTH = 1.5
LEAST_HALF_BINS = 2
WIDEST_HZ = 4.0
"""Half width of the band: Hann's main lobe and the doubt in the rate; a rate in more doubt is not read."""

GAP_BINS = 1
SIDE_BINS = 6
LEAST_SIDE_BINS = 2
LOBE_BINS = 2
LEAST_NOISE_DOUBT = 0.1
SELDOM = 0.25
LEAST_COVER = 0.8
SLOWEST_WHEEL_HZ = 0.8
BLIND_HZ = 1.0
"""Next to 0 Hz and to half the sample rate a line meets its own mirror image."""

BAND_EDGES_HZ = (4.0, 8.0, 16.0, 32.0, 64.0, 128.0)
BAND_TOP_SHARE = 0.45


@dataclass(frozen=True, slots=True)
class Levels:
    """One order in each block that can be read [shape (b,) each].

    power: mean square of the vector, (m/s^2)^2, noise taken off, so it may fall below zero.
    noise: mean square of the noise within the same band; noise_doubt: its relative standard error that no
    length of drive takes away, since road noise has humps that side bands do not see.
    folded: the order lies above half the sample rate.
    """

    mid_s: FloatArray
    speed_mps: FloatArray
    frequency_hz: FloatArray
    power: FloatArray
    noise: FloatArray
    noise_doubt: float
    folded: bool


def read_levels(
    recording: Recording,
    times_s: FloatArray,
    wheel_hz: FloatArray,
    speed_mps: FloatArray,
    multiple: float,
    doubt: float,
    others: Sequence[float],
) -> Levels:
    """Read the line that turns `multiple` times per wheel turn.

    times_s, wheel_hz, speed_mps: the course of the drive, from the first sample on [shape (n,)].
    doubt: relative standard error of the line's rate. others: further lines per wheel turn, which are kept
    out of the side bands.
    """
    signal = signal_of(recording)
    at = np.arange(signal.samples.shape[1]) / signal.rate_hz
    rate = np.interp(at, times_s, wheel_hz) * multiple
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]))]) / signal.rate_hz
    typical = float(np.median(wheel_hz)) * multiple
    half = max(LEAST_HALF_BINS, int(np.ceil(1.5 + min(2.0 * doubt * typical, WIDEST_HZ) * BLOCK_S)))
    reach_hz = (half + GAP_BINS + SIDE_BINS + 0.5) / BLOCK_S
    band = demodulate(signal.samples, signal.valid, signal.rate_hz, turns, 8.0 * reach_hz)
    first, last = max(times_s[0] - 0.5, 0.0), min(times_s[-1] + 0.5, at[-1])
    mid = np.arange(first + BLOCK_S / 2.0, last - BLOCK_S / 2.0 + 1e-6, HOP_S)
    blocks = block_spectra(band, BLOCK_S, mid, reach_hz, pad=1)
    square = (np.abs(blocks.spectra) ** 2).sum(axis=0) / np.maximum(blocks.cover, LEAST_COVER)[:, None] ** 2
    wheel, speed = np.interp(mid, times_s, wheel_hz), np.interp(mid, times_s, speed_mps)
    frequency = wheel * multiple
    inside = np.abs(blocks.offset_hz) <= half / BLOCK_S + 1e-9
    beside = _beside(blocks.offset_hz, wheel, multiple, others, half)
    tilt, noise_doubt = _under_the_line(blocks.offset_hz, square, beside, inside)
    per_bin = tilt * (square * beside).sum(axis=1) / beside.sum(axis=1)
    noise = per_bin * inside.sum() / HANN_BANDWIDTH / 2.0
    power = square[:, inside].sum(axis=1) / HANN_BANDWIDTH / 2.0 - noise
    seen = folded(frequency, signal.rate_hz)
    good = (blocks.cover > LEAST_COVER) & (wheel > SLOWEST_WHEEL_HZ)
    good &= (seen > BLIND_HZ) & (seen < 0.5 * signal.rate_hz - BLIND_HZ)
    above = typical > 0.5 * signal.rate_hz
    return Levels(mid[good], speed[good], frequency[good], power[good], noise[good], noise_doubt, above)


def _beside(
    offset_hz: FloatArray, wheel_hz: FloatArray, multiple: float, others: Sequence[float], half: int
) -> BoolArray:
    """Side bins that hold noise only [shape (blocks, offsets)]; all of a side where few are left of it."""
    free = np.ones((wheel_hz.size, offset_hz.size), np.bool_)
    for other in others:
        free &= np.abs(wheel_hz[:, None] * (other - multiple) - offset_hz) > LOBE_BINS / BLOCK_S
    edge = (half + GAP_BINS) / BLOCK_S - 1e-9
    for side in (offset_hz > edge, offset_hz < -edge):
        few = (free & side).sum(axis=1) < LEAST_SIDE_BINS
        free[np.ix_(few, side)] = True
    return free & (np.abs(offset_hz) > edge)


def _under_the_line(
    offset_hz: FloatArray, square: FloatArray, beside: BoolArray, inside: BoolArray
) -> tuple[float, float]:
    """Noise under the line over that of the side bins, and its relative error.

    The side bins, averaged over the drive, are joined by a straight line in ln(power); how far they lie off
    it says how far what is between may lie off it.
    """
    level = (square * beside).sum(axis=1) / beside.sum(axis=1)
    shape = square / np.maximum(level, 1e-30)[:, None]
    count = beside.sum(axis=0)
    used = count >= SELDOM * beside.shape[0]
    at, weight = offset_hz[used], count[used] / beside.shape[0]
    log_shape = np.log((shape * beside).sum(axis=0)[used] / count[used])
    line = np.polyfit(at, log_shape, 1, w=np.sqrt(weight))
    off = log_shape - np.polyval(line, at)
    spread = float(np.sqrt((weight * off**2).sum() / max(weight.sum() - 2.0, 1.0)))
    tilt = float(np.exp(np.polyval(line, offset_hz[inside])).mean())
    return tilt, max(LEAST_NOISE_DOUBT, spread)


def noise_bands(recording: Recording, mid_s: FloatArray) -> dict[float, float]:
    """Road noise in octave bands: lower edge in Hz -> vector mean-square density, at the blocks of `mid_s`.

    Median over the blocks and over the bins of a band: neither potholes nor lines raise it.
    """
    signal = signal_of(recording)
    length = round(BLOCK_S * signal.rate_hz)
    first = np.clip(np.round(mid_s * signal.rate_hz - length / 2).astype(int), 0, signal.valid.size - length)
    window = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
    cut = signal.samples[:, first[:, None] + np.arange(length)] * window
    density = (
        (np.abs(np.fft.rfft(cut, axis=-1)) ** 2).sum(axis=0) * 2.0 / (signal.rate_hz * (window**2).sum())
    )
    middle = np.median(density, axis=0)
    frequency = np.fft.rfftfreq(length, 1.0 / signal.rate_hz)
    top = BAND_TOP_SHARE * signal.rate_hz
    bands = {}
    for low in BAND_EDGES_HZ:
        mine = (frequency >= low) & (frequency < min(2.0 * low, top))
        if mine.sum() >= 6 and low < 0.7 * top:
            bands[low] = float(np.median(middle[mine]))
    return bands

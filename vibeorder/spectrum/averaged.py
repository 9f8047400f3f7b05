"""Averaged spectrum of all channels together, and the noise floor under it."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.spectrum.floor import floor_level, make_cells
from vibeorder.spectrum.windows import cosine_window, effective_averages, noise_bandwidth_bins

__all__ = ["AveragedSpectrum", "averaged_spectrum", "checked_samples", "noise_floor", "runs_of"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]

# Four-second blocks: a tire's first, second and third orders stand many bins apart, and a speed held by hand
# drifts less than a bin within one.
DEFAULT_RESOLUTION_HZ = 0.25
# Fewer samples than this in a row make no spectrum worth the name.
LEAST_BLOCK = 16
# Blocks are transformed in batches of at most this many samples, so that they fit in the processor's memory.
BATCH_SAMPLES = 500_000
# Floor cells of the averaged spectrum: at least 16 bins (4 Hz by default), or a quarter of the frequency.
FLOOR_LEAST_BINS = 16
FLOOR_RELATIVE_WIDTH = 0.25


@dataclass(frozen=True, slots=True)
class AveragedSpectrum:
    """Cross-spectral density of the channels, averaged over Hann blocks that overlap by half.

    frequency_hz: [shape (m,)], evenly from 0 to half the rate.
    cross: one-sided density <X_i conj(X_j)> in unit^2/Hz [shape (m, c, c)]; its diagonal is what
        scipy.signal.welch(scaling="density") gives for each channel.
    noise_bandwidth_hz: one bin's equivalent noise bandwidth, 1.5 bins for Hann.
    blocks: number averaged; averages: how many independent ones they are worth.
    """

    frequency_hz: FloatArray
    cross: ComplexArray
    noise_bandwidth_hz: float
    blocks: int
    averages: float

    @property
    def density(self) -> FloatArray:
        """Power density of all channels together, the trace of `cross`, in unit^2/Hz [shape (m,)]."""
        return np.asarray(np.einsum("kii->k", self.cross).real, dtype=np.float64)

    @property
    def amplitude(self) -> FloatArray:
        """Vector peak amplitude in `unit` that a steady line at each bin's own frequency would have [shape
        (m,)].

        sqrt(2 x density x noise bandwidth). The vector peak amplitude of a line is the root of the sum of the
        channels' squared peaks: sqrt(2) times its vector rms, and the true peak for motion to and fro along a
        line. Between two bins a line reads up to 1.42 dB low (Hann's scallop loss).
        """
        return np.asarray(np.sqrt(2.0 * self.density * self.noise_bandwidth_hz), dtype=np.float64)


def averaged_spectrum(
    samples: FloatArray, valid: BoolArray, rate_hz: float, resolution_hz: float = DEFAULT_RESOLUTION_HZ
) -> AveragedSpectrum:
    """Welch's averaged spectrum of all channels, as cross-spectral matrices.

    samples: [shape (c, n)] or [shape (n,)]; valid: [shape (n,)]. Blocks of 1 / resolution_hz seconds, each
    with its mean removed; blocks that touch a gap are left out. Where no stretch without a gap is that long,
    the longest one is one block, and the frequencies lie as far apart as that leaves them.
    Raises RecordingError where no stretch holds 16 samples, or for a bad resolution.
    Reference: Welch, IEEE Trans. AU-15 (1967) 70-73.
    """
    data, mask = checked_samples(samples, valid, rate_hz)
    if not (np.isfinite(resolution_hz) and resolution_hz > 0.0):
        raise RecordingError(
            f"resolution of {resolution_hz:g} Hz is not above zero; 0.25 Hz suits most recordings"
        )
    runs = runs_of(mask)
    longest = max((end - start for start, end in runs), default=0)
    length = min(longest, max(LEAST_BLOCK, round(rate_hz / resolution_hz)))
    if length < LEAST_BLOCK:
        raise RecordingError(
            f"the longest stretch without a gap holds {longest} samples; a spectrum needs at least "
            f"{LEAST_BLOCK}: record again without interruption"
        )
    hop = max(1, length // 2)
    weights = cosine_window("hann", length)
    cross, blocks = _averaged_cross(data, runs, weights, hop)
    step = rate_hz / length
    return AveragedSpectrum(
        frequency_hz=np.asarray(np.arange(length // 2 + 1) * step, dtype=np.float64),
        cross=cross * (2.0 / (rate_hz * np.sum(weights**2))),
        noise_bandwidth_hz=noise_bandwidth_bins(weights) * step,
        blocks=blocks,
        averages=effective_averages(weights, hop, blocks),
    )


def noise_floor(spectrum: AveragedSpectrum) -> FloatArray:
    """Density of the noise alone, all channels together, in unit^2/Hz [shape (m,)].

    A moving median in log frequency, corrected for the median's bias, that leaves out the bins that stand out
    of it (see `vibeorder.spectrum.floor`). The floor under `amplitude` is sqrt(2 x this x
    noise_bandwidth_hz).
    """
    density = spectrum.density
    bins = density.size
    cells = make_cells(1, bins, min(FLOOR_LEAST_BINS, bins - 1), FLOOR_RELATIVE_WIDTH)
    level, _ = floor_level(density, cells, spectrum.averages * _independent_channels(spectrum.cross))
    return level


def checked_samples(samples: FloatArray, valid: BoolArray, rate_hz: float) -> tuple[FloatArray, BoolArray]:
    """Samples as (channels, n), a mask that also leaves out what is not finite; or RecordingError."""
    data = np.atleast_2d(np.asarray(samples, dtype=np.float64))
    mask = np.asarray(valid, dtype=np.bool_)
    if data.ndim != 2 or data.shape[1] != mask.size:
        raise RecordingError(
            f"samples of shape {np.shape(samples)} and a mask of shape {np.shape(valid)} do not fit; "
            "give (channels, n) and (n,)"
        )
    if not (np.isfinite(rate_hz) and rate_hz > 0.0):
        raise RecordingError(f"sample rate of {rate_hz:g} Hz is not above zero; state the true rate")
    finite = np.asarray(np.isfinite(data).all(axis=0), dtype=np.bool_)
    if finite.all():
        return data, mask
    return np.where(finite, data, 0.0), mask & finite


def runs_of(mask: BoolArray) -> list[tuple[int, int]]:
    """Stretches of True as (start, end) indices, end not included."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _averaged_cross(
    data: FloatArray, runs: list[tuple[int, int]], weights: FloatArray, hop: int
) -> tuple[ComplexArray, int]:
    """Mean of X X^H over all blocks [shape (bins, c, c)] and their number; lone bins count half."""
    length = weights.size
    cross = np.zeros((length // 2 + 1, data.shape[0], data.shape[0]), dtype=np.complex128)
    blocks = 0
    for batch in _batches(data, runs, length, hop):
        blocks += batch.shape[1]
        fourier = np.fft.rfft((batch - batch.mean(axis=2, keepdims=True)) * weights, axis=2)
        cross += np.einsum("ibk,jbk->kij", fourier, fourier.conj(), optimize=True)
    cross[0] /= 2.0
    if length % 2 == 0:
        cross[-1] /= 2.0
    return cross / blocks, blocks


def _batches(data: FloatArray, runs: list[tuple[int, int]], length: int, hop: int) -> Iterator[FloatArray]:
    """Blocks of every run, a few at a time [shape (channels, blocks, length)]."""
    at_once = max(1, BATCH_SAMPLES // (length * data.shape[0]))
    for start, end in runs:
        if end - start < length:
            continue
        view = np.lib.stride_tricks.sliding_window_view(data[:, start:end], length, axis=1)[:, ::hop]
        for first in range(0, view.shape[1], at_once):
            yield view[:, first : first + at_once]


def _independent_channels(cross: ComplexArray) -> float:
    """How many channels' worth of independent noise there is: tr(S)^2 / tr(S S), median over the bins."""
    trace = np.einsum("kii->k", cross).real
    squares = np.einsum("kij,kji->k", cross, cross).real
    good = squares > 0.0
    return float(np.median(trace[good] ** 2 / squares[good])) if good.any() else 1.0

"""First look: every candidate's track scanned for a line, over the doubt in the wheel rate.

The nominal wheel rate r0(t) may be wrong by a factor 1 + e(t): tire, speedometer, GPS noise. For each
track (a source, and for engine sources a gear) and each frame of a second the spectrum beside the track
says how much a line at each e stands out. All tracks share e: that is what makes them one vehicle.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.evidence import frame_evidence
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.signal import Signal, folded
from vibeorder.spectrum.baseband import Baseband, BlockSpectra, block_spectra, demodulate

__all__ = ["Clock", "Scan", "Track", "scan_tracks", "usable"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

HOP_S = 1.0
FRAME_S = 3.0
"""Length of a frame. One for all lines: a line's evidence must not depend on the name it is read under."""

FRAME_CAP = 15.0
"""Largest log evidence of one frame: a single pothole or tone must not decide a path."""

BLIND_AT_ZERO_HZ = 2.5
BLIND_AT_NYQUIST_HZ = 1.0
"""A line this near to a fold meets its own mirror image and says nothing of its rate."""

SLOWEST_RATE_HZ = 0.8
"""Wheel turns per second below which (2 m/s) nothing is read: crawling, stopping."""


@dataclass(frozen=True, slots=True)
class Track:
    """One candidate's line: `multiple` turns per wheel turn; gear None for road-speed parts."""

    candidate: int
    gear: int | None
    multiple: float


@dataclass(frozen=True, slots=True)
class Clock:
    """The nominal wheel: turns at the sample instants [shape (n,)], and its rate at the frames [shape (frames,)].

    epsilon: grid of relative corrections, evenly spaced. mid_s: frame times. engine_cells: length of the grid
    for engine lines, which goes on upwards: a slipping converter lets the engine run ahead.
    """

    turns: FloatArray
    mid_s: FloatArray
    rate_hz: FloatArray
    epsilon: FloatArray
    engine_cells: int

    @property
    def step(self) -> float:
        """Spacing of epsilon."""
        return float(self.epsilon[1] - self.epsilon[0])


@dataclass(frozen=True, slots=True)
class Scan:
    """evidence: one array per track [shape (frames, cells of its grid)]; bands: one baseband per track."""

    tracks: tuple[Track, ...]
    clock: Clock
    evidence: tuple[NDArray[np.float32], ...]
    bands: tuple[Baseband, ...]


def scan_tracks(signal: Signal, floor: Floor, clock: Clock, tracks: Sequence[Track]) -> Scan:
    """Demodulate on every track and read the frames against the floor."""
    evidence, bands = [], []
    for track in tracks:
        cells = clock.epsilon.size if track.gear is None else clock.engine_cells
        grid = clock.epsilon[0] + np.arange(cells) * clock.step
        reach = float(np.abs(grid).max())
        top_hz = float(np.percentile(clock.rate_hz, 98)) * track.multiple
        wanted = min(signal.rate_hz, max(24.0, 24.0 + 5.0 * reach * top_hz))
        band = demodulate(signal.samples, signal.valid, signal.rate_hz, clock.turns * track.multiple, wanted)
        bands.append(band)
        evidence.append(_frames(band, signal, floor, clock, track.multiple, grid).astype(np.float32))
    return Scan(tuple(tracks), clock, tuple(evidence), tuple(bands))


def usable(frequency_hz: FloatArray, sample_rate_hz: float) -> BoolArray:
    """Where a line of that (true) frequency can be read at this sample rate, folded or not."""
    seen = folded(frequency_hz, sample_rate_hz)
    return np.asarray(
        (seen > BLIND_AT_ZERO_HZ) & (seen < 0.5 * sample_rate_hz - BLIND_AT_NYQUIST_HZ) & (frequency_hz > 0)
    )


def _frames(
    band: Baseband, signal: Signal, floor: Floor, clock: Clock, multiple: float, grid: FloatArray
) -> FloatArray:
    frequency = clock.rate_hz * multiple
    block_s = min(FRAME_S, max(1.0, 0.25 * clock.mid_s[-1]))
    top, reach = float(frequency.max()), float(np.abs(grid).max())
    blocks = block_spectra(
        band, block_s, clock.mid_s, min(reach * top + 2.0 / block_s + 0.7, 0.36 * band.rate_hz), pad=1
    )
    shape = floor.at(frequency[:, None] + blocks.offset_hz)
    ratio = _power_ratio(blocks, shape)
    step = float(blocks.offset_hz[1] - blocks.offset_hz[0])
    centre = blocks.offset_hz.size // 2
    index = np.round(frequency[:, None] * grid / step).astype(int) + centre
    inside = (index >= 0) & (index < blocks.offset_hz.size)
    found = np.take_along_axis(ratio, np.clip(index, 0, blocks.offset_hz.size - 1), axis=1)
    weight = min(1.0, HOP_S / (0.5 * block_s))
    evidence = frame_evidence(np.where(inside, found, 0.0), signal.samples.shape[0], FRAME_CAP) * weight
    seen = usable(frequency, signal.rate_hz) & (blocks.cover > 0.6) & (clock.rate_hz > SLOWEST_RATE_HZ)
    return np.where(inside & seen[:, None], evidence, 0.0)


def _power_ratio(blocks: BlockSpectra, shape: FloatArray) -> FloatArray:
    """Sum over channels of power over the channel's own noise, channels turned to the noise's axes.

    shape: how the floor runs over the offsets [shape (blocks, offsets)], any scale.
    """
    spectra = blocks.spectra
    if spectra.shape[0] > 1:
        flat = spectra[:, :, ::2].reshape(spectra.shape[0], -1)
        unit = flat / (np.sqrt((np.abs(flat) ** 2).sum(0)) + 1e-30)
        _, axes = np.linalg.eigh(unit @ unit.conj().T)
        spectra = np.einsum("ij,ibk->jbk", axes.conj(), spectra)
    power = np.abs(spectra) ** 2 / (shape / np.median(shape, axis=-1, keepdims=True))
    noise = (
        np.median(power[..., :: 1 if power.shape[-1] < 40 else 2], axis=-1, keepdims=True) / np.log(2.0)
        + 1e-20
    )
    return np.asarray((power / noise).sum(axis=0), float)

"""How much a recording speaks for a line of a given strength along one track.

Blocks y_b read on the track, noise variance 1, are complex Gaussian with covariance

    R + a^2 h h' K,   K_bc = exp(-(ln f_b - ln f_c)^2 / (2 s^2) - |t_b - t_c| / tau)

a: vector rms amplitude over the record; h: what a line of unit amplitude would give in each block
(growth with rate, missing samples, the block's own noise); K: how the body's response decorrelates
with frequency and time; R: 1/6 between neighbours, as half-overlapped Hann blocks have (Harris 1978,
overlap correlation 16.7%), of that part of the noise which was recorded.
log L(a) against a = 0 follows from one eigendecomposition, for every a at once.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.spectrum.baseband import BlockSpectra
from vibeorder.spectrum.middle import middle, power_of

__all__ = [
    "AMPLITUDES",
    "Reading",
    "evidence_of_cells",
    "frame_evidence",
    "line_likelihood",
    "read_line",
    "whitening",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complexfloating]

AMPLITUDES: FloatArray = np.exp(np.linspace(np.log(0.001), np.log(4.0), 67))
"""Grid of vector rms amplitudes, m/s^2: from far below what is felt to a rattling cab."""

RESPONSE_LENGTH = 0.25
"""Correlation length of the body's response in ln(frequency): a mode of moderate damping."""

OVERLAP_CORRELATION = 1.0 / 6.0
"""Noise that neighbouring Hann blocks, overlapped by half, have in common (Harris 1978)."""

PIECE_BLOCKS = 24
"""Blocks judged with their mutual phase; longer records are cut: phase memory is shorter than this."""

MODEL_RATIO_PER_S = 2.25
"""A block's line-to-noise power ratio saturates at this times its length: track, growth and noise are never
known to better than about a third of a strong line's own size, so its part of the noise enters as |y|^2 over
that, in each block on its own. Without this a strong line is worth thousands of nats and a tenth of a percent of
mistracking outweighs everything else."""

EVIDENCE_SHARE = 0.5
"""Share of the log evidence that counts: bumps, slab joints and resonances make noise lumpier than the model has
it, and neighbouring blocks say half as much as independent ones would. Priors keep their full weight."""

STRENGTH_SE = 0.1
"""A strong line's rms over the record is measured at best to a tenth: track and block losses."""

NOISE_ONLY = 1.1
"""Blocks whose mean ratio is below this times the number of channels hold no line worth the likelihood's work."""

LONE_BLOCK = 5.0
"""A block this many times above the median block is a bump, not the line: it counts as if it stood no higher."""

NOISE_MARGIN = 4.0
"""Blocks of noise alone have ratios of about their number of channels, rarely above it by this; they stay so."""

MAIN_LOBE = 2.2
"""Half width of a Hann block's main lobe, in 1/block: bins beyond belong to the surroundings."""

HANN_WIDTH = 1.5
"""Noise bandwidth of a Hann block, in 1/block (Harris 1978)."""

THIRD_OCTAVE = 2.0 ** (1.0 / 6.0) - 2.0 ** (-1.0 / 6.0)
"""Width of a third of an octave over its middle frequency (IEC 61260-1)."""

_LN2 = float(np.log(2.0))


@dataclass(frozen=True, slots=True)
class Reading:
    """One line read along its track.

    log_likelihood: log L(a) on AMPLITUDES, bounded. amplitude_rms: its best value; snr: line power over the
    noise power in the record's own resolution. frequency_hz: median. used_blocks: number of blocks that spoke.
    band_noise_rms: vector rms of the noise in the third of an octave about the line.
    """

    log_likelihood: FloatArray
    amplitude_rms: float
    snr: float
    frequency_hz: float
    used_blocks: int
    band_noise_rms: float = 0.0

    @property
    def best(self) -> float:
        """Largest log likelihood ratio over the amplitudes, at least 0."""
        return float(max(self.log_likelihood.max(), 0.0))


def whiten(blocks: BlockSpectra, block_s: float, side_hz: float) -> tuple[ComplexArray, FloatArray]:
    """Turn the channels to the noise's own axes and measure its level beside the track.

    Returns the turned spectra [shape (channels, blocks, offsets)] and the noise standard deviation of one
    bin [shape (channels, blocks)]. The axes come from a sign covariance (every side bin counts alike, so
    that a pothole or a strong line does not turn them); the level is the median over the side bins.
    """
    offset = np.abs(blocks.offset_hz)
    side = (offset > MAIN_LOBE / block_s) & (offset < MAIN_LOBE / block_s + side_hz)
    spectra = blocks.spectra
    if spectra.shape[0] > 1:
        vectors = spectra[:, :, side].reshape(spectra.shape[0], -1)
        norm = np.sqrt(power_of(vectors).sum(0)) + np.float32(1e-30)
        unit = vectors / norm
        heard = norm > 1e-20
        unit = unit if heard.all() else unit[:, heard]
        _, axes = np.linalg.eigh(unit @ unit.conj().T)
        spectra = (axes.conj().T @ spectra.reshape(len(axes), -1)).reshape(spectra.shape)
    power = middle(power_of(spectra[:, :, side])) / _LN2 + 1e-20
    return spectra, np.sqrt(_smooth_log(power))


def _smooth_log(power: FloatArray) -> FloatArray:
    log = np.log(power)
    padded = np.concatenate([log[:, :1], log, log[:, -1:]], axis=1)
    return np.asarray(np.exp(0.25 * padded[:, :-2] + 0.5 * log + 0.25 * padded[:, 2:]), float)


FRAME_LEVELS = (1.0, 3.0, 10.0, 30.0, 100.0)
"""Line-to-noise power ratios per channel and frame that a line of steady strength may have."""

PRESENT = 0.5
"""Share of frames in which a line that exists is taken to be there: it fades, and gears change."""


def frame_evidence(power_ratio: NDArray[np.floating], channels: int, cap: float) -> NDArray[np.float32]:
    """Log Bayes factor 'a line of steady strength is here' of single frames [same shape as power_ratio].

    power_ratio: S = sum over channels of power / noise [shape (frames, cells)]. Of the strengths tried the one
    that the whole track asks for is taken: log(1 - p + p (1 + r)^-c exp(S r / (1 + r))), bounded by `cap`.
    """
    every = _at_levels(power_ratio, channels, cap)
    return max(every, key=lambda found: float(found.sum(axis=0).max()))


def evidence_of_cells(power_ratio: NDArray[np.floating], channels: int, cap: float) -> FloatArray:
    """As `frame_evidence` of each cell alone, with a strength of its own, summed over the frames [shape (cells,)]."""
    return np.asarray(np.max([found.sum(axis=0) for found in _at_levels(power_ratio, channels, cap)], axis=0))


def _at_levels(power_ratio: NDArray[np.floating], channels: int, cap: float) -> Iterator[NDArray[np.float32]]:
    """The log Bayes factor at each of FRAME_LEVELS; single precision, which takes a quarter of the time."""
    ratio = power_ratio.astype(np.float32, copy=False)
    for level in FRAME_LEVELS:
        found = ratio * np.float32(level / (1.0 + level))
        found -= np.float32(channels * np.log1p(level))
        np.exp(np.minimum(found, np.float32(cap), out=found), out=found)
        found *= np.float32(PRESENT)
        found += np.float32(1.0 - PRESENT)
        yield np.log(found, out=found)


def read_line(
    centre: ComplexArray,
    noise_sd: FloatArray,
    mid_s: FloatArray,
    frequency_hz: FloatArray,
    growth: float,
    memory_s: float,
    block_s: float,
    weight: FloatArray,
    strength_se: float = STRENGTH_SE,
) -> Reading:
    """Judge the blocks read on a track.

    centre: amplitude on the track [shape (channels, blocks)]; noise_sd: [same shape]; frequency_hz, mid_s,
    weight (share of the block that may speak, 0 leaves it out): [shape (blocks,)]. strength_se: how far the
    strength in these blocks may be off that over the record, in ln.
    """
    use = weight > 0.3
    if use.sum() < 2:
        return Reading(np.zeros(AMPLITUDES.size), 0.0, 0.0, float(np.median(frequency_hz)), 0)
    typical_hz = float(middle(frequency_hz[use]))
    shape = (frequency_hz[use] / typical_hz) ** growth
    shape = shape / np.sqrt(np.mean(shape**2)) * weight[use]
    clear_sd = noise_sd[:, use]
    axis_gain = np.sqrt(2.0 / centre.shape[0]) * shape
    ratio = (power_of(centre[:, use]) / clear_sd**2).sum(axis=0)
    usual = centre.shape[0] + NOISE_MARGIN
    lone = np.maximum(ratio / max(usual, LONE_BLOCK * float(middle(ratio))), 1.0)
    raised = lone * (1.0 + np.maximum(ratio / lone - usual, 0.0) / (MODEL_RATIO_PER_S * block_s))
    sd = clear_sd * np.sqrt(raised)
    best = 0.0
    if ratio.mean() > NOISE_ONLY * centre.shape[0]:
        bounded = line_likelihood(
            centre[:, use] / sd, axis_gain / sd, mid_s[use], np.log(frequency_hz[use]), memory_s, 1.0 / raised
        )
        best = max(0.0, float(bounded.max()))
    power, power_se = _power(centre[:, use], clear_sd, weight[use])
    log_l = _over_amplitudes(EVIDENCE_SHARE * best, power, power_se, strength_se)
    mean_noise = float((clear_sd**2).sum(axis=0).mean() / 2.0)
    snr = max(power, 0.0) / mean_noise * int(use.sum()) / 2.0
    # the median: blocks in which a line beside the track counts as noise say nothing of the road's own
    usual_noise = float(middle((clear_sd**2).sum(axis=0))) / 2.0
    band_noise = float(np.sqrt(usual_noise * block_s / HANN_WIDTH * THIRD_OCTAVE * typical_hz))
    return Reading(log_l, float(np.sqrt(max(power, 0.0))), snr, typical_hz, int(use.sum()), band_noise)


def _power(centre: ComplexArray, noise_sd: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Squared vector rms over the record, noise taken off, and its standard error.

    The plain mean, for what was measured is what was there; its error comes from the noise.
    """
    above, noise = power_of(centre) - noise_sd**2, noise_sd**2
    excess = above / 2.0
    power = float((excess.sum(axis=0) / weight**2).mean())
    variance = (noise * (noise + 2.0 * np.maximum(above, 0.0)) / 4.0).sum(axis=0) / weight**4
    independent = 0.5 * centre.shape[1]
    return power, float(np.sqrt(variance.mean() / max(independent, 1.0)))


def _over_amplitudes(best: float, power: float, power_se: float, strength_se: float) -> FloatArray:
    """log L(a): `best` at the measured strength, falling off with the error of the strength.

    Where the line does not stand out of its own error, the squared strength is what was measured; else ln(a). A line
    stronger than all amplitudes counts as the strongest.
    """
    power = min(power, float(AMPLITUDES[-1]) ** 2)
    off = -0.5 * ((AMPLITUDES**2 - power) / power_se) ** 2
    if power <= power_se:
        weak = off + 0.5 * (max(0.0, -power) / power_se) ** 2 + best
        return _widened(weak, strength_se) if strength_se > STRENGTH_SE else np.asarray(weak)
    se = float(np.hypot(strength_se, 0.5 * power_se / power))
    off = -0.5 * ((np.log(AMPLITUDES) - 0.5 * np.log(power)) / se) ** 2
    return np.asarray(np.where(power > AMPLITUDES**2, np.maximum(best + off, 0.0), best + off), float)


def _widened(log_l: FloatArray, strength_se: float) -> FloatArray:
    """log L(a) of a line whose strength where it was read may be off that over the record by strength_se, in ln."""
    log_a = np.log(AMPLITUDES)
    spread = -0.5 * ((log_a[:, None] - log_a) / strength_se) ** 2
    spread -= np.logaddexp.reduce(spread, axis=1, keepdims=True)
    return np.asarray(np.logaddexp.reduce(spread + log_l, axis=1))


def line_likelihood(
    y: ComplexArray,
    gain: FloatArray,
    mid_s: FloatArray,
    log_frequency: FloatArray,
    memory_s: float,
    recorded: FloatArray | None = None,
) -> FloatArray:
    """log L(a) - log L(0) on AMPLITUDES, summed over channels and pieces of the record.

    y, gain: [shape (channels, blocks)]; mid_s, log_frequency, recorded: [shape (blocks,)]. recorded: share of the
    noise's variance that was recorded, None for all of it; overlapping blocks have only this in common.
    """
    shared = np.ones(mid_s.size) if recorded is None else np.sqrt(recorded)
    total = np.zeros(AMPLITUDES.size)
    blocks, pieces = y.shape[1], max(1, round(y.shape[1] / PIECE_BLOCKS))
    # the first pieces are longer by a block where they do not come out even
    longer = blocks % pieces
    cut = longer * (blocks // pieces + 1)
    for first, last, count in ((0, cut, longer), (cut, blocks, pieces - longer)):
        if count:
            own = np.arange(first, last).reshape(count, -1)
            total += _of_pieces(
                y[:, own].transpose(1, 0, 2),
                gain[:, own].transpose(1, 0, 2),
                mid_s[own],
                log_frequency[own],
                memory_s,
                shared[own],
            )
    return total


@lru_cache(maxsize=256)
def _noise_root(overlapping: bytes, blocks: int) -> FloatArray:
    """What whitens the noise of blocks of which some overlap [shape (blocks, blocks)]."""
    overlap = np.frombuffer(overlapping, np.bool_).reshape(blocks, blocks)
    return whitening(overlap, np.ones(blocks))


def whitening(overlaps: NDArray[Any], shared: FloatArray) -> FloatArray:
    """What whitens the noise of overlapping blocks [shape (..., blocks, blocks), as of overlaps].

    overlaps: whether two blocks overlap by half. shared: root of the recorded share of the noise, which is all that
    they have in common [shape (..., blocks)].
    """
    common = shared[..., :, None] * shared[..., None, :] * overlaps
    noise = np.eye(shared.shape[-1]) + OVERLAP_CORRELATION * common
    return np.asarray(np.linalg.inv(np.linalg.cholesky(noise)))


def _noise_roots(overlaps: NDArray[np.bool_], shared: FloatArray) -> FloatArray:
    """What whitens the noise of each piece [shape (pieces, blocks, blocks)]; shared: root of the recorded share."""
    blocks = shared.shape[1]
    if (shared == 1.0).all():
        return np.stack([_noise_root(own.tobytes(), blocks) for own in overlaps])
    return whitening(overlaps, shared)


def _of_pieces(
    y: ComplexArray,
    gain: FloatArray,
    mid_s: FloatArray,
    log_frequency: FloatArray,
    memory_s: float,
    shared: FloatArray,
) -> FloatArray:
    """Sum over pieces of one length; y, gain: [shape (pieces, channels, blocks)]; the others (pieces, blocks)."""
    apart = np.abs(mid_s[:, :, None] - mid_s[:, None, :])
    change = log_frequency[:, :, None] - log_frequency[:, None, :]
    kernel = np.exp(-0.5 * (change / RESPONSE_LENGTH) ** 2 - apart / memory_s)
    hop = np.diff(mid_s, axis=1).min(axis=1) if mid_s.shape[1] > 1 else np.ones(mid_s.shape[0])
    overlaps = (apart > 0) & (apart < 1.5 * hop[:, None, None])
    inverse = _noise_roots(overlaps, shared)[:, None]
    signal = gain[:, :, :, None] * gain[:, :, None, :] * kernel[:, None]
    values, vectors = np.linalg.eigh(inverse @ signal @ inverse.transpose(0, 1, 3, 2))
    turned = vectors.transpose(0, 1, 3, 2) @ (inverse @ y[..., None])
    power = power_of(turned).ravel()
    over = 1.0 + AMPLITUDES[:, None] ** 2 * np.maximum(values, 0.0).ravel()
    # power s / (1 + s) - ln(1 + s), summed
    return np.asarray(power.sum() - (1.0 / over) @ power - np.log(over).sum(axis=1))

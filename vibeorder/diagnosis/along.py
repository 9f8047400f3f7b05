"""Lines read along one course of the wheel's rate: likelihood of every strength, in half-overlapped Hann blocks.

Blocks y on a track, noise variance 1, are complex Gaussian with covariance R + a^2 h h' K, as in `evidence`:
a is the vector rms over the record, K what the body's response keeps from block to block, R the overlap. Here
the likelihood is taken as it is, for every strength: without a speed the weak lines of a sound vehicle decide what
the strong one is called, and their margins are thin. The strong line itself is taken out of the samples first.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from vibeorder.diagnosis.colour import Colour
from vibeorder.diagnosis.evidence import (
    AMPLITUDES,
    HANN_WIDTH,
    NOISE_MARGIN,
    RESPONSE_LENGTH,
    THIRD_OCTAVE,
    Reading,
    whitening,
)
from vibeorder.diagnosis.signal import Signal, folded
from vibeorder.spectrum.baseband import carrier_of
from vibeorder.spectrum.middle import middle

__all__ = ["BLOCK_S", "TrackReader", "Tracked", "likelihoods"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complexfloating]

BLOCK_S = 4.0
MEMORY_S = 12.0

BESIDE_HZ = 0.9
"""Where beside the track the noise is checked: outside a block's main lobe."""

LEAST_EXCESS, MOST_OF_A_BLOCK = 0.5, 3.0
BLIND_AT_ZERO_HZ, BLIND_AT_NYQUIST_HZ = 3.0, 1.0
NEEDED_COVER = 0.6
FEW = 6
"""Ratios of a line to its noise of which the product is taken."""

SATURATES = 12.0
"""A block's line-to-noise power ratio saturates at this: no track, growth or noise is known better."""


@dataclass(frozen=True, slots=True)
class Tracked:
    """One line's blocks. y: amplitude over noise; gain: what unit vector rms would give [shape (c, blocks)].

    raw: amplitude in the recording's unit, noise: its standard deviation [shape (c, blocks)]; frequency_hz: true;
    weight: 0 where nothing can be read; shared: root of the share of the noise that was recorded, the rest being what
    no track is known better than, which overlapping blocks do not have in common [shape (blocks,)].
    """

    y: ComplexArray
    gain: FloatArray
    raw: ComplexArray
    noise: FloatArray
    frequency_hz: FloatArray
    weight: FloatArray
    shared: FloatArray

    @property
    def power(self) -> FloatArray:
        """Of each block, over the noise, all axes together [shape (blocks,)]."""
        return np.asarray((np.abs(self.raw / self.noise) ** 2).sum(axis=0))


class TrackReader:
    """The samples cut into blocks; any phase may be read from them.

    mid_s: middles of the blocks [shape (blocks,)].
    """

    def __init__(self, signal: Signal, colour: Colour) -> None:
        self.signal, self.colour = signal, colour
        rate, total = signal.rate_hz, signal.samples.shape[1]
        self.block_s = min(BLOCK_S, max(1.0, 0.2 * total / rate))
        self.size = round(self.block_s * rate)
        self.first = np.arange(0, total - self.size + 1, max(1, self.size // 2))
        self.mid_s = (self.first + 0.5 * self.size) / rate
        self.window = np.sin(np.pi * (np.arange(self.size) + 0.5) / self.size) ** 2
        self.index = self.first[:, None] + np.arange(self.size)
        self.cover = signal.valid[self.index] @ self.window / self.window.sum()
        self.level = colour.level_at(self.mid_s)
        beside = np.exp(2j * np.pi * BESIDE_HZ * np.arange(self.size) / rate)
        self._windows = np.stack([self.window, self.window * beside.real, self.window * beside.imag])
        self._cut = self._blocks(signal.samples)
        self._emptied = np.full(self.first.size, np.inf)

    def _blocks(self, samples: NDArray[np.floating]) -> NDArray[np.float32]:
        """Every block under the window, and so that its sums are those beside the track [shape (blocks, 3 c, size)]."""
        cut = samples.take(self.index, axis=1).transpose(1, 0, 2)
        windows = self._windows.astype(np.float32)
        found = np.concatenate([cut * window for window in windows], axis=1)
        if len(samples) == 1:
            return found
        # the channels side by side: in single precision sums depend on the order in memory
        return np.ascontiguousarray(found.transpose(0, 2, 1)).transpose(0, 2, 1)

    def without(self, turns: FloatArray, held: FloatArray) -> "TrackReader":
        """A reader of the same samples less the line on `turns`, where `held` [shape (blocks,)]."""
        amplitude = self._amplitude(turns)[0] * held
        times = np.arange(turns.size) / self.signal.rate_hz
        line = carrier_of(turns).conj()
        samples = self.signal.samples.copy()
        for channel, values in enumerate(amplitude):
            slow = np.interp(times, self.mid_s, values.real) + 1j * np.interp(times, self.mid_s, values.imag)
            samples[channel] -= (slow * line).real.astype(np.float32)
        other = object.__new__(TrackReader)
        other.__dict__.update(self.__dict__)
        other._cut = other._blocks(samples)
        seen = folded(self._frequency(turns), self.signal.rate_hz)
        other._emptied = np.where(held > 0, seen, np.inf)
        return other

    def _frequency(self, turns: FloatArray) -> FloatArray:
        """True frequency of a phase track in every block [shape (blocks,)]."""
        steps = turns[self.index[:, -1]] - turns[self.index[:, 0]]
        return np.asarray(np.maximum(steps / (self.block_s - 1.0 / self.signal.rate_hz), 1e-3))

    def _amplitude(self, turns: FloatArray, beside: bool = False) -> list[ComplexArray]:
        """Amplitude of every block on a phase track, and beside it on request [shape (c, blocks) each]."""
        carrier = carrier_of(turns).view(np.float32).reshape(-1, 2)
        step = int(self.first[1]) if self.first.size > 1 else 1
        # of real samples and overlapping blocks, real products with the carrier where it lies are the fewest
        where = sliding_window_view(carrier, self.size, axis=0)[::step].transpose(0, 2, 1)
        cut = self._cut if beside else self._cut[:, : self._cut.shape[1] // len(self._windows)]
        found = 2.0 / self.window.sum() * (cut @ where).view(np.complex64)[..., 0].T
        if not beside:
            return [found]
        own, cosine, sine = np.split(found, len(self._windows))
        return [own, cosine + 1j * sine, cosine - 1j * sine]

    def read(self, turns: FloatArray, growth: float, keep: FloatArray | None = None) -> Tracked:
        """One line on a phase track [shape (n,)]; keep: blocks to use [shape (blocks,)]."""
        rate = self.signal.rate_hz
        frequency = self._frequency(turns)
        raw, *sides = self._amplitude(turns, beside=True)
        raw, sd, sides = self._on_axes(raw, sides, frequency)
        beside = [(np.abs(side / sd) ** 2).sum(axis=0) / side.shape[0] for side in sides]
        excess = self._together(beside, frequency)
        longer = np.concatenate([excess[:1].repeat(2), excess, excess[-1:].repeat(2)])
        smooth = np.convolve(longer, np.ones(5) / 5.0, mode="valid")
        sd = sd * np.sqrt(np.maximum(np.maximum(smooth, excess / MOST_OF_A_BLOCK), LEAST_EXCESS))
        seen = folded(frequency, rate)
        usable = (
            (seen > BLIND_AT_ZERO_HZ)
            & (seen < 0.5 * rate - BLIND_AT_NYQUIST_HZ)
            & (frequency < self.signal.top_hz)
            & (self.cover > NEEDED_COVER)
        )
        weight = self.cover * usable * (1.0 if keep is None else keep)
        return _tracked(raw, sd, frequency, weight, growth)

    def _together(self, beside: list[FloatArray], frequency: FloatArray) -> FloatArray:
        """Noise power below and above the track in one; a place from which a line was taken does not tell any."""
        places = [folded(frequency + off, self.signal.rate_hz) for off in (-BESIDE_HZ, BESIDE_HZ)]
        told = [np.abs(place - self._emptied) > 2.0 / self.block_s for place in places]
        return np.asarray(
            np.where(told[0] == told[1], 0.5 * (beside[0] + beside[1]), np.where(told[0], *beside))
        )

    def _on_axes(
        self, raw: ComplexArray, sides: list[ComplexArray], frequency: FloatArray
    ) -> tuple[ComplexArray, FloatArray, list[ComplexArray]]:
        """Amplitudes turned to the noise's axes along this line, and the noise's standard deviation there."""
        at = self.colour.at(frequency)
        shape, density = self.colour.shape[at], self.colour.density[at]
        _, axes = np.linalg.eigh(shape.mean(axis=0))
        along = np.einsum("ic,bij,jc->cb", axes, shape, axes)
        energy = (self.window**2).sum() * (2.0 / self.window.sum()) ** 2
        variance = np.maximum(along, 0.02) * density * self.level * energy
        return axes.T @ raw, np.sqrt(variance), [axes.T @ side for side in sides]


def _tracked(
    raw: ComplexArray, sd: FloatArray, frequency: FloatArray, weight: FloatArray, growth: float
) -> Tracked:
    """Noise raised where a block stands out beyond what the model can vouch for; gains by growth and cover."""
    use = weight > 0
    typical = float(middle(frequency[use])) if use.any() else 1.0
    shape = (frequency / typical) ** growth
    shape = shape / np.sqrt(np.mean(shape[use] ** 2)) if use.any() else shape
    ratio = (np.abs(raw / sd) ** 2).sum(axis=0)
    usual = raw.shape[0] + NOISE_MARGIN
    raised = np.sqrt(1.0 + np.maximum(ratio - usual, 0.0) / SATURATES)
    bounded = sd * raised
    gain = np.sqrt(2.0 / raw.shape[0]) * shape * weight / bounded
    return Tracked(np.where(use, raw / bounded, 0.0), gain, raw, sd, frequency, weight, 1.0 / raised)


def likelihoods(lines: list[tuple[Tracked, FloatArray]], mid_s: FloatArray) -> list[Reading]:
    """log L(a) - log L(0) of every line on AMPLITUDES, and what was measured of it.

    With each line its segments: blocks of different segments have no phase in common [shape (blocks,)].
    """
    if not lines:
        return []
    neighbours = np.eye(mid_s.size, k=1) + np.eye(mid_s.size, k=-1)
    lowers = whitening(neighbours, np.stack([line.shared for line, _ in lines]))
    apart = np.abs(mid_s[:, None] - mid_s) / MEMORY_S
    systems, turned = [], []
    for (line, segment), lower in zip(lines, lowers, strict=True):
        log_f = np.log(line.frequency_hz)
        kernel = np.exp(-0.5 * ((log_f[:, None] - log_f) / RESPONSE_LENGTH) ** 2 - apart)
        kernel = kernel * (segment[:, None] == segment)
        scaled = lower * line.gain[:, None, :]
        systems.append(scaled @ kernel @ scaled.transpose(0, 2, 1))
        turned.append(line.y @ lower.T)
    values, vectors = np.linalg.eigh(np.stack(systems))
    power = np.abs(np.einsum("lcji,lcj->lci", vectors, np.stack(turned))) ** 2
    strength = AMPLITUDES[:, None, None, None] ** 2 * np.maximum(values, 0.0)
    power = power * strength
    strength += 1.0
    power /= strength
    # the logarithm of a product takes a fraction of the time of as many logarithms; of a few, it stays in range
    few = np.multiply.reduceat(strength, np.arange(0, mid_s.size, FEW), axis=3)
    log_l = (power.sum(axis=(2, 3)) - np.log(few).sum(axis=(2, 3))).T
    block_s = 2.0 * float(mid_s[1] - mid_s[0]) if mid_s.size > 1 else BLOCK_S
    return [_reading(line, own, block_s) for (line, _), own in zip(lines, log_l, strict=True)]


def _reading(line: Tracked, log_likelihood: FloatArray, block_s: float) -> Reading:
    use = line.weight > 0.3
    if use.sum() < 2:
        return Reading(np.zeros(AMPLITUDES.size), 0.0, 0.0, float(np.median(line.frequency_hz)), 0)
    excess = (np.abs(line.raw[:, use]) ** 2 - line.noise[:, use] ** 2).sum(axis=0) / 2.0
    beside = (line.noise[:, use] ** 2).sum(axis=0) / 2.0
    # a bump shakes everything at once: what is seen between bumps says more of a steady line
    trust = line.weight[use] ** 2 / beside
    power = max(float((trust * excess / line.weight[use] ** 2).sum() / trust.sum()), 0.0)
    noise = float(beside.mean())
    count, typical_hz = int(use.sum()), float(middle(line.frequency_hz[use]))
    band_noise = float(np.sqrt(noise * block_s / HANN_WIDTH * THIRD_OCTAVE * typical_hz))
    rms, snr = float(np.sqrt(power)), power / noise * count / 2.0
    return Reading(log_likelihood, rms, snr, typical_hz, count, band_noise)

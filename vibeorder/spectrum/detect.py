"""Where lines stand out of a whole-record spectrum whose noise has been made white."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.spectrum.floor import (
    Cells,
    floor_level,
    make_cells,
    matrix_shape,
    median_to_mean,
)
from vibeorder.spectrum.lengths import fast_length
from vibeorder.spectrum.windows import cosine_window

__all__ = ["DYNAMIC_RANGE", "Found", "Whitened", "find_peaks", "measure_widths", "plain_spectrum", "whiten"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]

# Cells of the floor: 3% of the frequency, narrower than the lightest-damped body mode (4%) and twice as wide
# as a line that wanders, so the floor follows the one and not the other; at least 32 bins, for a median of
# fewer is itself too noisy to set a threshold on (so a record of less than half a minute cannot follow a mode
# near 12 Hz).
FLOOR_LEAST_BINS = 32
FLOOR_RELATIVE_WIDTH = 0.03
# Variance of a sum of neighbouring Hann bins over that of independent ones: 1 + 2 ((2/3)^2 + (1/6)^2).
HANN_SUM_VARIANCE = 1.0 + 2.0 * (4.0 / 9.0 + 1.0 / 36.0)
# A line held by hand at a "steady" speed wanders by some 0.3% (common practice, no source): power is summed
# over bands up to 1.2% of the frequency, and peaks within 0.6% of a stronger one are part of it.
WIDEST_SUM = 0.012
SAME_LINE = 0.006
# What is left after a tone was taken away holds the skirts of its wander this many bins out.
KNOWN_REACH = 8.0
# The floor itself may be this much too low where the road's spectrum bends inside a cell; sums over many bins
# have so little scatter of their own that without it every bend would be a line.
FLOOR_MARGIN = 1.3
# A line with more than this share of its power outside its three middle bins, over what the window itself
# spills there, is not a pure tone.
SPILT_SHARE = 0.1
# The lightest-damped body and suspension modes keep about 2% of critical damping (common practice, no
# source): they are 4% of their frequency wide. A line below three eighths of that, and four times (6 dB)
# above what lies beside it out to 3%, is no body mode: a mode keeps more than a quarter of its top there.
NARROWER_THAN = 0.015
BESIDE = 0.03
NARROW_RATIO = 4.0
# Noise is never taken to be more than 130 dB below the strongest bin: no sensor does better, and in computed
# or rounded tones without noise every bit of arithmetic would be a line.
DYNAMIC_RANGE = 1e-13
# A peak must stand this far above what the window leaks into its bin from a stronger one.
LEAK_MARGIN = 4.0


@dataclass(frozen=True, slots=True)
class Found:
    """A peak: where, and once measured how wide; the last three describe one that is no pure tone.

    radius: bins to either side that hold it, 0 for a tone.
    matrix: sum of Re(a a^H) over its bins, noise taken off: squared peak amplitudes [shape (c, c)].
    """

    frequency_hz: float
    width_hz: float
    narrow: bool
    steady: bool
    radius: int
    matrix: FloatArray
    amplitude_variance: float


@dataclass(frozen=True, slots=True)
class Whitened:
    """Hann spectrum of the whole record with its noise.

    fourier: scaled so that |X|^2 is a two-sided density [shape (c, bins)]; step_hz: one bin, 1/T.
    level: two-sided noise density, all channels together [shape (bins,)]; shape: its share among the channels
    in each cell; statistic: X^H S^-1 X, the whitened power, mean c in noise [shape (bins,)]; leak: the most
    of a line's power that the window, gaps and all, lets into a bin this many bins away [shape (bins,)].
    """

    fourier: ComplexArray
    step_hz: float
    rate_hz: float
    cells: Cells
    level: FloatArray
    shape: ComplexArray
    statistic: FloatArray
    leak: FloatArray

    def noise_density(self, frequency_hz: float) -> FloatArray:
        """Two-sided density matrix of the noise at a frequency, real part [shape (c, c)]."""
        at = frequency_hz / self.step_hz
        nearest = int(np.argmin(np.abs(np.log(self.cells.centre / max(at, 0.5)))))
        level = float(np.interp(at, np.arange(self.level.size), self.level))
        return np.asarray(level * self.shape[nearest].real, dtype=np.float64)

    def whitener(self, frequency_hz: float) -> FloatArray:
        """W with W S W^T = 1 for the noise density S at a frequency [shape (c, c)]."""
        return np.asarray(
            np.linalg.inv(np.linalg.cholesky(self.noise_density(frequency_hz))), dtype=np.float64
        )

    def excess_near(self, frequency_hz: float) -> float:
        """Whitened power within three bins over what noise has, at least 1."""
        at = round(frequency_hz / self.step_hz)
        part = self.statistic[max(1, at - 3) : at + 4]
        return max(1.0, float(part.mean()) / len(self.fourier))


def plain_spectrum(samples: FloatArray, mask: BoolArray, rate_hz: float) -> tuple[ComplexArray, float]:
    """Spectrum without a window, scaled to two-sided density [shape (c, bins)], and its bin width."""
    length = fast_length(samples.shape[1])
    fourier = np.fft.rfft(samples, length, axis=1) / np.sqrt(rate_hz * np.count_nonzero(mask))
    return np.asarray(fourier, dtype=np.complex128), rate_hz / length


def whiten(samples: FloatArray, mask: BoolArray, rate_hz: float, least: float = 1e-200) -> Whitened:
    """Spectrum, floor and whitened power of samples [shape (c, n)] that are zero where mask is False.

    least: density below which the floor does not go.
    """
    fourier, step_hz, leak = _hann_fourier(samples, mask, rate_hz)
    power = np.asarray(np.sum(fourier.real**2 + fourier.imag**2, axis=0))
    bins = power.size
    cells = make_cells(1, bins, min(FLOOR_LEAST_BINS, bins - 1), FLOOR_RELATIVE_WIDTH)
    channels = samples.shape[0]
    level, quiet = floor_level(power, cells, float(channels))
    # A record of exact zeros, or of a computed tone, has no floor of its own.
    least = max(least, DYNAMIC_RANGE * float(power.max()))
    level = np.maximum(level, least)
    shape = matrix_shape(fourier, level, quiet, cells)
    independent = 1.0 / np.maximum(np.einsum("kij,kji->k", shape, shape).real, 1.0 / channels)
    # The first medians were taken for those of independent channels; only their bias changes.
    bias = median_to_mean(independent) / median_to_mean(np.full(independent.shape, float(channels)))
    level = np.maximum(level * np.interp(np.arange(bins), cells.centre, bias), least)
    statistic = _statistic(fourier, level, shape, cells)
    return Whitened(fourier, step_hz, rate_hz, cells, level, shape, statistic, leak)


def find_peaks(
    whitened: Whitened,
    band_hz: tuple[float, float],
    limit: int,
    false_alarm: float,
    known: Sequence[Found] = (),
) -> list[Found]:
    """Peaks above the threshold, from single bins to sums over WIDEST_SUM, strongest first within each."""
    from scipy.special import gammainccinv

    channels, bins = whitened.fourier.shape
    low = max(2, int(np.ceil(band_hz[0] / whitened.step_hz)))
    high = min(bins - 2, int(band_hz[1] / whitened.step_hz))
    bins_known = [f.frequency_hz / whitened.step_hz for f in known]
    taken = [(at, 0.0, max(KNOWN_REACH, WIDEST_SUM * at)) for at in bins_known]
    out: list[Found] = []
    running = np.concatenate(([0.0], np.cumsum(whitened.statistic)))
    width = 1
    while width <= max(1.0, WIDEST_SUM * high):
        looks = channels * (1.0 if width == 1 else width / HANN_SUM_VARIANCE)
        chance = false_alarm * width / max(1, high - low) / (1 + np.log2(max(1.0, WIDEST_SUM * high)))
        threshold = FLOOR_MARGIN * float(gammainccinv(looks, min(0.5, chance))) / looks * channels
        first = max(low, width // 2 + 1, int(width / WIDEST_SUM) if width > 1 else 0)
        if high > first:
            centres = np.arange(first, min(high, bins - width // 2 - 1))
            mean = (running[centres + width // 2 + 1] - running[centres - width // 2]) / width
            for at in _maxima(centres, mean, threshold):
                if len(out) < limit and not _part_of(at, mean[at - first], width, taken, whitened.leak):
                    taken.append((float(at), float(mean[at - first]) * width, max(3.0, SAME_LINE * at)))
                    out.append(_found(whitened, at, width))
        width = 2 * width + 1
    return out


def measure_widths(whitened: Whitened, peaks: Sequence[Found], others: Sequence[Found] = ()) -> list[Found]:
    """The peaks with their widths; those that wander within WIDEST_SUM of a stronger such one are one with
    it.

    others: peaks that are not measured again but bound the reach of these.
    """
    everyone = [*others, *peaks]
    kept: list[Found] = []
    for peak in peaks:
        measured = _measure_width(whitened, peak, everyone)
        near = WIDEST_SUM * peak.frequency_hz
        if measured.steady or all(
            k.steady or abs(k.frequency_hz - peak.frequency_hz) > near for k in [*others, *kept]
        ):
            kept.append(replace(peak, steady=measured.steady))
    # Those that were swallowed no longer bound the reach of the others.
    everyone = [*others, *kept]
    return [_measure_width(whitened, peak, everyone) for peak in kept]


def _measure_width(whitened: Whitened, peak: Found, others: Sequence[Found]) -> Found:
    """The same peak with its width; for one wider than a tone also the centre and matrix of its power."""
    at = round(peak.frequency_hz / whitened.step_hz)
    apart = [abs(o.frequency_hz - peak.frequency_hz) / whitened.step_hz for o in others if o is not peak]
    reach = int(max(3.0, 1.25 * WIDEST_SUM * at))
    reach = int(min(reach, at - 1, whitened.level.size - 2 - at, *(max(2.0, 0.5 * d) for d in apart)))
    channels = whitened.fourier.shape[0]
    excess = whitened.statistic[at - reach : at + reach + 1] - channels
    ring = excess[reach:] + excess[reach::-1]
    ring[0] /= 2.0
    inside = np.cumsum(ring)
    scatter = np.sqrt(channels * HANN_SUM_VARIANCE * (2.0 * np.arange(reach + 1) + 1.0))
    outside = inside - inside[min(1, reach)]
    spilt = SPILT_SHARE + 2.0 * float(np.sum(whitened.leak[2 : reach + 1]))
    wide = (outside > 4.0 * scatter) & (outside > spilt * inside[min(1, reach)])
    # All of a wandering line's power, to within the scatter of noise, lest its far excursions be cut off.
    top = int(np.argmax(inside))
    whole = int(np.argmax(inside >= inside[top] - scatter[top]))
    radius = max(2, whole) if wide.any() else min(1, reach)
    half = float(np.interp(0.5 * inside[radius], inside[: radius + 1], np.arange(radius + 1) + 0.5))
    if inside[0] >= 0.5 * inside[radius]:
        half = 0.25 * inside[radius] / inside[0]
    width_hz = float(max(0.5, 2.0 * half) * whitened.step_hz)
    narrow = width_hz < NARROWER_THAN * peak.frequency_hz and _stands_alone(
        whitened, at, round(half), 2 * radius
    )
    peak = replace(peak, width_hz=width_hz, narrow=narrow, steady=not wide.any())
    return peak if not wide.any() else _centre_of_power(whitened, at, radius, peak)


def _stands_alone(whitened: Whitened, at: int, core: int, clear: int) -> bool:
    """Whether the core of a line towers over what lies beside it, where the record can show that at all."""
    inner, outer = max(3, clear), round(BESIDE * at)
    if outer < max(6, inner + 3):
        return False
    end = min(whitened.statistic.size, at + outer + 1)
    beside = np.r_[max(1, at - outer) : at - inner, min(end, at + inner + 1) : end]
    return bool(
        whitened.statistic[at - core : at + core + 1].mean()
        > NARROW_RATIO * np.median(whitened.statistic[beside])
    )


def _hann_fourier(
    samples: FloatArray, mask: BoolArray, rate_hz: float
) -> tuple[ComplexArray, float, FloatArray]:
    """Hann spectrum of the record, scaled to two-sided density, its bin width, and the window's leakage."""
    n = samples.shape[1]
    length = fast_length(n)
    weights = cosine_window("hann", n) * mask
    fourier = np.fft.rfft(samples * weights, length, axis=1)
    fourier /= np.sqrt(rate_hz * np.sum(weights**2))
    distance = np.maximum(1.0, np.arange(fourier.shape[1]))
    # Side lobes of Hann fall off as 1 / (pi d^3); those of a gap have to be worked out.
    leak = np.minimum(1.0, 1.0 / (np.pi * distance**3) ** 2)
    if not mask.all():
        window = np.abs(np.fft.rfft(weights, length)) ** 2 / np.sum(weights) ** 2
        leak = np.maximum(leak, np.maximum.accumulate(window[::-1])[::-1])
    return np.asarray(fourier, dtype=np.complex128), rate_hz / length, np.asarray(leak, dtype=np.float64)


def _statistic(fourier: ComplexArray, level: FloatArray, shape: ComplexArray, cells: Cells) -> FloatArray:
    """X^H S^-1 X per bin; S^-1 is interpolated between the cells' centres."""
    inverse = np.linalg.inv(shape)
    channels, bins = fourier.shape
    at = np.arange(bins)
    total = np.zeros(bins)
    for i in range(channels):
        total += np.interp(at, cells.centre, inverse[:, i, i].real) * (
            fourier[i].real ** 2 + fourier[i].imag ** 2
        )
        for j in range(i):
            product = fourier[i].conj() * fourier[j]
            total += 2.0 * np.interp(at, cells.centre, inverse[:, i, j].real) * product.real
            total -= 2.0 * np.interp(at, cells.centre, inverse[:, i, j].imag) * product.imag
    return total / level


def _maxima(centres: NDArray[np.int64], mean: FloatArray, threshold: float) -> list[int]:
    """Bins of the local maxima above the threshold, highest first."""
    inner = mean[1:-1]
    top = np.flatnonzero((inner > threshold) & (inner >= mean[:-2]) & (inner > mean[2:])) + 1
    return [int(b) for b in centres[top[np.argsort(-mean[top])]]]


def _part_of(
    at: int, mean: float, width: int, taken: Sequence[tuple[float, float, float]], leak: FloatArray
) -> bool:
    """Whether a peak is the skirt of another: within its reach, or no more than the window leaks of it.

    taken: bin, whitened power and reach in bins of each that is there already.
    """
    leaked = 0.0
    for bin_, power, reach in taken:
        distance = abs(at - bin_)
        if distance <= max(reach, 0.75 * width):
            return True
        leaked += power * float(leak[min(leak.size - 1, int(distance))])
    return mean < LEAK_MARGIN * leaked


def _found(whitened: Whitened, at: int, width: int) -> Found:
    """A peak at a bin, by a parabola through the logarithms of three bins (Hann: good to 0.016 bins)."""
    shift = 0.0
    if width == 1:
        a, b, c = np.log(np.maximum(whitened.statistic[at - 1 : at + 2], 1e-12))
        if a - 2.0 * b + c < 0.0:
            shift = float(np.clip(0.5 * (a - c) / (a - 2.0 * b + c), -0.5, 0.5))
    return Found(
        (at + shift) * whitened.step_hz, width * whitened.step_hz, False, True, 0, np.zeros((0, 0)), 0.0
    )


def _centre_of_power(whitened: Whitened, at: int, radius: int, peak: Found) -> Found:
    """Centre, squared amplitude and its error from the bins within `radius`, noise taken off."""
    part = slice(at - radius, at + radius + 1)
    fourier, statistic = whitened.fourier[:, part], whitened.statistic[part]
    channels = fourier.shape[0]
    frequency = np.arange(at - radius, at + radius + 1) * whitened.step_hz
    excess = statistic - channels
    centre = float(np.sum(excess * frequency) / np.sum(excess))
    # Both sides of the spectrum together hold A^2 / 2, so squared peak is 4 x density x bin, summed on one.
    scale = 4.0 * whitened.step_hz
    noise = whitened.noise_density(centre)
    matrix = scale * (np.real(fourier @ fourier.conj().T) - (2 * radius + 1) * noise)
    squared = max(float(np.trace(matrix)), 1e-300)
    # The line's own power does not scatter; noise beats with it, and with itself.
    beside = scale * float(np.trace(noise))
    variance = HANN_SUM_VARIANCE * (2.0 * squared * beside + (2 * radius + 1) * beside**2) / (4.0 * squared)
    return Found(centre, peak.width_hz, peak.narrow, False, radius, matrix, variance)

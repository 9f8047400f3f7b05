"""Spectra against shaft angle instead of time: bins are orders, and a changing speed does not smear them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import SpeedError
from vibeorder.spectrum.averaged import averaged_spectrum, checked_samples, runs_of

__all__ = ["AngleRecord", "OrderSpectrum", "OrderSurface", "order_map", "order_spectrum", "to_angle"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]

# Samples are first interpolated to four times the rate by a windowed sinc (Kaiser, beta 8.6: 90 dB), whose
# filter spans HALF_LENGTH old samples to each side; a cubic spline fills in between.
OVERSAMPLING = 4
HALF_LENGTH = 24
KAISER_BETA = 8.6
# Orders up to 16: beyond that only gear mesh lives, which this room does not look for.
DEFAULT_PER_TURN = 32
# Eight turns in a block: half orders lie four bins apart, and a shaft turns them in under a second.
DEFAULT_BLOCK_TURNS = 8.0


@dataclass(frozen=True, slots=True)
class AngleRecord:
    """Samples at equal steps of shaft angle.

    samples: [shape (c, m)], zero where valid [shape (m,)] is False; turns, times_s: angle and time of each
    [shape (m,)], the time counted from sample 0 of what it was made from; per_turn: samples in a turn.
    """

    samples: FloatArray
    valid: BoolArray
    turns: FloatArray
    times_s: FloatArray
    per_turn: int


@dataclass(frozen=True, slots=True)
class OrderSpectrum:
    """Averaged over Hann blocks of whole turns that overlap by half.

    order: [shape (m,)]; cross: one-sided density per order, unit^2 [shape (m, c, c)]; amplitude: vector peak
    amplitude of a line at each order, in `unit` [shape (m,)]; blocks: number averaged.
    """

    order: FloatArray
    cross: ComplexArray
    amplitude: FloatArray
    blocks: int
    averages: float


@dataclass(frozen=True, slots=True)
class OrderSurface:
    """Vector peak amplitude of every order in every block.

    times_s, turn_rate_hz: middle and mean rate of each block [shape (b,)]; order: [shape (m,)];
    amplitude: in `unit` [shape (b, m)]. Blocks that touch a gap are not there.
    """

    times_s: FloatArray
    turn_rate_hz: FloatArray
    order: FloatArray
    amplitude: FloatArray


def to_angle(
    samples: FloatArray,
    rate_hz: float,
    turns: FloatArray,
    per_turn: int = DEFAULT_PER_TURN,
    valid: BoolArray | None = None,
) -> AngleRecord:
    """Resample to per_turn equal steps a turn (computed order tracking: Fyfe and Munck, MSSP 11(2), 1997,
    187-205).

    samples: [shape (c, n)]; turns: shaft angle at each sample, in turns, never falling [shape (n,)].
    Band-limited: a windowed sinc to OVERSAMPLING times the rate, then a cubic spline; where a turn would get
    fewer steps than the rate carries, more are taken and a filter of constant order removes what would fold.
    Steps within the filter's reach of a gap are not valid. SpeedError for angles that fall or hardly rise.
    """
    data, mask, angle = _checked(samples, rate_hz, turns, valid)
    # The mean is taken off and put back, lest gravity ring at every edge of a gap.
    mean = data[:, mask].mean(axis=1, keepdims=True) if mask.any() else np.zeros((data.shape[0], 1))
    finest = _finest_rate(angle, mask) * rate_hz
    times = max(1, int(np.ceil(rate_hz / max(1e-9, per_turn * finest) - 1e-9)))
    times = min(times, max(1, int(4 * angle.size / ((angle[-1] - angle[0]) * per_turn))))
    steps = np.arange(np.ceil(angle[0] * per_turn) * times, np.floor(angle[-1] * per_turn) * times + 1)
    at = np.interp(steps / (per_turn * times), *_rising(angle))
    fine = _interpolate(np.where(mask, data - mean, 0.0), at)
    if times > 1:
        fine = _lower_rate(fine, times)
    kept = slice(None, None, times)
    near = _clear_of_gaps(mask, HALF_LENGTH)[np.minimum(np.round(at[kept]).astype(np.int64), mask.size - 1)]
    out = np.where(near, fine + mean, 0.0)
    return AngleRecord(out, near, steps[kept] / (per_turn * times), at[kept] / rate_hz, per_turn)


def order_spectrum(
    samples: FloatArray,
    rate_hz: float,
    turns: FloatArray,
    *,
    block_turns: float = DEFAULT_BLOCK_TURNS,
    per_turn: int = DEFAULT_PER_TURN,
    valid: BoolArray | None = None,
) -> OrderSpectrum:
    """Averaged spectrum over shaft angle; orders 1 / block_turns apart, up to half of per_turn.

    Scaled as `AveragedSpectrum`. Raises SpeedError or RecordingError where the record holds no whole block.
    """
    angle = to_angle(samples, rate_hz, turns, per_turn, valid)
    _require_block(angle, block_turns)
    spectrum = averaged_spectrum(angle.samples, angle.valid, float(per_turn), 1.0 / block_turns)
    return OrderSpectrum(
        spectrum.frequency_hz, spectrum.cross, spectrum.amplitude, spectrum.blocks, spectrum.averages
    )


def order_map(
    samples: FloatArray,
    rate_hz: float,
    turns: FloatArray,
    *,
    block_turns: float = DEFAULT_BLOCK_TURNS,
    per_turn: int = DEFAULT_PER_TURN,
    valid: BoolArray | None = None,
) -> OrderSurface:
    """Amplitude against time (or speed: `turn_rate_hz`) and order, in half-overlapped Hann blocks."""
    from vibeorder.spectrum.windows import cosine_window

    angle = to_angle(samples, rate_hz, turns, per_turn, valid)
    length = _require_block(angle, block_turns)
    starts = np.concatenate(
        [
            np.arange(a, b - length + 1, max(1, length // 2))
            for a, b in runs_of(angle.valid)
            if b - a >= length
        ]
    )
    weights = cosine_window("hann", length)
    blocks = angle.samples[:, starts[:, None] + np.arange(length)]
    fourier = np.fft.rfft((blocks - blocks.mean(axis=2, keepdims=True)) * weights, axis=2)
    amplitude = 2.0 * np.sqrt(np.sum(np.abs(fourier) ** 2, axis=0)) / np.sum(weights)
    first, last = angle.times_s[starts], angle.times_s[starts + length - 1]
    rate = (length - 1) / per_turn / np.maximum(last - first, 1e-12)
    order = np.arange(length // 2 + 1) * per_turn / length
    return OrderSurface((first + last) / 2.0, rate, order, np.asarray(amplitude, dtype=np.float64))


def _checked(
    samples: FloatArray, rate_hz: float, turns: FloatArray, valid: BoolArray | None
) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Samples, mask and angle that fit each other."""
    angle = np.asarray(turns, dtype=np.float64)
    data, mask = checked_samples(samples, np.ones(angle.size, np.bool_) if valid is None else valid, rate_hz)
    if angle.shape != mask.shape:
        raise SpeedError(
            f"{angle.size} shaft angles do not fit {mask.size} samples; give one angle for each sample"
        )
    if not np.isfinite(angle).all():
        raise SpeedError(
            "the shaft angle has values that are no numbers; fill or cut the speed where it is unknown"
        )
    if angle.size < 2 or (np.diff(angle) < 0.0).any():
        raise SpeedError("the shaft angle falls somewhere; a speed cannot be below zero, set it to 0 there")
    if angle[-1] - angle[0] < 1.0:
        raise SpeedError(
            f"the shaft makes only {angle[-1] - angle[0]:.2f} turns here; an order needs at least one"
        )
    return data, mask, angle


def _require_block(angle: AngleRecord, block_turns: float) -> int:
    """Length of a block in samples; SpeedError where no stretch without a gap holds one."""
    length = round(block_turns * angle.per_turn)
    longest = max((b - a for a, b in runs_of(angle.valid)), default=0)
    if length < 2 or longest < length:
        raise SpeedError(
            f"no stretch without a gap holds {block_turns:g} turns (the longest has "
            f"{longest / angle.per_turn:.1f}); ask for shorter blocks or record longer"
        )
    return length


def _finest_rate(angle: FloatArray, mask: BoolArray) -> float:
    """Turns per sample at the slow end of the drive, standstills left aside."""
    rate = np.diff(angle)[mask[1:] & mask[:-1]]
    moving = rate[rate > 0.05 * rate.max()] if rate.size and rate.max() > 0.0 else np.ones(1)
    return float(np.quantile(moving, 0.02))


def _rising(angle: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angles that strictly rise, and their sample indices: while the shaft stands only the first is kept."""
    keep = np.concatenate(([True], np.diff(np.maximum.accumulate(angle)) > 0.0))
    return angle[keep], np.flatnonzero(keep).astype(np.float64)


def _interpolate(data: FloatArray, at: FloatArray) -> FloatArray:
    """Values [shape (c, m)] at fractional sample indices [shape (m,)]."""
    from scipy.ndimage import map_coordinates
    from scipy.signal import firwin, upfirdn

    taps = firwin(2 * HALF_LENGTH * OVERSAMPLING + 1, 1.0 / OVERSAMPLING, window=("kaiser", KAISER_BETA))
    fine = upfirdn(OVERSAMPLING * taps, data, OVERSAMPLING, 1, axis=1)[:, HALF_LENGTH * OVERSAMPLING :]
    where = [at * OVERSAMPLING]
    return np.stack([map_coordinates(row, where, order=3, mode="nearest") for row in fine])


def _lower_rate(fine: FloatArray, times: int) -> FloatArray:
    """Every times-th step, after a filter that removes orders above the new half rate."""
    from scipy.signal import firwin, upfirdn

    taps = firwin(2 * HALF_LENGTH * times + 1, 1.0 / times, window=("kaiser", KAISER_BETA))
    kept = -(-fine.shape[1] // times)
    filtered = upfirdn(taps, fine, 1, times, axis=1)[:, HALF_LENGTH : HALF_LENGTH + kept]
    return np.asarray(filtered, dtype=np.float64)


def _clear_of_gaps(mask: BoolArray, reach: int) -> BoolArray:
    """True where no sample within `reach` is missing."""
    missing = np.concatenate(([0], np.cumsum(~mask)))
    index = np.arange(mask.size)
    low, high = np.maximum(index - reach, 0), np.minimum(index + reach + 1, mask.size)
    return np.asarray(missing[high] == missing[low])

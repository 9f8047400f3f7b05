"""Amplitude and phase at one order, with its standard error, straight from the samples at their own times."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import SpeedError
from vibeorder.spectrum.averaged import checked_samples

__all__ = ["CoherentOrder", "coherent_order"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]

# Side bands this many bins of 1 / block_turns away on either side: clear of a Hann-windowed line at the order
# itself, and too far from each other to share noise. The second lowest of the four is the noise, so that two
# neighbouring orders among them do not count as noise; it is 1/4 + 1/3 of the mean of exponential powers.
SIDE_BANDS = (3, 6)
SECOND_OF_FOUR = 1.0 / 4.0 + 1.0 / 3.0
# A block with less than this share of its Hann weight there is left out; a line nearby would leak into it.
LEAST_WEIGHT = 0.75


@dataclass(frozen=True, slots=True)
class CoherentOrder:
    """One order along the record, x_i = Re(a_i exp(2 pi j order turns)).

    blocks: complex amplitude, peak, in `unit` [shape (b, c)].
    noise: expected |error|^2 of each of them [shape (b, c)].
    mean: over the record, blocks weighed alike [shape (c,)]. A phase that drifts against `turns` makes it
        smaller than `amplitude`.
    mean_se: standard error of its real, and of its imaginary part [shape (c,)].
    amplitude, amplitude_se: vector peak amplitude, rms over the blocks, noise taken off.
    snr: power of the order over that of noise in one block, all channels together.
    """

    order: float
    blocks: ComplexArray
    noise: FloatArray
    mean: ComplexArray
    mean_se: FloatArray
    amplitude: float
    amplitude_se: float
    snr: float


def coherent_order(
    samples: FloatArray,
    rate_hz: float,
    turns: FloatArray,
    order: float,
    block_turns: float = 8.0,
    valid: BoolArray | None = None,
) -> CoherentOrder:
    """Time-variant discrete Fourier transform at one order (Blough; reference from memory).

    a = 2 sum_k w(theta_k) x_k exp(-2 pi j order theta_k) dtheta_k / sum_k w(theta_k) dtheta_k over Hann
    blocks of block_turns turns that overlap by half; nothing is resampled, so an order above half the sample
    rate, which is in the samples as its mirror image, is read like any other. An order whose image falls on
    itself (frequency within a bin of 0 or a multiple of half the rate) is not one that samples can tell.
    samples: [shape (c, n)]; turns: shaft angle at each sample in turns, never falling [shape (n,)].
    Blocks that lack more than a quarter of their weight through gaps are left out; SpeedError if none is
    left.
    """
    angle = np.asarray(turns, dtype=np.float64)
    data, mask = checked_samples(samples, np.ones(angle.size, np.bool_) if valid is None else valid, rate_hz)
    _check_angle(angle, mask, order, block_turns)
    mean = data[:, mask].mean(axis=1, keepdims=True) if mask.any() else 0.0
    step = np.where(mask, np.gradient(angle), 0.0)
    blocks, sides, kept = _blocks(data - mean, step, angle, order, block_turns)
    if not kept.any():
        raise SpeedError(f"gaps leave no block of {block_turns:g} turns whole; ask for shorter blocks")
    noise = np.sort(np.abs(sides[:, kept]) ** 2, axis=0)[1] / SECOND_OF_FOUR
    return _summary(order, blocks[kept], noise)


def _check_angle(angle: FloatArray, mask: BoolArray, order: float, block_turns: float) -> None:
    """SpeedError for angles, an order or a block that cannot be used."""
    if angle.shape != mask.shape:
        raise SpeedError(
            f"{angle.size} shaft angles do not fit {mask.size} samples; give one angle for each sample"
        )
    if not np.isfinite(angle).all() or (np.diff(angle) < 0.0).any():
        raise SpeedError("the shaft angle falls or is unknown somewhere; set the speed to 0 or more there")
    if not order > 0.0 or not block_turns > 0.0:
        raise SpeedError(f"order {order:g} and blocks of {block_turns:g} turns must both be above zero")
    if angle.size < 2 or angle[-1] - angle[0] < block_turns - 1e-9:
        turned = angle[-1] - angle[0] if angle.size else 0.0
        raise SpeedError(
            f"the shaft makes {turned:.1f} turns in this record, less than one block of {block_turns:g}; "
            "ask for shorter blocks or record longer"
        )


def _blocks(
    data: FloatArray, step: FloatArray, angle: FloatArray, order: float, block_turns: float
) -> tuple[ComplexArray, ComplexArray, BoolArray]:
    """Amplitudes at the order and in the side bands, which blocks are whole.

    Half blocks are summed once, at the order and at its neighbours 1 / block_turns apart: Hann in the angle
    is a combination of three of those, so no window is ever laid over the samples.
    """
    relative = angle - angle[0]
    halves = int(np.floor(relative[-1] * 2.0 / block_turns + 1e-9))
    edges = np.searchsorted(relative, np.arange(halves + 1) * block_turns / 2.0 - 1e-12)
    centre = max(SIDE_BANDS) + 1
    sums = _half_sums(data * step, relative, order, block_turns, edges, range(-centre, centre + 1))
    weight = _half_sums(step[None, :], relative, 0.0, block_turns, edges, range(-1, 2))
    window = _hann(weight, 0, 1)[:, 0].real
    whole = np.diff(angle[np.minimum(edges, angle.size - 1)])
    kept = window > LEAST_WEIGHT * 0.5 * (whole[:-1] + whole[1:])
    # Phases so far count from the first sample; the user's turns may not start at a whole one.
    scale = 2.0 * np.exp(-2j * np.pi * order * angle[0]) / np.where(kept, window, 1.0)[:, None]
    sides = np.array([_hann(sums, s * b, centre) * scale for b in SIDE_BANDS for s in (-1, 1)])
    return _hann(sums, 0, centre) * scale, sides, kept


def _half_sums(
    weighted: FloatArray,
    angle: FloatArray,
    order: float,
    block_turns: float,
    edges: NDArray[np.int64],
    spins: range,
) -> ComplexArray:
    """Sums over each half block at order + spin / block_turns [shape (spins, halves, c)]."""
    out = np.empty((len(spins), edges.size - 1, weighted.shape[0]), dtype=np.complex128)
    turning = np.exp(-2j * np.pi * (order + spins[0] / block_turns) * angle)
    spin = np.exp(-2j * np.pi / block_turns * angle)
    for i in range(len(spins)):
        running = np.zeros((weighted.shape[0], angle.size + 1), dtype=np.complex128)
        np.cumsum(weighted * turning, axis=1, out=running[:, 1:])
        out[i] = np.diff(running[:, edges], axis=1).T
        turning *= spin
    return out


def _hann(sums: ComplexArray, spin: int, centre: int) -> ComplexArray:
    """Hann-weighted sums over blocks of two halves, `spin` bins from the order [shape (blocks, c)].

    Block b starts b half blocks after the first angle: 0.5 - 0.25 exp(+-2 pi j (theta - b B / 2) / B), and
    the constant part of that phase is pi b, so neighbours count with (-1)^b.
    """
    whole = sums[:, :-1] + sums[:, 1:]
    sign = np.where(np.arange(whole.shape[1]) % 2 == 0, 1.0, -1.0)[:, None]
    at = centre + spin
    return np.asarray(0.5 * whole[at] - 0.25 * sign * (whole[at - 1] + whole[at + 1]), dtype=np.complex128)


def _summary(order: float, blocks: ComplexArray, noise: FloatArray) -> CoherentOrder:
    """Means over the blocks and their errors."""
    count = len(blocks)
    # Hann blocks that overlap by half share a sixth of their noise: the mean of many is that much noisier.
    independent = count / (1.0 + 2.0 * (1.0 / 6.0) * (count - 1) / count)
    level = noise.mean(axis=0)
    power = float(np.mean(np.sum(np.abs(blocks) ** 2, axis=1)))
    squared = max(power - float(level.sum()), 0.0)
    amplitude = float(np.sqrt(squared))
    # |A + e|^2 with E|e|^2 = s has variance 2 |A|^2 s + s^2; half-overlapping blocks share 1/36 of it.
    own = np.maximum(np.mean(np.abs(blocks) ** 2, axis=0) - level, 0.0)
    variance = float(np.sum(2.0 * own * level + level**2)) * (1.0 + (count - 1) / count / 18.0) / count
    error = np.sqrt(variance) / max(2.0 * amplitude, variance**0.25, 1e-300)
    return CoherentOrder(
        order=order,
        blocks=blocks,
        noise=noise,
        mean=blocks.mean(axis=0),
        mean_se=np.sqrt(level / 2.0 / independent),
        amplitude=amplitude,
        amplitude_se=float(error),
        snr=power / float(level.sum()) - 1.0 if level.sum() > 0.0 else float("inf"),
    )

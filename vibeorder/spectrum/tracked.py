"""Amplitude and phase of given orders at every sample: the Vold-Kalman filter, second generation.

Of all complex envelopes a_k the one that explains the samples and changes as little as it can,

    minimise  sum_k r_k^2 sum_t |D^p a_k(t)|^2  +  sum_t |x(t) - sum_k a_k(t) exp(j phi_k(t))|^2,

D^p the p-th difference, p the number of poles. r follows from the bandwidth asked for (Tuma, "Setting the
passband width in the Vold-Kalman order tracking filter", ICSV 12, 2005): r^2 = (sqrt(2) - 1) / (2 - 2 cos(pi
b / f_s))^p, with b the whole -3 dB width in Hz. Real samples hold each line twice, at plus and minus its
frequency, so peak amplitudes are twice what comes out. Reference: Vold and Leuridan, SAE 931288, 1993.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import SpeedError, VibeorderError
from vibeorder.spectrum.averaged import checked_samples

__all__ = ["TrackedOrders", "narrowest_bandwidth_hz", "track_orders", "weight_for_bandwidth"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]

# Rounding in the solution is about 4^p r^2 times the machine's 2.2e-16; beyond this it is 1% of the envelope.
LARGEST_CONDITION = 0.01 / np.finfo(np.float64).eps
# Two phases closer than this many turns apart over the whole record are one order twice.
LEAST_PHASE_APART = 1.0


@dataclass(frozen=True, slots=True)
class TrackedOrders:
    """Envelopes of one or several orders, x_i(t) = sum_k Re(envelope_k,i(t) exp(2 pi j turns_k(t))) + rest.

    envelope: complex peak amplitude in `unit` [shape (orders, c, n)]; rest: the samples without the orders,
    zero where invalid [shape (c, n)]. Within about 1 / bandwidth of an end or inside a gap the envelope rests
    on one side only and is less certain.
    """

    envelope: ComplexArray
    rest: FloatArray

    @property
    def amplitude(self) -> FloatArray:
        """Vector peak amplitude of each order at each sample [shape (orders, n)]."""
        return np.asarray(np.sqrt(np.sum(np.abs(self.envelope) ** 2, axis=1)), dtype=np.float64)


def track_orders(
    samples: FloatArray,
    rate_hz: float,
    turns: FloatArray,
    bandwidth_hz: float | Sequence[float],
    *,
    poles: int = 2,
    valid: BoolArray | None = None,
) -> TrackedOrders:
    """Envelopes of the orders whose phases are `turns` [shape (orders, n) or (n,)], all solved for at once.

    turns: phase of each ORDER in turns (order times shaft angle). Orders that cross are separated as far as
    their envelopes change less than the phase between them; orders that stay together over the record are
    refused. bandwidth_hz: -3 dB width, whole, one for all or one for each. poles: 1 to 3; more roll off
    faster and are less well conditioned. valid: [shape (n,)]; over a gap the envelope runs on as smoothly as
    it can. Raises VibeorderError where the bandwidth is too narrow to solve for or wider than half the rate.
    """
    phase = np.atleast_2d(np.asarray(turns, dtype=np.float64))
    data, mask = checked_samples(
        samples, np.ones(phase.shape[1], np.bool_) if valid is None else valid, rate_hz
    )
    widths = np.broadcast_to(np.asarray(bandwidth_hz, dtype=np.float64), phase.shape[:1]).copy()
    _check(phase, mask, rate_hz, widths, poles)
    mean = data[:, mask].mean(axis=1, keepdims=True)
    signal = np.where(mask, data - mean, 0.0)
    weights = np.array([weight_for_bandwidth(float(b), rate_hz, poles) for b in widths])
    turning = np.exp(2j * np.pi * phase)
    if len(phase) == 1:
        envelope = _solve_one(signal, turning[0], weights[0], mask, poles)[None]
    else:
        envelope = _solve_coupled(signal, turning, weights, mask, poles)
    model = np.einsum("kcn,kn->cn", envelope, turning).real
    rest = np.where(mask, signal - model, 0.0)
    return TrackedOrders(envelope, np.where(mask, rest + mean, 0.0))


def weight_for_bandwidth(bandwidth_hz: float, rate_hz: float, poles: int) -> float:
    """r of Tuma's rule: the gain bandwidth_hz / 2 away from the order is 1 / sqrt(2).

    >>> round(weight_for_bandwidth(2.0, 200.0, 2), 3)
    652.151
    """
    return float(
        np.sqrt((np.sqrt(2.0) - 1.0) / (2.0 - 2.0 * np.cos(np.pi * bandwidth_hz / rate_hz)) ** poles)
    )


def narrowest_bandwidth_hz(rate_hz: float, poles: int) -> float:
    """The least bandwidth that can be solved for at this rate before rounding shows."""
    most = (LARGEST_CONDITION - 1.0) / 4.0**poles
    cosine = 1.0 - 0.5 * ((np.sqrt(2.0) - 1.0) / most) ** (1.0 / poles)
    return float(np.arccos(cosine) * rate_hz / np.pi)


def _check(phase: FloatArray, mask: BoolArray, rate_hz: float, widths: FloatArray, poles: int) -> None:
    """VibeorderError for what cannot be solved."""
    if phase.shape[1] != mask.size:
        raise SpeedError(
            f"{phase.shape[1]} phases do not fit {mask.size} samples; give one phase for each sample"
        )
    if not np.isfinite(phase).all():
        raise SpeedError(
            "the phase of an order has values that are no numbers; cut the record where speed is unknown"
        )
    if poles not in (1, 2, 3):
        raise VibeorderError(f"{poles} poles asked for; this filter has 1, 2 or 3")
    if np.count_nonzero(mask) <= 4 * (poles + 1) * len(phase):
        raise VibeorderError(
            f"{np.count_nonzero(mask)} valid samples are too few to track {len(phase)} orders in"
        )
    narrowest = narrowest_bandwidth_hz(rate_hz, poles)
    for width in widths:
        if not narrowest <= width <= rate_hz / 2.0:
            raise VibeorderError(
                f"a bandwidth of {width:.3g} Hz cannot be solved for at {rate_hz:g} samples/s with {poles} "
                f"poles; it must lie between {narrowest:.3g} and {rate_hz / 2.0:g} Hz: change it, or take "
                "fewer poles"
            )
    for i in range(len(phase)):
        for j in range(i):
            apart = np.ptp((phase[i] - phase[j])[mask])
            if apart < LEAST_PHASE_APART:
                raise VibeorderError(
                    f"orders {j + 1} and {i + 1} stay within {apart:.2f} turns of each other all the time; "
                    "no filter separates them: track one of them, or record while their ratio changes"
                )


def _difference_bands(n: int, poles: int) -> FloatArray:
    """D'D of the poles-th difference over n samples, upper bands, main diagonal last [shape (poles + 1,
    n)]."""
    taps = np.array([1.0])
    for _ in range(poles):
        taps = np.convolve(taps, [1.0, -1.0])
    bands = np.zeros((poles + 1, n))
    rows = n - poles
    for lag in range(poles + 1):
        for i in range(poles + 1 - lag):
            # Row t of D holds taps at t..t+poles: samples t + i and t + i + lag meet in it.
            bands[poles - lag, i + lag : i + lag + rows] += taps[i] * taps[i + lag]
    return bands


def _solve_one(
    signal: FloatArray, turning: ComplexArray, weight: float, mask: BoolArray, poles: int
) -> ComplexArray:
    """Envelope of a single order [shape (c, n)]: the matrix is real, its right sides are real and imaginary
    parts."""
    from scipy.linalg import solveh_banded

    bands = weight**2 * _difference_bands(mask.size, poles)
    bands[-1] += mask
    right = 2.0 * signal * turning.conj()
    columns = np.concatenate([right.real, right.imag]).T
    solution = solveh_banded(bands, columns, overwrite_ab=True, overwrite_b=True, check_finite=False).T
    return np.asarray(solution[: len(signal)] + 1j * solution[len(signal) :], dtype=np.complex128)


def _solve_coupled(
    signal: FloatArray, turning: ComplexArray, weights: FloatArray, mask: BoolArray, poles: int
) -> ComplexArray:
    """Envelopes of several orders [shape (orders, c, n)]; unknowns are interleaved so that the matrix stays
    banded."""
    from scipy.linalg import solveh_banded

    orders, n = turning.shape
    differences = _difference_bands(n, poles)
    bands = np.zeros((poles * orders + 1, n * orders), dtype=np.complex128)
    for k in range(orders):
        for lag in range(poles + 1):
            bands[-1 - lag * orders, k::orders] += weights[k] ** 2 * differences[poles - lag]
        bands[-1, k::orders] += mask
        for j in range(k):
            bands[-1 - (k - j), k::orders] += mask * turning[j].conj() * turning[k]
    right = (2.0 * signal[:, :, None] * turning.conj().T[None]).reshape(len(signal), n * orders).T
    solution = solveh_banded(bands, right, overwrite_ab=True, overwrite_b=True, check_finite=False)
    return np.asarray(solution.reshape(n, orders, len(signal)).transpose(1, 2, 0), dtype=np.complex128)

"""Maximum-likelihood frequency and amplitude of one steady tone in many channels.

Every channel is modelled with three real columns, cos, sin and a constant, over the samples that are there,
so the tone's negative-frequency image and the gaps are in the model and not in the error. The record is first
summed over a few hundred short pieces, demodulated at the trial frequency; within a fraction of a bin of it
those sums hold all that the samples say, so a trial costs microseconds; the sums are then taken again at the
frequency found.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Pieces", "ToneFit", "add_tone", "demodulate", "fit_tone", "make_pieces"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]

# Within a quarter of a bin of the trial frequency a piece of 1/256 of the record turns by 0.006 rad.
PIECES = 256
# Steps of the search in bins of 1/T: the first two reach the peak from anywhere in its upper half, the last
# is small enough that the parabola through three points errs by less than the Cramer-Rao bound at 60 dB.
SEARCH_STEPS = (0.25, 0.25, 0.1, 0.02)
PASSES = 4
# A pass that moves the tone by less than this over the whole record is the last: the pieces then lose
# nothing.
SETTLED_RAD = 1e-2


@dataclass(frozen=True, slots=True)
class Pieces:
    """A record cut in pieces: samples [shape (c, pieces, length)], zero where mask [shape (pieces, length)]
    is 0.

    centre: mean index of the samples that are there, for each piece [shape (pieces,)].
    """

    samples: FloatArray
    mask: FloatArray
    centre: FloatArray
    rate_hz: float

    def uncut(self, n: int) -> FloatArray:
        """The first n samples as one record again [shape (c, n)]."""
        return self.samples.reshape(self.samples.shape[0], -1)[:, :n]


@dataclass(frozen=True, slots=True)
class ToneFit:
    """x_i(t) = Re(amplitude_i exp(2 pi j frequency_hz t)), t = 0 at sample 0; amplitude [shape (c,)],
    complex."""

    frequency_hz: float
    amplitude: ComplexArray


def make_pieces(samples: FloatArray, valid: BoolArray, rate_hz: float) -> Pieces:
    """Cut samples [shape (c, n)], whose invalid ones are zero, into pieces (copied, so the pieces may be
    changed)."""
    channels, n = samples.shape
    length = max(1, -(-n // PIECES))
    count = -(-n // length)
    padded = np.zeros((channels, count * length))
    padded[:, :n] = samples
    mask = np.zeros(count * length)
    mask[:n] = valid
    mask = mask.reshape(count, length)
    there = mask.sum(axis=1)
    inside = mask @ np.arange(length)
    centre = np.arange(count) * length + np.where(
        there > 0, inside / np.maximum(there, 1.0), (length - 1) / 2
    )
    return Pieces(padded.reshape(channels, count, length), mask, centre, rate_hz)


def fit_tone(pieces: Pieces, frequency_hz: float, whitener: FloatArray) -> ToneFit:
    """The most likely tone within about half a bin of frequency_hz.

    whitener: [shape (c, c)] makes the noise beside the tone white and alike in all channels: channels that
    shake more in noise count for less.
    """
    span = pieces.mask.size
    omega = 2.0 * np.pi * frequency_hz / pieces.rate_hz
    weight = whitener.T @ whitener
    solution = np.empty((3, pieces.samples.shape[0]))
    for _ in range(PASSES):
        sums = _Sums.of(pieces, omega)
        shift = 0.0
        for step in SEARCH_STEPS:
            shift += _vertex(sums, shift, 2.0 * np.pi * step / span, weight)
        solution, _ = sums.solve(shift, weight)
        omega += shift
        if abs(shift) * span < SETTLED_RAD:
            break
    return ToneFit(omega * pieces.rate_hz / (2.0 * np.pi), solution[0] - 1j * solution[1])


def add_tone(pieces: Pieces, tone: ToneFit, sign: float) -> None:
    """Add (sign 1) or take away (sign -1) a tone from the pieces' samples, in place."""
    channels, count, length = pieces.samples.shape
    omega = 2.0 * np.pi * tone.frequency_hz / pieces.rate_hz
    # Re(a e^(jwk) e^(jwl)) as a product of two thin matrices, pieces by places within a piece.
    outer = sign * tone.amplitude[:, None] * np.exp(1j * omega * length * np.arange(count))
    inner = np.exp(1j * omega * np.arange(length))
    thin = np.stack([outer.real.ravel(), -outer.imag.ravel()], axis=1)
    wave = (thin @ np.stack([inner.real, inner.imag])).reshape(channels, count, length)
    wave *= pieces.mask
    np.add(pieces.samples, wave, out=pieces.samples)


def demodulate(pieces: Pieces, omega: float) -> ComplexArray:
    """Sum of x exp(-j omega t), t in samples, over each piece [shape (c, pieces)]."""
    return _Sums.of(pieces, omega).signal


@dataclass(frozen=True, slots=True)
class _Sums:
    """Sums over each piece of y exp(-j w t), exp(-j w t), exp(-2 j w t), and over all of 1 and y."""

    signal: ComplexArray
    once: ComplexArray
    twice: ComplexArray
    count: float
    total: FloatArray
    centre: FloatArray

    @classmethod
    def of(cls, pieces: Pieces, omega: float) -> "_Sums":
        channels, count, length = pieces.samples.shape
        inner = -1j * omega * np.arange(length)
        outer = np.exp(-1j * omega * length * np.arange(count))
        once, twice = np.exp(inner), np.exp(2.0 * inner)
        # Real columns in one flat product: complex ones would first copy every sample to complex.
        flat = pieces.samples.reshape(channels * count, length)
        columns = np.stack([once.real, once.imag, np.ones(length)], axis=1)
        raw = (flat @ columns).reshape(channels, count, 3)
        there = pieces.mask @ np.stack([once.real, once.imag, twice.real, twice.imag], axis=1)
        return cls(
            signal=(raw[..., 0] + 1j * raw[..., 1]) * outer,
            once=(there[:, 0] + 1j * there[:, 1]) * outer,
            twice=(there[:, 2] + 1j * there[:, 3]) * outer**2,
            count=float(pieces.mask.sum()),
            total=raw[..., 2].sum(axis=1),
            centre=pieces.centre,
        )

    def solve(self, shift: float, weight: FloatArray) -> tuple[FloatArray, float]:
        """Least-squares (cos, sin, constant) of every channel [shape (3, c)] and the weighted power they
        explain."""
        turn = np.exp(-1j * shift * self.centre)
        s1, s2 = complex(self.once @ turn), complex(self.twice @ turn**2)
        z = self.signal @ turn
        gram = np.array(
            [
                [(self.count + s2.real) / 2.0, -s2.imag / 2.0, s1.real],
                [-s2.imag / 2.0, (self.count - s2.real) / 2.0, -s1.imag],
                [s1.real, -s1.imag, self.count],
            ]
        )
        right = np.stack([z.real, -z.imag, self.total])
        solution = np.linalg.solve(gram, right)
        return solution, float(np.sum((solution @ weight) * right))


def _vertex(sums: _Sums, shift: float, step: float, weight: FloatArray) -> float:
    """How far the top of the parabola through three trials lies from the middle one, at most one step."""
    below, here, above = (sums.solve(shift + d, weight)[1] for d in (-step, 0.0, step))
    curvature = below - 2.0 * here + above
    if curvature >= 0.0:
        return step if above > below else -step
    return float(np.clip(0.5 * step * (below - above) / curvature, -step, step))

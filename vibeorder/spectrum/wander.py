"""How far the mean rate of a line that wanders is known: a driver holds a speed to some 0.3%, not to the
bin."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.spectrum.tone import Pieces, ToneFit, demodulate

__all__ = ["CUT_OFF_SHARE", "mean_rate", "wander_error_hz"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# Phases of a tone are read in this many stretches of the record, and compared this many stretches apart: a
# quarter of the record, longer than a held speed's memory of a few seconds in any record of half a minute.
STRETCHES = 16
APART = 4
# The dozen such differences scatter by half of what noise gives them; less than twice that is no wander seen.
SEEN_OVER_NOISE = 2.0
# For a phase that walks at random, a straight line fitted to it has a slope that differs from that between
# its ends by sqrt(1/5) of the latter's own spread (variances 6/5 and 1, covariance 1).
FIT_AGAINST_ENDS = 0.2
# Excursions beyond the band that a line is read in are cut off; on simulated drives (0.3% wander, memory 3 s,
# 30 and 120 s, 46 and 150 Hz) the mean rate was then off by up to a twentieth of the band that holds half the
# power.
CUT_OFF_SHARE = 0.05


def wander_error_hz(pieces: Pieces, tone: ToneFit, noise: FloatArray) -> float:
    """Standard error that wandering adds to a tone's frequency as the record's mean rate.

    pieces: what is left of the record without the tone. noise: two-sided density matrix beside it [shape (c,
    c)]. The tone's phase is read in STRETCHES; its variance APART stretches later, less what noise alone
    gives, is that of a random walk, whose straight-line fit misses the mean rate by FIT_AGAINST_ENDS of its
    spread.
    """
    count = pieces.mask.sum(axis=1)
    left = demodulate(pieces, 2.0 * np.pi * tone.frequency_hz / pieces.rate_hz)
    weight = np.linalg.solve(noise, tone.amplitude)
    power = float(np.real(tone.amplitude.conj() @ weight))
    whole = weight.conj() @ left + 0.5 * power * count
    groups = np.minimum(np.arange(count.size) * STRETCHES // count.size, STRETCHES - 1)
    stretch = np.bincount(groups, whole.real, STRETCHES) + 1j * np.bincount(groups, whole.imag, STRETCHES)
    there = np.bincount(groups, count, STRETCHES)
    turned = stretch[APART:] * stretch[:-APART].conj()
    good = np.minimum(there[APART:], there[:-APART]) > 0.5 * there.max()
    if not good.any():
        return 0.0
    # Angle of a sum with signal a n / 2 and noise of variance S n fs: half of that across it, both ends
    # noisy.
    from_noise = 4.0 * pieces.rate_hz / (power * there.max())
    seen = float(np.mean(np.angle(turned[good]) ** 2))
    walk = seen - from_noise if seen > SEEN_OVER_NOISE * from_noise else 0.0
    duration_s = pieces.mask.size / pieces.rate_hz
    return float(np.sqrt(FIT_AGAINST_ENDS * walk * STRETCHES / APART) / (2.0 * np.pi * duration_s))


def mean_rate(
    fourier: ComplexArray, step_hz: float, at: int, radius: int, whitener: FloatArray
) -> tuple[float, float]:
    """Mean frequency of a wandering line and its standard error from noise, in Hz.

    fourier: spectrum of the record without a window, scaled to two-sided density [shape (c, bins)]. The band
    of `radius` bins about bin `at` is turned back into time, one sample for each bin; the mean angle from one
    sample to the next is the mean rate, every second of the record weighed alike (pulse pair: Miller and
    Rochwarger, IEEE Trans. IT 18, 1972), and noise that is flat over the band has no part in it.
    """
    band = whitener @ fourier[:, at - radius : at + radius + 1]
    samples = band.shape[1]
    track = np.fft.ifft(np.fft.ifftshift(band, axes=1), axis=1) * np.sqrt(samples)
    pair = complex(np.sum(track[:, 1:] * track[:, :-1].conj()))
    channels = len(band)
    power = max(float(np.sum(np.abs(track) ** 2)) / samples - channels, 0.1 * channels)
    error = np.sqrt((1.0 / power + channels / (2.0 * power**2)) / samples)
    per_angle = samples * step_hz / (2.0 * np.pi)
    return at * step_hz + float(np.angle(pair)) * per_angle, float(error) * per_angle

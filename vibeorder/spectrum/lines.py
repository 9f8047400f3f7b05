"""The dominant narrow lines of a mostly steady record, each with its standard error."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.spectrum.averaged import checked_samples
from vibeorder.spectrum.detect import (
    DYNAMIC_RANGE,
    Found,
    Whitened,
    find_peaks,
    measure_widths,
    plain_spectrum,
    whiten,
)
from vibeorder.spectrum.tone import Pieces, ToneFit, add_tone, fit_tone, make_pieces
from vibeorder.spectrum.wander import CUT_OFF_SHARE, mean_rate, wander_error_hz

__all__ = ["SNR_BANDWIDTH_HZ", "Line", "find_lines"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]

# One record in a thousand that holds nothing but stationary Gaussian noise shows a line; roads are less kind.
FALSE_ALARM = 1e-3
# Noise beside a line is counted in this band: one bin of the averaged spectrum at its usual resolution (0.25
# Hz, Hann), so `snr_db` is the height above the floor that one reads off that figure, however long the
# record.
SNR_BANDWIDTH_HZ = 0.375
# Fewer samples than this make neither a floor nor a line.
LEAST_SAMPLES = 64


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the spectrum.

    frequency_hz, frequency_se_hz: at the record's mean rate. The standard error is the Cramer-Rao bound in
        the noise found beside the line, widened by what the line was seen to wander.
    amplitude, amplitude_se: vector peak (root of the sum of the channels' squared peaks), noise taken off,
        in `unit`.
    direction: unit vector along which it moves most, largest component positive [shape (c,)].
    straightness: 1 for motion to and fro along `direction`, 0 for a circle.
    snr_db: line power over the noise power beside it in SNR_BANDWIDTH_HZ.
    width_hz: the band about the line that holds half its power; 1/T is about the least a record can show.
    narrow: seen to be narrower than any body mode; False also where the record is too short to show it.
    steady: a pure tone over the whole record; False where its frequency wandered by more than a bin.
    """

    frequency_hz: float
    frequency_se_hz: float
    amplitude: float
    amplitude_se: float
    direction: tuple[float, ...]
    straightness: float
    snr_db: float
    width_hz: float
    narrow: bool
    steady: bool


def find_lines(
    samples: FloatArray,
    valid: BoolArray,
    rate_hz: float,
    *,
    min_hz: float = 1.0,
    max_hz: float | None = None,
    limit: int = 12,
    false_alarm: float = FALSE_ALARM,
) -> tuple[Line, ...]:
    """The lines that stand out of the noise floor, strongest above it first, at most `limit`.

    samples: [shape (c, n)]; valid: [shape (n,)]; frequencies from min_hz to max_hz (half the rate if None).
    All channels are weighed by the inverse of the noise's cross-spectral matrix, so turning the sensor
    changes nothing. A pure tone is refined by whole-record maximum likelihood (`vibeorder.spectrum.tone`),
    the other tones taken away first and then once more (RELAX: Li and Stoica, IEEE Trans. Signal Processing
    44, 1996); its standard error is

        var f = 2 / ((2 pi)^2 dt (A^H S^-1 A) sum_k (t_k - mean t)^2),  S the two-sided noise density at f,

    the bound of Rife and Boorstyn (IEEE Trans. IT 20, 1974) with the local density for coloured noise. A line
    that wanders by more than a bin gets its mean rate instead (`vibeorder.spectrum.wander`). Lines closer
    than 0.6%, or wandering ones closer than 1.2%, are reported as one. Raises RecordingError where fewer than
    64 samples are valid or the band is empty.
    """
    data, mask, band = _prepared(samples, valid, rate_hz, min_hz, max_hz)
    lines = _search(data, mask, rate_hz, band, limit, false_alarm)
    return tuple(sorted(lines, key=lambda line: -line.snr_db)[:limit])


def _prepared(
    samples: FloatArray, valid: BoolArray, rate_hz: float, min_hz: float, max_hz: float | None
) -> tuple[FloatArray, BoolArray, tuple[float, float]]:
    """Samples without their mean, zero in gaps, the mask, and the band; RecordingError if unusable."""
    data, mask = checked_samples(samples, valid, rate_hz)
    top_hz = rate_hz / 2.0 if max_hz is None else min(max_hz, rate_hz / 2.0)
    there = int(np.count_nonzero(mask))
    if there < LEAST_SAMPLES:
        raise RecordingError(
            f"{there} valid samples are too few to find a line in; {LEAST_SAMPLES} are the least"
        )
    if not 0.0 < min_hz < top_hz:
        raise RecordingError(f"no frequency lies between {min_hz:g} and {top_hz:g} Hz; widen the band")
    mean = data[:, mask].mean(axis=1, keepdims=True)
    data = np.where(mask, data - mean, 0.0)
    return data, mask, (min_hz, top_hz)


def _search(
    data: FloatArray,
    mask: BoolArray,
    rate_hz: float,
    band: tuple[float, float],
    limit: int,
    false_alarm: float,
) -> list[Line]:
    """Find, take away, look again, and fit every tone once more without the others."""
    whitened = whiten(data, mask, rate_hz)
    found = find_peaks(whitened, band, limit, false_alarm)
    if not found:
        return []
    pieces = make_pieces(data, mask, rate_hz)
    found = measure_widths(whitened, found)
    tones = [_take_away(pieces, whitened, peak) for peak in found]
    # What is left has a truer floor, for strong lines leak through every gap; and may show what they hid.
    least = DYNAMIC_RANGE * float(np.max(np.abs(whitened.fourier))) ** 2
    rest = whiten(pieces.uncut(mask.size), mask, rate_hz, least)
    more = find_peaks(rest, band, limit, false_alarm, known=found)
    tones += [_take_away(pieces, rest, peak) for peak in measure_widths(rest, more, found)]
    if more or len(tones) > 1 or not mask.all():
        tones = [_refit(pieces, rest, peak, tone) for peak, tone in tones]
        rest = whiten(pieces.uncut(mask.size), mask, rate_hz, least)
    lines = [_tone_line(peak, tone, rest, pieces, mask) for peak, tone in tones if tone is not None]
    wandering = [peak for peak, tone in tones if tone is None]
    if wandering:
        plain, step_hz = plain_spectrum(pieces.uncut(mask.size), mask, rate_hz)
        lines += [_wandering_line(peak, rest, plain, step_hz) for peak in wandering]
    return lines


def _take_away(pieces: Pieces, whitened: Whitened, peak: Found) -> tuple[Found, ToneFit | None]:
    """Fit a pure tone and take it out of the pieces; a wandering line stays."""
    if not peak.steady:
        return peak, None
    tone = fit_tone(pieces, peak.frequency_hz, whitened.whitener(peak.frequency_hz))
    add_tone(pieces, tone, -1.0)
    return peak, tone


def _refit(pieces: Pieces, rest: Whitened, peak: Found, tone: ToneFit | None) -> tuple[Found, ToneFit | None]:
    """Fit a tone again with all the others taken away, in the noise without them."""
    if tone is None:
        return peak, None
    add_tone(pieces, tone, 1.0)
    again = fit_tone(pieces, tone.frequency_hz, rest.whitener(tone.frequency_hz))
    add_tone(pieces, again, -1.0)
    return peak, again


def _tone_line(peak: Found, tone: ToneFit, rest: Whitened, pieces: Pieces, mask: BoolArray) -> Line:
    """A pure tone with its errors, from its fit and the noise that is left."""
    noise = rest.noise_density(tone.frequency_hz)
    time_s = np.flatnonzero(mask) / rest.rate_hz
    scatter = float(np.sum((time_s - time_s.mean()) ** 2)) / rest.rate_hz
    power = float(np.real(tone.amplitude.conj() @ np.linalg.solve(noise, tone.amplitude)))
    bound = np.sqrt(2.0 / ((2.0 * np.pi) ** 2 * power * scatter))
    error = np.hypot(bound, wander_error_hz(pieces, tone, noise))
    # Each complex amplitude has variance 4 S fs / n, half of it along the tone's own phase.
    uncertain = 4.0 * noise * rest.rate_hz / mask.sum()
    matrix = np.real(np.outer(tone.amplitude, tone.amplitude.conj())) - uncertain
    along = tone.amplitude / np.linalg.norm(tone.amplitude)
    variance = rest.excess_near(tone.frequency_hz) * float(np.real(along.conj() @ uncertain @ along)) / 2.0
    return _line(peak, tone.frequency_hz, float(error), matrix, variance, noise)


def _wandering_line(peak: Found, rest: Whitened, plain: ComplexArray, step_hz: float) -> Line:
    """The power about a peak, with the mean rate of what makes it."""
    at = round(peak.frequency_hz / step_hz)
    radius = min(peak.radius + 2, at - 1, plain.shape[1] - at - 2)
    frequency_hz, error = mean_rate(plain, step_hz, at, radius, rest.whitener(peak.frequency_hz))
    noise = rest.noise_density(peak.frequency_hz)
    error = float(np.hypot(error, CUT_OFF_SHARE * peak.width_hz))
    return _line(peak, frequency_hz, error, peak.matrix, peak.amplitude_variance, noise)


def _line(
    peak: Found, frequency_hz: float, error_hz: float, matrix: FloatArray, variance: float, noise: FloatArray
) -> Line:
    """A line from the matrix of its squared peak amplitudes; its first axis is the direction it moves in."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2.0)
    direction = vectors[:, -1] * np.sign(vectors[np.argmax(np.abs(vectors[:, -1])), -1])
    squared = max(float(np.trace(matrix)), 0.0)
    second = max(float(values[-2]), 0.0) if values.size > 1 else 0.0
    floor = 2.0 * float(np.trace(noise)) * SNR_BANDWIDTH_HZ
    return Line(
        frequency_hz=float(frequency_hz),
        frequency_se_hz=error_hz,
        amplitude=float(np.sqrt(squared)),
        amplitude_se=float(np.sqrt(variance)),
        direction=tuple(float(v) for v in direction),
        straightness=float(1.0 - np.sqrt(min(1.0, second / values[-1]))) if values[-1] > 0.0 else 0.0,
        snr_db=float(10.0 * np.log10(max(squared / 2.0, 1e-300) / floor)),
        width_hz=peak.width_hz,
        narrow=peak.narrow,
        steady=peak.steady,
    )

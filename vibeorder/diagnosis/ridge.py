"""How much every place of a recording looks like a line that moves: frame by frame, by frequency and slope.

Every frame is dechirped by every slope that a drive allows, so that a line stays sharp while it sweeps. All lines
of one vehicle share one relative slope, whatever their orders: the slope is the road's. A line above half the
sample rate is looked for at its folded place, where it moves the other way.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.colour import FRAME_S, Colour, frames_of
from vibeorder.diagnosis.signal import Signal, folded
from vibeorder.spectrum.middle import middle

__all__ = [
    "CELL",
    "FRAME_CAP",
    "HOP_S",
    "LOWEST_HZ",
    "SLOPES",
    "LineTable",
    "bounded_evidence",
    "line_table",
    "smeared",
]

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]
IntArray = NDArray[np.intp]

HOP_S = 1.0
LONG_S = 6.0
"""Slow lines are read in longer frames: a wobble of the speed hardly smears them."""

LOWEST_HZ, SPLIT_HZ, HIGHEST_HZ = 3.3, 14.0, 300.0
CELL = 0.005
"""Width of a cell in ln(frequency)."""

SLOPES = np.arange(-16, 17)
"""Cells per frame: up to 8% a second, a hard acceleration or braking."""

CHIRPS_SHORT = (0.25, 9.0)
CHIRPS_LONG = (0.06, 1.2)
"""Spacing and greatest value of the slopes tried, in Hz/s: spaced by half of what a frame can tell."""

FRAME_CAP = 18.0
"""Largest log evidence of one frame: a single pothole or tone must not decide a course."""

LONG_WEIGHT = 0.6
"""Frames of 6 s every second tell less each; what is clear in either counts alike, or a course would be drawn across
SPLIT_HZ to where it counts for more."""

BLIND_AT_ZERO_HZ, BLIND_AT_NYQUIST_HZ = 2.5, 1.0
FOLDED_COST = 0.02
"""All else equal, a line is taken as not folded."""

SKIRT_BINS, SKIRT_FROM = 3, 0.25
"""How far a line's window reaches, in bins, and the share of its peak below which power is taken for its skirt."""

SMEAR_POINTS = 31
"""Instants of a frame at which the noise that a chirp brings in is asked for."""

RUNG_HALF_HZ, RUNG_FROM, RUNG_CHIRPS, RUNG_STEPS = 2.5, 0.9, 6, 2
"""Half width of the median that tells how loud a frame is about a place, seven times a line's half width; from where on
its least over the chirps asked, every so many, counts, as a share of the usual: in white noise it is 0.8, more than 1.1
in one place of twenty. It is asked for at so many places within its half width."""

STANDS_OUT = 0.1
"""Share of frames and places in which a line is taken to be, when asked of one place at a time."""


@dataclass(frozen=True, slots=True)
class LineTable:
    """Bounded log evidence of a line [shape (frames, slopes, cells)]; mid_s: of the frames [shape (frames,)].

    cells: their frequencies in Hz, CELL apart in ln; readable: away from the folds [shape (cells,)].
    """

    score: F32
    cells: FloatArray
    readable: NDArray[np.bool_]
    mid_s: FloatArray
    rate_hz: float

    def index(self, frequency_hz: FloatArray) -> IntArray:
        """Cell of a true frequency; may lie outside the table."""
        return np.asarray(np.round(np.log(frequency_hz / self.cells[0]) / CELL), np.intp)


def line_table(signal: Signal, colour: Colour) -> LineTable:
    """Read every frame at every place and slope."""
    highest = min(HIGHEST_HZ, 1.45 * signal.rate_hz, signal.top_hz)
    cells = np.exp(np.arange(np.log(LOWEST_HZ), np.log(highest), CELL))
    _, first = frames_of(signal)
    score = np.zeros((first.size, SLOPES.size, cells.size), np.float32)
    for length, chirps, low, high in (
        (LONG_S, CHIRPS_LONG, 0.0, SPLIT_HZ),
        (FRAME_S, CHIRPS_SHORT, SPLIT_HZ, np.inf),
    ):
        part = np.flatnonzero((cells >= low) & (cells < high))
        weight = LONG_WEIGHT if length > FRAME_S else 1.0
        score[:, :, part] = weight * _read(signal, colour, cells[part], length, chirps, FRAME_CAP / weight)
    seen = folded(cells, signal.rate_hz)
    blind = (seen < BLIND_AT_ZERO_HZ) | (seen > 0.5 * signal.rate_hz - BLIND_AT_NYQUIST_HZ)
    score[:, :, blind] = 0.0
    score[:, :, cells > 0.5 * signal.rate_hz] -= FOLDED_COST
    return LineTable(score, cells, ~blind, colour.mid_s, signal.rate_hz)


def _read(
    signal: Signal,
    colour: Colour,
    cells: FloatArray,
    length_s: float,
    chirps: tuple[float, float],
    cap: float,
) -> F32:
    """Bounded log evidence at `cells` from frames of one length, centred where the usual ones are."""
    rate, total = signal.rate_hz, signal.samples.shape[1]
    size = min(round(length_s * rate), total)
    first = np.round(colour.mid_s * rate - 0.5 * size).astype(int)
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
    upward = np.arange(0.0, chirps[1] + 1e-9, chirps[0])
    spacing = rate / size
    places = _Places(cells, rate, spacing, size // 2, np.concatenate([-upward[:0:-1], upward]))
    dechirped = _Dechirped(window, rate, upward, slice(places.first, places.last))
    whitener = colour.whitener(np.arange(places.first, places.last) * spacing)
    pad = max(0, -int(first.min())), max(0, int(first.max()) + size - total)
    samples = np.pad(signal.samples, ((0, 0), pad))
    there = np.pad(signal.valid, pad).astype(float)
    level = colour.level_at(colour.mid_s)
    rung = _Rung(samples.shape[0], spacing, places.last - places.first)
    smear = smeared(colour, np.arange(places.first, places.last) * spacing, places.steps, window)
    out = np.empty((first.size, SLOPES.size, cells.size), np.float32)
    for i, s in enumerate(first + pad[0]):
        energy = float(there[s : s + size] @ window**2) * level[i] + 1e-12
        power = _white_power(dechirped.spectra(samples[:, s : s + size]), whitener)
        whole = there[s : s + size].mean() > 0.4
        power = power / (np.float32(energy) * smear)
        power /= rung(power)
        found = places.largest(_without_skirts(power))
        out[i] = bounded_evidence(found, samples.shape[0], cap) if whole else 0.0
    return out


def smeared(colour: Colour, at_hz: FloatArray, chirps: FloatArray, window: FloatArray) -> F32:
    """How much more noise a dechirped spectrum has than an undechirped one, 1 or more [shape (chirps, bins)].

    Noise is dechirped too: what lies a chirp's length away comes in, and below the lowest lines, where a folded
    line meets its image, a body heaves with far more power. at_hz: of the bins; chirps: in Hz/s.
    """
    u = (np.linspace(0.0, 1.0, SMEAR_POINTS + 2)[1:-1] - 0.5) * window.size / colour.rate_hz
    weight = np.cos(np.pi * u * colour.rate_hz / window.size) ** 4
    seen = folded(np.abs(at_hz[None, :, None] + chirps[:, None, None] * u), colour.rate_hz)
    density = np.interp(seen, colour.frequency_hz, colour.density) @ (weight / weight.sum())
    usual = np.interp(at_hz, colour.frequency_hz, colour.density)
    return np.asarray(np.maximum(density / usual, 1.0), np.float32)


class _Rung:
    """How much louder than usual the noise of one frame is, place by place: a bump rings the modes of the body.

    What lifts all that is near is no line. The level of a whole frame knows nothing of it.
    """

    def __init__(self, channels: int, spacing_hz: float, bins: int) -> None:
        from scipy.special import gammaincinv

        self._usual = RUNG_FROM * float(gammaincinv(channels, 0.5))
        half = max(1, round(RUNG_HALF_HZ / spacing_hz))
        apart = max(1, half // RUNG_STEPS)
        middles = np.arange(0, bins + apart, apart)
        self._windows = np.clip(middles[:, None] + np.arange(-half, half + 1), 0, bins - 1)
        self._nearest = np.minimum((np.arange(bins) + apart // 2) // apart, middles.size - 1)

    def __call__(self, power: F32) -> F32:
        """Factor, 1 or more, of power over noise, summed over channels [shape (chirps, bins)], for every bin.

        The least of several chirps: what rings is as broad under each, a line that moves is narrow under its own.
        """
        about = middle(power[::RUNG_CHIRPS].take(self._windows, axis=1)).min(axis=0)
        return np.asarray(np.maximum(about / self._usual, 1.0), np.float32)[self._nearest]


class _Dechirped:
    """A frame's spectra, dechirped by slopes up and down."""

    def __init__(self, window: FloatArray, rate_hz: float, upward: FloatArray, bins: slice) -> None:
        u = (np.arange(window.size) - 0.5 * window.size) / rate_hz
        self._kernel = (np.exp(-1j * np.pi * upward[:, None] * u**2) * window).astype(np.complex64)
        self._bins = np.arange(bins.start, bins.stop)

    def spectra(self, frame: F32) -> NDArray[np.complex64]:
        """Spectra of a frame [shape (channels, n)] by slope, falling ones first [shape (channels, chirps, bins)].

        Of real samples the spectrum dechirped downward is the mirror image of that dechirped upward, up to the sign
        of its phase, which is not kept.
        """
        from scipy.fft import fft

        upward = fft(frame[:, None] * self._kernel, axis=-1)
        steepest = upward.shape[1] - 1
        out = np.empty((upward.shape[0], 2 * steepest + 1, self._bins.size), np.complex64)
        out[:, steepest:] = upward[:, :, self._bins]
        out[:, :steepest] = upward[:, :0:-1, -self._bins]
        return out


def _white_power(spectra: NDArray[np.complex64], whitener: F32) -> F32:
    """Power of spectra [shape (channels, chirps, bins)] over the noise, summed over channels [shape (chirps, bins)].

    whitener: triangular matrices of real numbers [shape (bins, channels, channels)].
    """
    parts = spectra.view(np.float32)
    weights = np.repeat(whitener, 2, axis=0).transpose(1, 2, 0).copy()
    total = np.zeros(parts.shape[1:], np.float32)
    for i, row in enumerate(weights):
        white = parts[0] * row[0]
        for j in range(1, i + 1):
            white += parts[j] * row[j]
        total += white * white
    return np.asarray(total[:, ::2] + total[:, 1::2])


def _without_skirts(power: F32) -> F32:
    """Power of dechirped spectra [shape (chirps, bins)], what a stronger line beside sheds held down.

    However strong a line is, half a hertz beside it there is none: a name that puts one there is wrong.
    """
    share = np.minimum(power / (SKIRT_FROM * _largest_near(power)[-1] + 1e-20), 1.0)
    return np.asarray(power * (share * share * share), np.float32)


def _largest_near(power: F32) -> list[F32]:
    """The largest within 0, 1, ... SKIRT_BINS bins either side [shape (chirps, bins) each]."""
    found = [power]
    for reach in range(1, SKIRT_BINS + 1):
        wider = found[-1].copy()
        np.maximum(wider[:, :-reach], power[:, reach:], out=wider[:, :-reach])
        np.maximum(wider[:, reach:], power[:, :-reach], out=wider[:, reach:])
        found.append(wider)
    return found


class _Places:
    """Where each cell and slope is found in a frame's dechirped spectra."""

    def __init__(
        self, cells: FloatArray, rate_hz: float, spacing: float, top: int, steps: FloatArray
    ) -> None:
        zone = np.round(cells / rate_hz)
        seen = np.abs(cells - rate_hz * zone)
        sign = np.where(cells >= rate_hz * zone, 1.0, -1.0)
        centre = np.clip(np.round(seen / spacing).astype(int), 0, top)
        self.first, self.last = max(0, int(centre.min()) - 3), min(top + 1, int(centre.max()) + 4)
        self.steps = steps
        chirp = SLOPES[:, None] * (sign * cells * CELL / HOP_S)
        at = np.round((chirp - steps[0]) / (steps[1] - steps[0])).astype(int)
        self.possible = (at >= 0) & (at < steps.size)
        self.chirp = np.clip(at, 0, steps.size - 1)
        self.reach = np.minimum(np.round(cells * CELL / spacing / 2.0).astype(int), SKIRT_BINS)
        self.bins = centre - self.first

    def largest(self, power: F32) -> F32:
        """Largest power within each cell at each slope; 0 where the slope is out of reach."""
        near = np.stack(_largest_near(power))
        return np.where(self.possible, near[self.reach, self.chirp, self.bins], np.float32(0.0))


_STEPS = np.linspace(0.0, 400.0, 1601)
_RATIOS = np.exp(np.linspace(0.0, np.log(1000.0), 20))


def bounded_evidence(found: F32, channels: int, cap: float = FRAME_CAP) -> F32:
    """Log evidence of single frames, `cap` at most, against power over noise, whatever the line's strength."""
    index = np.minimum(found * np.float32(4.0), 1600.0).astype(np.int32)
    return np.asarray(_bounded_table(channels, cap)[index])


@lru_cache(maxsize=8)
def _bounded_table(channels: int, cap: float) -> F32:
    """The same at quarters of a power over noise."""
    per_ratio = -channels * np.log1p(_RATIOS) + _STEPS[:, None] * _RATIOS / (1.0 + _RATIOS)
    seen = np.logaddexp.reduce(per_ratio, axis=1) - np.log(_RATIOS.size)
    table = np.minimum(np.logaddexp(np.log(1.0 - STANDS_OUT), np.log(STANDS_OUT) + seen), cap)
    return np.asarray(table, np.float32)

"""What the figures show: the averaged spectrum over its floor, its dominant lines, the time-frequency map."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.result import LineSeen, OrderMap, SpectrumView, Suspect
from vibeorder.diagnosis.signal import Signal
from vibeorder.errors import RecordingError
from vibeorder.recording.store import WALK_SAMPLES, excerpt, spans
from vibeorder.spectrum import averaged_spectrum, find_lines, noise_floor
from vibeorder.vehicle import order_text, part_text

__all__ = ["lines_seen", "order_map_view", "spectrum_view"]

FloatArray = NDArray[np.float64]

VIEW_TOP_HZ = 250.0
LOUDEST_STRETCH_S = 120.0
"""Lines and map are taken from at most this much: a figure of an hour shows nothing."""

MAP_ROWS = 240

SPECTRUM_MINUTES = 10
"""The spectrum is averaged over so many minutes, from all over a longer drive."""


def spectrum_view(signal: Signal) -> SpectrumView:
    """Averaged amplitude spectrum (vector peak) and the floor under it."""
    unit = "relative" if signal.relative else "m/s^2"
    part = _spread_over(signal)
    try:
        spectrum = averaged_spectrum(part.samples.astype(float), part.valid, part.rate_hz)
    except RecordingError:
        empty = np.zeros(0)
        return SpectrumView(empty, empty, empty, unit)
    floor = (
        np.sqrt(np.maximum(noise_floor(spectrum), 0.0) / np.maximum(spectrum.density, 1e-30))
        * spectrum.amplitude
    )
    use = spectrum.frequency_hz <= VIEW_TOP_HZ
    return SpectrumView(spectrum.frequency_hz[use], spectrum.amplitude[use], floor[use], unit)


LIKELY, MULTIPLES = 0.05, 8
"""Probability from which a suspect's line lends its name to its multiples, and up to which one."""


def lines_seen(
    signal: Signal, named: Sequence[tuple[float, str]], suspects: Sequence[Suspect] = ()
) -> tuple[LineSeen, ...]:
    """Dominant lines of the stretch, each with the name of the part whose line runs there, or ''.

    A weaker line at a whole multiple of a likely suspect's is that part's at the higher order: a shake that is no pure
    sine has such lines, whether the catalogue of sources lists them or not.
    """
    part = _stretch(signal)
    try:
        found = find_lines(part.samples.astype(float), part.valid, part.rate_hz, min_hz=3.0)
    except RecordingError:
        return ()
    return tuple(
        LineSeen(
            line.frequency_hz,
            line.frequency_se_hz,
            line.amplitude,
            line.snr_db,
            line.direction,
            _name(line.frequency_hz, line.width_hz, named)
            or _name(line.frequency_hz, line.width_hz, _multiples(line.amplitude, suspects)),
        )
        for line in found
    )


def _name(frequency_hz: float, width_hz: float, named: Sequence[tuple[float, str]]) -> str:
    near = [(abs(hz - frequency_hz), name) for hz, name in named]
    if not near:
        return ""
    off, name = min(near)
    return name if off < max(0.3, width_hz, 0.006 * frequency_hz) else ""


def _multiples(amplitude: float, suspects: Sequence[Suspect]) -> list[tuple[float, str]]:
    """(frequency, name) of the multiples of the likely suspects' lines that are stronger than this, likeliest first."""
    return [
        (k * one.frequency_hz, f"{part_text(one.part)} {order_text(k * one.order)}")
        for one in sorted(suspects, key=lambda one: -one.probability)
        if one.probability >= LIKELY and one.frequency_hz is not None and one.amplitude > amplitude
        for k in range(2, MULTIPLES + 1)
    ]


def order_map_view(signal: Signal, tracks: Sequence[tuple[str, FloatArray, FloatArray]]) -> OrderMap:
    """Level against time and frequency, and the parts' tracks (name, times_s, frequency_hz) on its rows."""
    size = max(16, min(signal.samples.shape[1], round(2.0 * signal.rate_hz)))
    total = signal.samples.shape[1]
    hop = max(size // 2, (total - size) // MAP_ROWS + 1)
    first = np.arange(0, max(1, total - size + 1), hop)
    window = (np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2).astype(np.float32)
    power = np.stack(
        [
            (np.abs(np.fft.rfft(excerpt(signal.samples, s, s + size) * window, axis=-1)) ** 2).sum(axis=0)
            for s in first
        ]
    )
    power *= (2.0 / float(window.sum())) ** 2
    frequency = np.asarray(np.fft.rfftfreq(size, 1.0 / signal.rate_hz), float)
    use = frequency <= VIEW_TOP_HZ
    times = (first + 0.5 * size) / signal.rate_hz
    level = 10.0 * np.log10(power[:, use] + 1e-12)
    return OrderMap(
        times, frequency[use], level, tuple((name, np.interp(times, t, f)) for name, t, f in tracks)
    )


def _spread_over(signal: Signal) -> Signal:
    """The signal, or minutes from all over a long one, a missing sample between any two."""
    minute = round(60.0 * signal.rate_hz)
    total = signal.samples.shape[1]
    if total <= SPECTRUM_MINUTES * minute:
        return signal
    first = np.linspace(0, total - minute, SPECTRUM_MINUTES).astype(int)
    samples = np.concatenate([excerpt(signal.samples, a, a + minute) for a in first], axis=1)
    valid = np.concatenate([signal.valid[a : a + minute] for a in first])
    valid[minute::minute] = False
    return signal.of(samples, valid)


def _stretch(signal: Signal) -> Signal:
    """The loudest two minutes."""
    count = round(LOUDEST_STRETCH_S * signal.rate_hz)
    total = signal.samples.shape[1]
    if total <= count:
        return signal
    # a long one is looked through in steps, so that no number a sample is kept
    step = 1 if total <= 4 * WALK_SAMPLES else round(signal.rate_hz)
    power = [np.zeros(1)]
    for a, b in spans(total // step, max(1, WALK_SAMPLES // step)):
        cut = (excerpt(signal.samples, a * step, b * step) ** 2).sum(axis=0, dtype=np.float64)
        power.append(cut.reshape(-1, step).sum(axis=1))
    summed = np.cumsum(np.concatenate(power))
    wide = count // step
    first = int(np.argmax(summed[wide:] - summed[:-wide])) * step
    return signal.of(excerpt(signal.samples, first, first + count), signal.valid[first : first + count])

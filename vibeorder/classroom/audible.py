"""The shake made audible: every frequency times one whole factor, at the same length, phases unbroken.

A tire's shake of 10 Hz is felt, not heard, and a phone's loudspeaker gives nothing below some 200 Hz. Here each
narrow band of the shake is taken as a turning phasor, z = a exp(j phi), and sounded as a cos(k phi): k times
the frequency, the same loudness course, nothing sped up. With a whole k it does not matter how often phi went
round, so neighbouring bands that share a line agree, and a line that sweeps from one into the next keeps its
phase. Ratios stay: a second order is still an octave above the first.

The multiplied phase is the phase vocoder's way: Flanagan and Golden, Bell System Technical Journal 45 (1966)
1493-1509 (value from memory).
"""

import io
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.classroom.lesson import Lesson, Track
from vibeorder.errors import VibeorderError
from vibeorder.simulate import as_recording
from vibeorder.spectrum import averaged_spectrum, noise_floor

__all__ = ["AUDIO_RATE_HZ", "FACTOR", "Sound", "audible_orders", "audible_shake", "pitch_up", "wav_bytes"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FACTOR = 16
"""Four octaves: a tire's 10 Hz becomes 160 Hz, a driveshaft's 40 Hz becomes 640 Hz, 200 Hz becomes 3200 Hz."""

AUDIO_RATE_HZ = 8000
"""More than twice 3200 Hz, the highest that FACTOR makes of a 400 Hz sensor; every browser plays it."""

LOWEST_HZ = 3.0
BANDS_PER_OCTAVE = 4
"""Bands of three half-tones, overlapping: one part's first four orders lie in bands of their own. In narrower ones
a line that sweeps is late in each, and where two hand over they would cancel: at 12 to the octave down to a seventh
of the loudness for 1.5 Hz a second, at 4 to three quarters (measured on pure sweeps)."""

LEAST_WIDTH_HZ = 1.0
"""A band narrower than this would smear a bump over seconds."""

ALONE_HZ = 1.0
"""What counts as one order alone: half a hertz to each side of its course."""

PEAK = 0.89
"""-1 dB: room for what a player's own resampling adds."""
FADE_S = 0.05


@dataclass(frozen=True, slots=True)
class Sound:
    """One channel between -1 and 1 [shape (n,)], and by what factor its pitch is above the shake's."""

    samples: FloatArray
    rate_hz: int
    factor: int


def audible_shake(lesson: Lesson, factor: int = FACTOR) -> Sound:
    """All that the phone felt, along the direction in which lines stand out most, pitched up and normalised."""
    recording = as_recording(lesson.test)
    along = _along_lines(recording.samples, recording.valid, recording.rate_hz)
    return Sound(_normalised(pitch_up(along, recording.rate_hz, factor)), AUDIO_RATE_HZ, factor)


def audible_orders(lesson: Lesson, tracks: tuple[Track, ...], factor: int = FACTOR) -> tuple[Sound, ...]:
    """Each order alone, as the recording has it: what lies within half a hertz of its course, pitched up.

    All share one gain, that of the loudest, so that a quiet order stays quiet: that is what a class is to hear.
    Sources with one course sound alike, as they must.
    """
    recording = as_recording(lesson.test)
    along = _along_lines(recording.samples, recording.valid, recording.rate_hz)
    alone = [_order_alone(along, recording.rate_hz, track, factor) for track in tracks]
    loudest = max((float(np.abs(one).max(initial=0.0)) for one in alone), default=0.0)
    gain = PEAK / loudest if loudest > 0.0 else 1.0
    return tuple(Sound(_faded(gain * one), AUDIO_RATE_HZ, factor) for one in alone)


def pitch_up(signal: FloatArray, rate_hz: float, factor: int) -> FloatArray:
    """A signal [shape (n,)] with every frequency multiplied by `factor`, at AUDIO_RATE_HZ, of the same length.

    Bands are raised cosines over ln(frequency), BANDS_PER_OCTAVE of them, without phase, whose sum is 1
    everywhere; each is sounded as a cos(k phi). Raises VibeorderError where the factor is not a whole number
    above zero, or would lift half the sample rate out of what AUDIO_RATE_HZ holds.
    """
    from scipy.fft import fft, ifft, next_fast_len

    if factor < 1 or factor * rate_hz / 2.0 > AUDIO_RATE_HZ / 2.0:
        most = int(AUDIO_RATE_HZ / rate_hz)
        raise VibeorderError(f"a pitch factor of {factor} does not fit; give a whole number from 1 to {most}")
    up = AUDIO_RATE_HZ / rate_hz
    length = next_fast_len(signal.size)
    size = round(signal.size * up)
    long = round(length * up)
    transform = fft(signal - signal.mean(), length)
    hz = np.arange(length // 2) * rate_hz / length
    out = np.zeros(long)
    for weight in _bands(hz, rate_hz / 2.0):
        use = np.flatnonzero(weight)
        if use.size == 0:
            continue
        band = np.zeros(long, complex)
        band[use] = 2.0 * transform[use] * weight[use] * up
        z = ifft(band)
        out += _multiplied(z, factor)
    return out[:size]


def wav_bytes(sound: Sound) -> bytes:
    """The sound as a 16-bit WAV file."""
    import soundfile

    file = io.BytesIO()
    soundfile.write(file, sound.samples, sound.rate_hz, subtype="PCM_16", format="WAV")
    return file.getvalue()


def _bands(hz: FloatArray, top_hz: float) -> list[FloatArray]:
    """Weights of the bands over frequency [shape (n,) each]; at every frequency above LOWEST_HZ they sum to 1."""
    centres = [LOWEST_HZ]
    while centres[-1] < top_hz:
        centres.append(max(centres[-1] * 2.0 ** (1.0 / BANDS_PER_OCTAVE), centres[-1] + LEAST_WIDTH_HZ))
    grid = np.asarray(centres)
    place = np.interp(hz, grid, np.arange(grid.size), left=-1.0)  # which band, in fractions
    return [
        np.where(np.abs(place - i) < 1.0, np.cos(0.5 * np.pi * np.clip(place - i, -1.0, 1.0)) ** 2, 0.0)
        for i in range(grid.size)
    ]


def _multiplied(z: ComplexArray, factor: int) -> FloatArray:
    size = np.abs(z)
    unit = z / np.maximum(size, 1e-12 * (float(size.max()) + 1e-300))
    return np.asarray(size * (unit**factor).real, float)


def _along_lines(samples: FloatArray, valid: NDArray[np.bool_], rate_hz: float) -> FloatArray:
    """The axis [shape (n,)] along which narrow lines carry most power over the noise beneath them."""
    spectrum = averaged_spectrum(samples, valid, rate_hz)
    over = np.maximum(spectrum.density / np.maximum(noise_floor(spectrum), 1e-30) - 1.0, 0.0)
    over[spectrum.frequency_hz < LOWEST_HZ] = 0.0
    weight = over / np.maximum(spectrum.density, 1e-30)
    matrix = np.einsum("k,kij->ij", weight, spectrum.cross).real
    direction = np.linalg.eigh(matrix)[1][:, -1]
    return np.asarray(direction @ (samples - samples.mean(axis=1, keepdims=True)), float)


def _order_alone(signal: FloatArray, rate_hz: float, track: Track, factor: int) -> FloatArray:
    """Demodulate along the course as the sensor shows it, keep ALONE_HZ, and sound it at the true frequency."""
    from scipy.signal import butter, sosfiltfilt

    times = np.arange(signal.size) / rate_hz
    seen = np.concatenate([[0.0], np.cumsum(np.interp(times, track.times_s, track.seen_hz)[:-1])]) / rate_hz
    turning = np.exp(-2j * np.pi * seen)
    low = butter(2, ALONE_HZ / 2.0, fs=rate_hz, output="sos")
    shifted = (signal - signal.mean()) * turning
    slow = 2.0 * (sosfiltfilt(low, shifted.real) + 1j * sosfiltfilt(low, shifted.imag))
    fine = np.arange(round(signal.size * AUDIO_RATE_HZ / rate_hz)) / AUDIO_RATE_HZ
    a = np.interp(fine, times, slow.real) + 1j * np.interp(fine, times, slow.imag)
    heard = np.minimum(factor * np.interp(fine, track.times_s, track.frequency_hz), 0.49 * AUDIO_RATE_HZ)
    phase = np.cumsum(heard) / AUDIO_RATE_HZ
    return np.asarray((a * np.exp(2j * math.pi * phase)).real, float)


def _normalised(samples: FloatArray) -> FloatArray:
    peak = float(np.abs(samples).max(initial=0.0))
    return _faded(samples * (PEAK / peak) if peak > 0.0 else samples)


def _faded(samples: FloatArray) -> FloatArray:
    """No click at either end."""
    size = min(round(FADE_S * AUDIO_RATE_HZ), samples.size // 2)
    ramp = np.sin(0.5 * np.pi * np.linspace(0.0, 1.0, size)) ** 2
    out = samples.copy()
    out[:size] *= ramp
    out[samples.size - size :] *= ramp[::-1]
    return out

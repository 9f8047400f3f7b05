"""From the shake to what the phone logs: instants, folding, orientation, resolution; or the microphone."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.simulate.drive import GRID_HZ, DrivePath, slow_walk
from vibeorder.simulate.model import Clock, Gps, GpsTrace, Microphone, Scenario, TrueLine
from vibeorder.simulate.road import pulls, road_noise, with_speed
from vibeorder.units import STANDARD_GRAVITY

__all__ = ["gps_trace", "log_acceleration", "random_rotation", "record_audio"]

FloatArray = NDArray[np.float64]

# No event is late by more than this share of a step, so that stamps never run backwards.
LATEST_SHARE = 0.3
AUDIO_LINES_HZ = 4000.0  # lines and their harmonics end far below half of this
FULL_SCALE_RMS = 0.08


def log_acceleration(
    scenario: Scenario,
    path: DrivePath,
    lines: tuple[TrueLine, ...],
    orientation: FloatArray,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Stamps [shape (n,)] and samples [shape (3, n)], m/s^2 with gravity, with no anti-alias filter."""
    clock_rng, road_rng, pull_rng = rng.spawn(3)
    instants, stamps = _sampling(scenario, clock_rng)
    shake = road_noise(scenario.road, path, instants, scenario.rate_hz, road_rng)
    for line in lines:
        turn = np.exp(2j * np.pi * np.interp(instants, path.times_s, line.phase_turns))
        for axis, gain in enumerate(line.gains):
            shake[axis] += (np.interp(instants, line.gain_times_s, gain) * turn).real
    shake += pulls(scenario.road, path, instants, pull_rng)
    shake[2] += STANDARD_GRAVITY
    logged = orientation @ shake
    if scenario.resolution_mps2:
        logged = np.round(logged / scenario.resolution_mps2) * scenario.resolution_mps2
    return stamps, logged


def random_rotation(rng: np.random.Generator) -> FloatArray:
    """A rotation of space, uniform over all (QR of a Gaussian matrix, signs fixed)."""
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    if np.linalg.det(q) < 0:
        q[:, 0] = -q[:, 0]
    return np.asarray(q, float)


def record_audio(
    scenario: Scenario,
    path: DrivePath,
    lines: tuple[TrueLine, ...],
    rng: np.random.Generator,
    firing: float | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Times and one channel [shape (1, n)]: no bottom octaves, no scale, a gain that rides.

    firing: firings per engine turn, or None where there is no engine.
    """
    from scipy.signal import butter, resample_poly, sosfilt

    mic, rate = scenario.microphone, scenario.rate_hz
    up = max(1, int(rate // AUDIO_LINES_HZ))
    slow = np.arange(0.0, scenario.duration_s, up / rate)
    tones = _radiated(mic, path, lines, slow, rng)
    if firing is not None and mic.firing > 0.0:
        tones = tones + _through_air(mic, path, firing, slow, rng.spawn(1)[0])
    size = int(scenario.duration_s * rate)
    sound = resample_poly(tones, up, 1)[:size]
    speed = np.interp(np.arange(size) / rate, path.times_s, path.speed_mps)
    sound = sound + mic.noise * _hiss(size, rate, rng) * with_speed(speed, 1.5)
    sound = sosfilt(butter(2, mic.highpass_hz, "highpass", fs=rate, output="sos"), sound)
    return np.arange(size) / rate, _gain_control(mic, sound, rate)[None]


def gps_trace(gps: Gps, path: DrivePath, rng: np.random.Generator) -> tuple[GpsTrace, float]:
    """One fix a second: the speed of lag seconds ago, with noise, never below 0; and the lag in seconds."""
    lag = float(rng.uniform(0.5, 1.0)) if gps.lag_s is None else gps.lag_s
    times = np.arange(rng.random(), path.times_s[-1], 1.0)
    speed = np.interp(times - lag, path.times_s, path.speed_mps)
    speed = np.maximum(speed + gps.noise_mps * rng.normal(size=times.size), 0.0)
    keep = np.ones(times.size, bool)
    while gps.dropouts > 0 and 1.0 - keep.mean() < gps.dropouts:
        start = int(rng.integers(times.size))
        keep[start : start + int(rng.integers(2, 9))] = False
    return GpsTrace(times[keep], np.round(speed[keep], 2)), lag


def _sampling(scenario: Scenario, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    clock: Clock = scenario.clock
    step = 1.0 / (scenario.rate_hz * (1.0 + clock.rate_offset))
    late = LATEST_SHARE * step
    nominal = np.arange(int(scenario.duration_s / step)) * step
    instants = nominal + np.clip(clock.jitter * step * rng.normal(size=nominal.size), -late, late)
    error = np.clip(clock.stamp_error_s * rng.normal(size=nominal.size), -late / 2, late / 2)
    stamps = np.maximum.accumulate(instants + error)
    keep = rng.random(nominal.size) >= clock.drops
    keep &= np.append(True, np.diff(stamps) > 0)
    return np.maximum(instants[keep], 0.0), stamps[keep]


def _radiated(
    mic: Microphone, path: DrivePath, lines: tuple[TrueLine, ...], times: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Lines and their harmonics as sound; each harmonic weaker, its share and phase by chance."""
    sound = np.zeros(times.size)
    for line in lines:
        base = np.exp(2j * np.pi * np.interp(times, path.times_s, line.phase_turns))
        heard = rng.normal(size=(2, 3)) @ line.gains
        turn = np.ones_like(base)
        for harmonic in range(1, mic.harmonics + 1):
            turn = turn * base
            share = mic.harmonic_fall ** (harmonic - 1) * np.exp(2j * np.pi * rng.random())
            sound += (np.interp(times, line.gain_times_s, heard[0] + 1j * heard[1]) * share * turn).real
    return sound


def _through_air(
    mic: Microphone, path: DrivePath, firing: float, times: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """The engine's own firing from intake and exhaust, its harmonics swelling and fading with load."""
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (path.engine_hz[1:] + path.engine_hz[:-1])) / GRID_HZ])
    phase = 2.0 * np.pi * firing * np.interp(times, path.times_s, turns)
    sound = np.zeros(times.size)
    for harmonic in range(1, mic.harmonics + 1):
        swell = np.exp(0.4 * np.interp(times, path.times_s, slow_walk(rng, path.times_s, 8.0)))
        level = np.sqrt(2.0) * mic.firing * mic.harmonic_fall ** (harmonic - 1)
        sound += level * swell * np.cos(harmonic * phase + 2.0 * np.pi * rng.random())
    return sound


def _hiss(size: int, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    """Wind and tire noise: rms 1, density falling as 1/f above 100 Hz."""
    from scipy.fft import irfft, next_fast_len, rfftfreq

    length = next_fast_len(size, real=True)
    frequency = rfftfreq(length, 1.0 / rate_hz)
    shape = 1.0 / (1.0 + frequency / 100.0)
    white = rng.normal(size=(frequency.size, 2)) @ np.array([1.0, 1j])
    noise = np.asarray(irfft(white * np.sqrt(shape), length)[:size], float)
    return np.asarray(noise / noise.std(), float)


def _gain_control(mic: Microphone, sound: FloatArray, rate_hz: float) -> FloatArray:
    """Divide by a share of the slow level, as a recorder's gain control does, and stay inside full scale."""
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / (mic.gain_time_s * rate_hz))
    power = lfilter([1.0 - keep], [1.0, -keep], sound**2, zi=[keep * np.mean(sound**2)])[0]
    gained = sound / np.sqrt(power + 1e-12) ** mic.gain_exponent
    return np.asarray(np.clip(gained * FULL_SCALE_RMS / gained.std(), -1.0, 1.0), float)

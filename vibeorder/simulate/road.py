"""Road noise: a falling density, fixed body modes, rough and smooth stretches, bumps, slab joints."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.simulate.drive import DrivePath, slow_walk
from vibeorder.simulate.model import Road
from vibeorder.units import STANDARD_GRAVITY

__all__ = ["pulls", "road_noise", "with_speed"]

FloatArray = NDArray[np.float64]

# (lowest, highest) frequency and sharpness of each body mode, from bounce to panels. Assumed.
MODES = (
    ((1.2, 2.0), (2.0, 4.0)),
    ((10.0, 15.0), (3.0, 6.0)),
    ((20.0, 32.0), (6.0, 15.0)),
    ((35.0, 60.0), (6.0, 15.0)),
    ((60.0, 90.0), (8.0, 20.0)),
    ((90.0, 160.0), (8.0, 20.0)),
)
GAIN_RANGE = (0.3, 3.0)
OVERSAMPLING = 4
GRADE_MEMORY_M, CURVE_MEMORY_M = 200.0, 100.0
"""How far a slope and a bend go on (judgements, no source)."""
STANDING_SHARE = (
    0.1  # of the level on the road: what the body passes on of a running engine's noise. Assumed.
)


@dataclass(frozen=True, slots=True)
class _Modes:
    frequency_hz: FloatArray
    sharpness: FloatArray
    gains: FloatArray  # [shape (3, modes)]


def road_noise(
    road: Road, path: DrivePath, instants_s: FloatArray, rate_hz: float, rng: np.random.Generator
) -> FloatArray:
    """Acceleration on three axes at the given instants [shape (3, n)], m/s^2.

    Made up to rate_hz, twice the highest frequency that the sensor can hold, so that taking it at the
    instants folds the upper half down as an unfiltered sensor does.
    """
    fine_hz = OVERSAMPLING * rate_hz
    times = np.arange(0.0, path.times_s[-1], 1.0 / fine_hz)
    draws = rng.spawn(4)
    modes = _modes(draws[0])
    level = road.level_mps2 * draws[1].uniform(0.6, 1.4, 3)
    noise = _stationary(road, modes, times.size, fine_hz, draws[1]) * level[:, None]
    distance = np.interp(times, path.times_s, _distance(path))
    speed = np.interp(times, path.times_s, path.speed_mps)
    if road.echo:
        noise = _rear_axle(noise, distance, road.wheelbase_m, road.echo)
    rough = road.roughness_sd * slow_walk(draws[2], path.times_s, 6.0) - road.roughness_sd**2
    noise *= with_speed(speed, road.growth) * np.exp(np.interp(times, path.times_s, rough))
    if distance[-1] > 0.0:
        noise += _strikes(road, modes, distance, fine_hz, draws[3])
    return np.stack([np.interp(instants_s, times, axis) for axis in noise])


def pulls(road: Road, path: DrivePath, instants_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """What is felt of the drive itself at the given instants, forward, left and up [shape (3, n)], m/s^2.

    Speeding up and braking, gravity along a road that climbs, and curves; an accelerometer cannot tell them apart.
    """
    distance = _distance(path)
    forward = np.gradient(path.speed_mps, path.times_s) + STANDARD_GRAVITY * road.grade_sd * _along(
        distance, GRADE_MEMORY_M, rng
    )
    left = path.speed_mps**2 * road.curve_sd_per_m * _along(distance, CURVE_MEMORY_M, rng)
    felt = np.stack([forward, left, np.zeros(forward.size)])
    return np.stack([np.interp(instants_s, path.times_s, axis) for axis in felt])


def _along(distance: FloatArray, memory_m: float, rng: np.random.Generator) -> FloatArray:
    """A smooth random course along the road, standard deviation 1."""
    marks = np.arange(0.0, distance[-1] + memory_m, memory_m / 20.0)
    return np.asarray(np.interp(distance, marks, slow_walk(rng, marks, memory_m)), float)


def with_speed(speed_mps: FloatArray, growth: float) -> FloatArray:
    """Level of road noise over that at the record's mean speed; STANDING_SHARE where the vehicle never moves."""
    mean = float(speed_mps.mean())
    return np.full(speed_mps.size, STANDING_SHARE) if mean <= 0.0 else (speed_mps / mean) ** growth


def _modes(rng: np.random.Generator) -> _Modes:
    count = int(rng.integers(4, len(MODES) + 1))
    draw = [(rng.uniform(*f), rng.uniform(*q)) for f, q in MODES]
    gains = np.exp(rng.uniform(np.log(GAIN_RANGE[0]), np.log(GAIN_RANGE[1]), (3, len(MODES))))
    frequency, sharpness = np.array(draw).T
    return _Modes(frequency[:count], sharpness[:count], gains[:, :count])


def _distance(path: DrivePath) -> FloatArray:
    step = path.times_s[1] - path.times_s[0]
    return np.concatenate([[0.0], np.cumsum(0.5 * (path.speed_mps[1:] + path.speed_mps[:-1])) * step])


def _density_shape(road: Road, modes: _Modes, frequency_hz: FloatArray) -> FloatArray:
    """Shape of the acceleration density per axis [shape (3, n)]: f**-slope above 3 Hz, nothing at 0 Hz."""
    f = frequency_hz[None]
    base = (f / (f + 0.5)) ** 2 / (1.0 + (f / 3.0) ** road.slope)
    shape = np.repeat(base, 3, 0)
    for mode, sharpness, gain in zip(modes.frequency_hz, modes.sharpness, modes.gains.T, strict=True):
        ratio = f / mode
        peak = base * 1.5 / ((1.0 - ratio**2) ** 2 + (ratio / sharpness) ** 2) / sharpness**1.3
        shape = shape + gain[:, None] * peak
    return shape


def _stationary(road: Road, modes: _Modes, size: int, fine_hz: float, rng: np.random.Generator) -> FloatArray:
    """Gaussian noise of rms 1 per axis with that shape."""
    from scipy.fft import irfft, next_fast_len, rfftfreq

    length = next_fast_len(size, real=True)
    frequency = rfftfreq(length, 1.0 / fine_hz)
    keep = frequency <= fine_hz / OVERSAMPLING
    shape = _density_shape(road, modes, frequency[keep])
    shape /= shape.sum(1, keepdims=True)
    spectrum = np.zeros((3, frequency.size), complex)
    white = rng.normal(size=(3, int(keep.sum()), 2)) @ np.array([1.0, 1j])
    spectrum[:, keep] = white * np.sqrt(shape) * length / 2.0
    return np.asarray(irfft(spectrum, length)[:, :size], float)


def _rear_axle(noise: FloatArray, distance: FloatArray, wheelbase_m: float, share: float) -> FloatArray:
    """Let the rear axle meet the same road one wheelbase later."""
    index = np.arange(distance.size)
    rising = distance + 1e-9 * index  # standing still: distance must rise for the look-up
    earlier = np.interp(rising - wheelbase_m, rising, index)
    late = np.stack([np.interp(earlier, index, axis) for axis in noise])
    return np.asarray((noise + share * late) / np.sqrt(1.0 + share**2), float)


def _strikes(
    road: Road, modes: _Modes, distance: FloatArray, fine_hz: float, rng: np.random.Generator
) -> FloatArray:
    """Bumps at random and joints at equal spacing, each axle in turn, ringing the body's modes."""
    from scipy.signal import fftconvolve

    hits = np.zeros(distance.size)
    minutes = distance.size / fine_hz / 60.0
    for _ in range(rng.poisson(road.bumps_per_minute * minutes)):
        at = distance[int(rng.integers(distance.size))]
        _hit(hits, distance, np.array([at]), road.bump_mps2 * np.exp(0.6 * rng.normal()), road.wheelbase_m)
    if road.joint_spacing_m > 0:
        at = np.arange(road.joint_spacing_m * rng.random(), distance[-1], road.joint_spacing_m)
        peaks = road.joint_mps2 * np.exp(0.3 * rng.normal(size=at.size))
        _hit(hits, distance, at, peaks, road.wheelbase_m)
    if not hits.any():
        return np.zeros((3, distance.size))
    return np.stack([fftconvolve(hits, ring)[: distance.size] for ring in _rings(modes, fine_hz)])


def _hit(
    hits: FloatArray, distance: FloatArray, at_m: FloatArray, peak: FloatArray | float, wheelbase_m: float
) -> None:
    for axle in (0.0, wheelbase_m):
        index = np.searchsorted(distance, at_m + axle)
        inside = index < distance.size
        np.add.at(hits, index[inside], np.broadcast_to(peak, at_m.shape)[inside])


def _rings(modes: _Modes, fine_hz: float) -> FloatArray:
    """What one strike does on each axis: dying oscillations of the modes, of peak 1 on the strongest axis."""
    t = np.arange(0.0, 0.8, 1.0 / fine_hz)[:, None]
    swing: FloatArray = np.sin(2 * np.pi * modes.frequency_hz * t)
    dying = swing * np.exp(-np.pi * modes.frequency_hz * t / modes.sharpness)
    rings: FloatArray = (
        np.array([0.4, 0.4, 1.0])[:, None] * (dying @ (modes.gains / np.sqrt(modes.frequency_hz)).T).T
    )
    return np.asarray(rings / np.abs(rings).max(), float)

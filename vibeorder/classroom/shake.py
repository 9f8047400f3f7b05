"""A recording as a class looks at it: levels over time and frequency, the averaged spectrum, how it was driven."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.classroom.lesson import IDLE_HZ, Lesson, Track
from vibeorder.simulate import RoadTest, as_recording
from vibeorder.spectrum import averaged_spectrum, noise_floor
from vibeorder.vehicle import rate_table

__all__ = ["Moment", "ShakeView", "measured_hz", "moments_of", "shake_view", "stands_out_db", "strongest"]

FloatArray = NDArray[np.float64]

BLOCK_S = 2.0
"""Half a hertz of resolution, while a sweep of 20 mph in 30 s moves a driveshaft's line by less than a hertz."""
STEP_S = 0.25
LOWEST_HZ = 3.0
SEARCH_SHARE = 0.04
"""A line is looked for this far to each side of where it is expected: the tire's own doubt and a margin."""
LEAST_SEARCH_HZ = 0.75
STANDS_OUT_AVERAGED_DB = 5.0
"""Averaging steadies the noise: over some twenty blocks no bin of noise comes this far above its floor by chance."""
QUIET_PERCENTILE = 40.0
QUIET_SHARE = 0.75
"""The 40th percentile over the mean of a chi-square with 4 degrees of freedom is 0.69, with 6 0.76: noise of two
to three independent axes."""
LEAST_HALF_WIDTH_HZ, HALF_WIDTH_SHARE = 2.0, 0.125
STANDS_OUT_DB = 10.0
"""Highest of a few noise bins of one block over their median, and a margin: below it nothing is called a line."""


@dataclass(frozen=True, slots=True)
class ShakeView:
    """Levels of all axes together.

    times_s [shape (rows,)], frequency_hz [shape (columns,)], level_db over the noise floor of the whole record
    [shape (rows, columns)]. spectrum_hz, amplitude, floor: averaged spectrum, vector peak in m/s^2.
    """

    times_s: FloatArray
    frequency_hz: FloatArray
    level_db: FloatArray
    spectrum_hz: FloatArray
    amplitude: FloatArray
    floor: FloatArray


@dataclass(frozen=True, slots=True)
class Moment:
    """What the dash showed: true road speed, gear (0 neutral), and each part's rate that follows from both.

    rates_hz: part -> turns per second from the vehicle's own figures; what the tires really roll is not in it.
    """

    time_s: float
    speed_mps: float
    gear: int
    rates_hz: dict[str, float]


def shake_view(test: RoadTest) -> ShakeView:
    """Hann blocks of 2 s, a quarter of a second apart, power of the axes added."""
    recording = as_recording(test)
    rate = recording.rate_hz
    spectrum = averaged_spectrum(recording.samples, recording.valid, rate)
    floor = np.maximum(noise_floor(spectrum), 1e-30)
    size, hop = round(BLOCK_S * rate), round(STEP_S * rate)
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
    blocks = np.lib.stride_tricks.sliding_window_view(recording.samples, size, axis=1)[:, ::hop]
    means = blocks.mean(axis=2, keepdims=True)
    power = (np.abs(np.fft.rfft((blocks - means) * window, axis=2)) ** 2).sum(axis=0)
    density = 2.0 * power / (rate * np.sum(window**2))
    hz = np.asarray(np.fft.rfftfreq(size, 1.0 / rate), float)
    use = hz >= LOWEST_HZ
    level = 10.0 * np.log10(np.maximum(density[:, use] / _under(density, hz)[use], 1e-6))
    times = (np.arange(power.shape[0]) * hop + size / 2.0) / rate
    return ShakeView(
        times_s=np.asarray(times, float),
        frequency_hz=np.asarray(hz[use], float),
        level_db=np.asarray(level, float),
        spectrum_hz=spectrum.frequency_hz,
        amplitude=spectrum.amplitude,
        floor=np.asarray(np.sqrt(2.0 * floor * spectrum.noise_bandwidth_hz), float),
    )


def _under(density: FloatArray, hz: FloatArray) -> FloatArray:
    """The noise beneath the map at each frequency [shape (columns,)].

    What is there 40% of the time leaves out lines that sweep through; the median over neighbouring frequencies
    leaves out lines that stand.
    """
    quiet = np.percentile(density, QUIET_PERCENTILE, axis=0) / QUIET_SHARE
    half = np.maximum(LEAST_HALF_WIDTH_HZ, HALF_WIDTH_SHARE * hz)
    first = np.searchsorted(hz, hz - half)
    last = np.searchsorted(hz, hz + half, side="right")
    smooth = [float(np.median(quiet[a:b])) for a, b in zip(first, last, strict=True)]
    return np.asarray(np.maximum(smooth, 1e-30), float)


def measured_hz(view: ShakeView, time_s: float | None, expected_hz: float) -> float | None:
    """Frequency of the strongest line near the expected one in the block about time_s; None where none stands out.

    time_s None: over the whole record, for a held speed. The top of a parabola through the three highest levels.
    """
    if time_s is None:
        hz, row = view.spectrum_hz, 20.0 * np.log10(np.maximum(view.amplitude / view.floor, 1e-6))
        least = STANDS_OUT_AVERAGED_DB
    else:
        row = view.level_db[int(np.argmin(np.abs(view.times_s - time_s)))]
        hz, least = view.frequency_hz, STANDS_OUT_DB
    reach = max(LEAST_SEARCH_HZ, SEARCH_SHARE * expected_hz)
    near = np.flatnonzero(np.abs(hz - expected_hz) <= reach)
    if near.size == 0:
        return None
    top = int(near[np.argmax(row[near])])
    edge = top in (0, row.size - 1)
    if edge or row[top] < least or row[top] < max(row[top - 1], row[top + 1]):
        return None
    left, middle, right = row[top - 1 : top + 2]
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float(hz[top] + shift * (hz[1] - hz[0]))


def stands_out_db(view: ShakeView, track: Track, steady: bool) -> float:
    """How far a line stands over the noise along its course, in dB: the median of the blocks, or averaged if steady.

    Within a bin to each side of where the sensor shows it.
    """
    if steady:
        seen = float(np.median(track.seen_hz))
        near = np.abs(view.spectrum_hz - seen) <= max(view.spectrum_hz[1], 0.01 * seen)
        return float(20.0 * np.log10(np.max(view.amplitude[near] / view.floor[near], initial=1e-6)))
    course = np.interp(view.times_s, track.times_s, track.seen_hz)
    step = view.frequency_hz[1] - view.frequency_hz[0]
    near = np.abs(view.frequency_hz - course[:, None]) <= step
    return float(np.median(np.where(near, view.level_db, -60.0).max(axis=1)))


def strongest(
    view: ShakeView, pieces: int = 5, count: int = 3
) -> tuple[tuple[float, tuple[float, ...]], ...]:
    """(middle of the piece in s, its strongest frequencies in Hz) for each of `pieces` equal lengths of time.

    What the map shows, for those who cannot see it: peaks of the median level that stand out, strongest first.
    """
    found = []
    for rows in np.array_split(np.arange(view.times_s.size), pieces):
        middle = view.level_db[rows[len(rows) // 2]]
        inner = middle[1:-1]
        peaks = 1 + np.flatnonzero((inner >= middle[:-2]) & (inner > middle[2:]) & (inner >= STANDS_OUT_DB))
        best = peaks[np.argsort(-middle[peaks], kind="stable")][:count]
        hz = tuple(round(float(view.frequency_hz[i]), 1) for i in best)
        found.append((round(float(view.times_s[rows[len(rows) // 2]]), 1), hz))
    return tuple(found)


def moments_of(lesson: Lesson) -> tuple[Moment, ...]:
    """Begin, end, and just before and after a gear change; or begin, middle and end."""
    test, length = lesson.test, lesson.plan.duration_s
    changes = [at for at, _ in lesson.plan.drive.gears[1:]]
    inner = [t for at in changes for t in (at - 1.5, at + 1.5)] or [length / 2.0]
    return tuple(_moment(test, t) for t in (1.0, *inner, length - 1.0))


def _moment(test: RoadTest, time_s: float) -> Moment:
    truth = test.truth
    at = int(np.searchsorted(truth.times_s, time_s))
    speed, gear = float(truth.speed_mps[at]), int(truth.gear[at])
    rows = rate_table(test.vehicle, speed, gear or None)
    rates: dict[str, float] = {}
    for row in rows:
        rates.setdefault(row.part, row.turns_per_second)
    if test.vehicle.has_engine and gear == 0:
        rates["engine"] = IDLE_HZ
        rates.update({f"accessory:{one.name}": IDLE_HZ * one.ratio for one in test.vehicle.accessories})
    return Moment(time_s, speed, gear, rates)

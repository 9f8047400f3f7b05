"""What bringing jittered, dropped stamps onto a uniform base costs: amplitude, error and frequency by method.

    python tests/benchmarks/clock.py [draws]

A sine of unit amplitude and random phase is sampled at 200 Hz for 30 s with the stamps' true jitter and
drops, brought onto a uniform base by each method, and compared with the sine itself: amplitude by
projection, the rest as root mean square error, and the frequency at the peak of the padded spectrum.
A last case hands the rows over in bursts of five, 0.2 ms apart and up to 4 ms late; its instants are known but for a
constant, which is taken out. The random draws are seeded. Used by docs/recording-formats.md, which quotes its table.
"""

import sys
from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from vibeorder.recording.clock import to_uniform

FloatArray = NDArray[np.float64]
RATE_HZ, LENGTH_S = 200.0, 30.0
SHARES = (0.1, 0.3, 0.5, 0.7, 0.8, 0.9)
CLOCKS = {
    "jitter 2%": (0.02, 0.0),
    "jitter 7%, 1% dropped": (0.07, 0.01),
    "jitter 20%, 3% dropped": (0.2, 0.03),
}
BURST, BURST_LATE_S, INSIDE_S = 5, 4e-3, 2e-4
Method = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


def linear(times_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Straight lines between samples."""
    grid = _grid(times_s)
    return grid, np.interp(grid, times_s, values)


def cubic(times_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A cubic spline through the samples (scipy)."""
    grid = _grid(times_s)
    return grid, CubicSpline(times_s, values)(grid)


def stamps_ignored(times_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Samples one after the other at the median step."""
    step = float(np.median(np.diff(times_s)))
    return times_s[0] + step * np.arange(values.size), values


def ours(times_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The reader's own way, its choice of clock included."""
    uniform = to_uniform(times_s, values[None], "benchmark")
    return uniform.start_s + np.arange(uniform.valid.size) / uniform.rate_hz, uniform.samples[0]


METHODS: dict[str, Method] = {"index/rate": stamps_ignored, "linear": linear, "cubic": cubic, "ours": ours}


def draw(
    share: float, jitter: float, dropped: float, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, float]:
    """Stamps, samples and frequency of one sine near `share` of the Nyquist frequency."""
    hz = share * RATE_HZ / 2 + rng.uniform(-0.5, 0.5)
    count = int(RATE_HZ * LENGTH_S)
    times = (np.arange(count) + rng.normal(0, jitter, count)) / RATE_HZ
    times = np.sort(times[rng.random(count) >= dropped])
    return times, np.sin(2 * np.pi * hz * times + rng.uniform(0, 2 * np.pi)), hz


def draw_bursts(share: float, rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """True instants, stamps of their bursts, samples and frequency of one sine."""
    times, values, hz = draw(share, 0.0, 0.0, rng)
    handed = times[BURST - 1 :: BURST] + rng.uniform(0, BURST_LATE_S, times.size // BURST)
    stamps = np.repeat(handed, BURST) + INSIDE_S * (np.arange(times.size) % BURST)
    return times, np.maximum.accumulate(stamps), values, hz


def measure_bursts(
    method: Method, times_s: FloatArray, stamps_s: FloatArray, values: FloatArray, hz: float
) -> tuple[float, float, float]:
    """As `measure`, the constant lateness taken out by the phase of the sine."""

    def on_time(_: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        grid, got = method(stamps_s, values)
        turned = np.exp(-2j * np.pi * hz * grid) @ got / (np.exp(-2j * np.pi * hz * times_s) @ values)
        return grid + np.angle(turned) / (2 * np.pi * hz), got

    return measure(on_time, times_s, values, hz)


def measure(method: Method, times_s: FloatArray, values: FloatArray, hz: float) -> tuple[float, float, float]:
    """Amplitude ratio, root mean square error relative to the sine's, and frequency error in mHz."""
    grid, got = method(times_s, values)
    inner = (grid > times_s[0] + 0.2) & (grid < times_s[-1] - 0.2)
    grid, got = grid[inner], got[inner]
    design = np.stack([np.cos(2 * np.pi * hz * grid), np.sin(2 * np.pi * hz * grid)], axis=1)
    truth = np.stack([np.cos(2 * np.pi * hz * times_s), np.sin(2 * np.pi * hz * times_s)], axis=1)
    amplitude = float(np.linalg.norm(np.linalg.lstsq(design, got, rcond=None)[0]))
    wanted = design @ np.linalg.lstsq(truth, values, rcond=None)[0]
    error = float(np.sqrt(np.mean((got - wanted) ** 2) * 2))
    return amplitude, error, 1000 * (_peak(grid, got, hz) - hz)


def _grid(times_s: FloatArray) -> FloatArray:
    return np.arange(times_s[0], times_s[-1], 1 / RATE_HZ)


def _peak(grid: FloatArray, values: FloatArray, near_hz: float) -> float:
    """Frequency of the greatest projection within 3 Hz, on a fine comb refined twice."""
    window = np.hanning(grid.size)
    centre, width = near_hz, 3.0
    for _ in range(4):
        comb = np.linspace(centre - width, centre + width, 121)
        power = np.abs(np.exp(-2j * np.pi * comb[:, None] * grid) @ (window * values))
        centre, width = float(comb[int(np.argmax(power))]), width / 30
    return centre


def table(
    name: str, draws: int, drawn: Callable[[float], tuple[object, ...]], measured: Callable[..., object]
) -> None:
    """Prints one table: drawn(share) makes a case, measured(method, *case) its three numbers."""
    print(f"\n{name} (200 Hz, 30 s, {draws} draws): amplitude / error / frequency error in mHz")
    print("| f / Nyquist | " + " | ".join(METHODS) + " |\n|---|" + "---|" * len(METHODS))
    for share in SHARES:
        cases = [drawn(share) for _ in range(draws)]
        cells = []
        for method in METHODS.values():
            rows = np.array([measured(method, *case) for case in cases])
            rms = float(np.sqrt(np.mean(rows[:, 2] ** 2)))
            cells.append(f"{rows[:, 0].mean():.3f} / {np.sqrt(np.mean(rows[:, 1] ** 2)):.3f} / {rms:.2g}")
        print(f"| {share:.1f} | " + " | ".join(cells) + " |")


def main(draws: int) -> None:
    """Prints one table for each clock."""
    rng = np.random.default_rng(20240611)
    for name, (jitter, dropped) in CLOCKS.items():
        table(name, draws, partial(draw, jitter=jitter, dropped=dropped, rng=rng), measure)
    fresh = np.random.default_rng(20240611)
    table("rows in bursts of five", draws, partial(draw_bursts, rng=fresh), measure_bursts)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)

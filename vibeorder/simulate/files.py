"""A road test as the file that a phone would have written, or as the `Recording` that reading it gives."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.simulate.model import RoadTest
from vibeorder.units import KMH_MPS, STANDARD_GRAVITY

if TYPE_CHECKING:
    from vibeorder.recording.model import Recording

__all__ = ["LAYOUTS", "LogLayout", "as_recording", "write_log", "write_wav"]

FloatArray = NDArray[np.float64]

LONGEST_FILLED_STEPS = 2.5


@dataclass(frozen=True, slots=True)
class LogLayout:
    """How one kind of logger writes: column names, order of the axes, units, separator, decimal sign.

    time_scale: written units per second, time_offset: seconds added first. axis_unit: m/s^2 per written unit.
    speed: name of the GPS column, blank between fixes; speed_unit: m/s per written unit.
    """

    time: str
    axes: tuple[str, str, str]
    speed: str
    order: tuple[int, int, int] = (0, 1, 2)
    separator: str = ","
    decimal: str = "."
    time_scale: float = 1.0
    time_offset: float = 0.0
    time_digits: int = 4
    axis_unit: float = 1.0
    axis_digits: int = 2
    speed_unit: float = 1.0


LAYOUTS = {
    "seconds": LogLayout("time (s)", ("ax (m/s^2)", "ay (m/s^2)", "az (m/s^2)"), "gps speed (m/s)"),
    "milliseconds": LogLayout(
        "time_ms", ("ax_g", "ay_g", "az_g"), "speed_kmh",
        time_scale=1e3, time_digits=1, axis_unit=STANDARD_GRAVITY, axis_digits=4, speed_unit=KMH_MPS,
    ),
    "semicolon": LogLayout(
        "time (s)", ("ax (m/s^2)", "ay (m/s^2)", "az (m/s^2)"), "speed (km/h)",
        separator=";", decimal=",", speed_unit=KMH_MPS,
    ),
    "epoch": LogLayout(
        "time", ("z", "y", "x"), "speed",
        order=(2, 1, 0), time_scale=1e9, time_offset=1_700_000_000.0, time_digits=0,
    ),
}  # fmt: skip


def write_log(test: RoadTest, path: str | Path, layout: str = "seconds", gps: bool = True) -> Path:
    """Write an acceleration log as delimited text; the GPS column only where there is GPS and `gps`.

    layout: a key of LAYOUTS. Raises RecordingError for an unknown layout, or when the test is audio.
    """
    if layout not in LAYOUTS:
        raise RecordingError(f"log layout {layout!r} is unknown; take one of {', '.join(LAYOUTS)}")
    if test.scenario.sensor != "acceleration":
        raise RecordingError("this road test is a sound recording; write it with write_wav")
    form = LAYOUTS[layout]
    columns = [_times(test.times_s, form)]
    columns += [[f"{v:.{form.axis_digits}f}" for v in test.samples[i] / form.axis_unit] for i in form.order]
    header = [form.time, *form.axes]
    if gps and test.gps is not None:
        header.append(form.speed)
        columns.append(_fixes(test, form))
    rows = (form.separator.join(row) for row in zip(*columns, strict=True))
    text = "\n".join((form.separator.join(header), *(row.replace(".", form.decimal) for row in rows))) + "\n"
    file = Path(path)
    file.write_text(text, encoding="utf-8", newline="\n")
    return file


def write_wav(test: RoadTest, path: str | Path) -> Path:
    """Write a sound recording as 16-bit WAV. Raises RecordingError when the test is not audio."""
    import soundfile

    if test.scenario.sensor != "audio":
        raise RecordingError("this road test is an acceleration log; write it with write_log")
    file = Path(path)
    soundfile.write(file, test.samples.T, int(test.scenario.rate_hz), subtype="PCM_16", format="WAV")
    return file


def as_recording(test: RoadTest, gps: bool = True) -> "Recording":
    """The Recording without a file between: cubic splines onto a uniform base, gaps of 2.5 steps left empty.

    For benchmarks that draw thousands of road tests; reading the file that `write_log` writes goes through
    the recording room's own mending instead.
    """
    # Here, not above: writing a log must not load every reader.
    from vibeorder.recording.model import Quality, Recording, Trace

    audio = test.scenario.sensor == "audio"
    steps = np.diff(test.times_s)
    # Whole steps over the whole span: a median step alone is too long where many samples are missing.
    rate = float(np.round(steps / np.median(steps)).sum() / (test.times_s[-1] - test.times_s[0]))
    times = test.times_s[0] + np.arange(int((test.times_s[-1] - test.times_s[0]) * rate) + 1) / rate
    even = audio or bool(np.ptp(steps) < 1e-9)
    samples, valid = (test.samples, np.ones(test.times_s.size, bool)) if even else _uniform(test, times, rate)
    fixes = test.gps if gps else None
    sampled_hz = rate
    if audio:
        samples, valid, rate = _thinned(samples, rate)
    return Recording(
        samples=samples,
        rate_hz=rate,
        unit="relative" if audio else "m/s^2",
        kind=test.scenario.sensor,
        channels=("microphone",) if audio else ("x", "y", "z"),
        valid=valid,
        quality=Quality(rate, test.scenario.rate_hz, float(np.std(steps) * sampled_hz)),
        source="simulated",
        start_s=float(test.times_s[0]),
        speed=None if fixes is None else Trace(fixes.times_s, fixes.speed_mps, "gps speed", "m/s"),
        history=("simulated road test",),
    )


def _uniform(test: RoadTest, times: FloatArray, rate_hz: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    from scipy.interpolate import CubicSpline

    samples = CubicSpline(test.times_s, test.samples, axis=1)(times)
    after = np.minimum(np.searchsorted(test.times_s, times), test.times_s.size - 1)
    step = test.times_s[after] - test.times_s[np.maximum(after - 1, 0)]
    valid = step <= LONGEST_FILLED_STEPS / rate_hz
    samples[:, ~valid] = 0.0
    return samples, valid


def _thinned(sound: FloatArray, rate_hz: float) -> tuple[FloatArray, NDArray[np.bool_], float]:
    """Sound at the rate to which a file of it is read."""
    from vibeorder.recording.decimate import decimated, decimation_factor

    factor = decimation_factor(rate_hz)
    samples = decimated(sound, factor)
    return samples.astype(float), np.ones(samples.shape[1], bool), rate_hz / factor


def _times(times_s: FloatArray, form: LogLayout) -> list[str]:
    if form.time_digits == 0:  # nanoseconds since 1970 do not fit a double: add as whole numbers
        offset = int(form.time_offset * form.time_scale)
        return [str(offset + round(t * form.time_scale)) for t in times_s]
    return [f"{(t + form.time_offset) * form.time_scale:.{form.time_digits}f}" for t in times_s]


def _fixes(test: RoadTest, form: LogLayout) -> list[str]:
    cells = [""] * test.times_s.size
    assert test.gps is not None
    rows = np.searchsorted(test.times_s, test.gps.times_s)
    for row, speed in zip(rows, test.gps.speed_mps, strict=True):
        if row < len(cells):
            cells[int(row)] = f"{speed / form.speed_unit:.2f}"
    return cells

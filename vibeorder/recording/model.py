"""What a recording is once it has been read: samples on a uniform time base, and its own history."""

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Quality", "Recording", "Trace", "showable"]

FloatArray = NDArray[np.float64]
SampleArray = NDArray[Any]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Trace:
    """A slow quantity logged beside the shake: road speed or engine speed.

    times_s: seconds on the recording's own clock, strictly rising [shape (n,)].
    values: m/s for a road speed, turns per second for an engine speed [shape (n,)]; never NaN.
    name: the column or file it came from. epoch_s: Unix time of times_s == 0 where stamps were absolute.
    unit: how the log wrote it ("km/h", "rpm"), for showing it again.
    lag_s: how late the values run behind the recording, where that was measured or told; None where not.
    open_units: where the log does not say its unit and nothing has told it yet, each that it may be in and its log
        weight; `unit` is the first among them by weight.
    date_doubt_s: what to add to epoch_s where day and month of its date are the other way round, which the figures
        leave open; 0 where they do not.
    """

    times_s: FloatArray
    values: FloatArray
    name: str
    unit: str
    epoch_s: float | None = None
    lag_s: float | None = None
    open_units: tuple[tuple[str, float], ...] = ()
    date_doubt_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Quality:
    """What the clock and the samples were like before they were mended.

    rate_hz: true update rate of the sensor. nominal_rate_hz: what the file or its stamps claim.
    jitter: standard deviation of the steps between stamps, relative to the median step.
    gaps: (start_s, length_s) of each stretch without samples that was left empty.
    clipped, repaired, repeated: numbers of samples.
    """

    rate_hz: float
    nominal_rate_hz: float
    jitter: float = 0.0
    gaps: tuple[tuple[float, float], ...] = ()
    clipped: int = 0
    repaired: int = 0
    repeated: int = 0


@dataclass(frozen=True, slots=True)
class Recording:
    """A shake on a uniform time base.

    samples: [shape (channels, n)], in `unit`; float64 of a short log, float32 of sound and of long recordings,
        which lie on disk and are best taken in stretches (`store.excerpt`). Zero where `valid` is False.
    rate_hz: samples per second of the uniform base. start_s: time of sample 0 on the recording's clock.
    valid: [shape (n,)] False inside gaps, which are never filled with invented signal.
    unit: "m/s^2", or "relative" where the scale is unknown (audio, raw counts without gravity).
    kind: "acceleration" or "audio".
    speed, rpm: logged beside the samples, on the same clock, or None.
    mark_times_s: instants of a once-a-turn mark, where the log has such a column.
    date_doubt_s: of epoch_s, as a Trace has it.
    history: what was found, assumed, repaired and ignored, one plain sentence each, shown to the user as is.
    """

    samples: SampleArray
    rate_hz: float
    unit: Literal["m/s^2", "relative"]
    kind: Literal["acceleration", "audio"]
    channels: tuple[str, ...]
    valid: BoolArray
    quality: Quality
    source: str
    start_s: float = 0.0
    epoch_s: float | None = None
    speed: Trace | None = None
    rpm: Trace | None = None
    mark_times_s: FloatArray | None = None
    history: tuple[str, ...] = field(default=())
    date_doubt_s: float = 0.0

    @property
    def duration_s(self) -> float:
        """Length of the uniform base, gaps included, in seconds."""
        return float(self.samples.shape[1] / self.rate_hz)


def showable(text: str) -> str:
    """Text that every page, picture and file takes: bytes of a file's name that are no UTF-8 become "?"."""
    return text.encode("utf-8", "replace").decode("utf-8")

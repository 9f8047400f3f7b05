"""Where in a picture a part's line stands: at its own rate, or at the mirror image that the samples show."""

import math

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.result import Diagnosis, OrderMap, SpectrumView, Suspect

__all__ = ["mirrored", "own_hz", "peak_of", "place_hz", "placed", "ranges_of", "sample_rate_hz"]

FloatArray = NDArray[np.float64]


def sample_rate_hz(diagnosis: Diagnosis) -> float:
    """Samples per second; infinite where the recording does not say, and of sound: it was filtered, nothing folds."""
    if diagnosis.recording.get("kind") == "audio":
        return math.inf
    rate = diagnosis.recording.get("rate_hz")
    return float(rate) if isinstance(rate, int | float) and rate > 0.0 else math.inf


def mirrored(hz: FloatArray, rate_hz: float) -> FloatArray:
    """Frequencies as samples at `rate_hz` show them: folded at half that rate (sampling theorem)."""
    if not math.isfinite(rate_hz):
        return hz
    return np.asarray(np.abs(hz - rate_hz * np.round(hz / rate_hz)))


def own_hz(one: Suspect) -> float | None:
    """Where a suspect was measured, else where it would be; None where neither is known."""
    hz = one.frequency_hz if one.frequency_hz is not None else one.expected_hz
    return float(hz) if hz is not None and math.isfinite(hz) and hz > 0.0 else None


def place_hz(one: Suspect, rate_hz: float) -> float | None:
    """Where a suspect's line stands in this recording: at its mirror image where it is folded."""
    hz = own_hz(one)
    return float(mirrored(np.array(hz), rate_hz)) if hz is not None and one.folded else hz


def placed(diagnosis: Diagnosis) -> list[tuple[float, Suspect]]:
    """(Hz, suspect) of all whose place is known."""
    rate_hz = sample_rate_hz(diagnosis)
    return [(where, one) for one in diagnosis.suspects if (where := place_hz(one, rate_hz)) is not None]


def ranges_of(view: OrderMap, rate_hz: float) -> dict[str, tuple[float, float]]:
    """Name of a line -> its lowest and highest rate in this drive, Hz."""
    paths = {name: mirrored(path[np.isfinite(path)], rate_hz) for name, path in view.tracks}
    return {name: (float(path.min()), float(path.max())) for name, path in paths.items() if path.size}


def peak_of(view: SpectrumView, low_hz: float, high_hz: float) -> tuple[float, float] | None:
    """(frequency, amplitude) of the highest point that is drawn from `low_hz` to `high_hz`; None where none is."""
    use = (view.frequency_hz >= low_hz) & (view.frequency_hz <= high_hz) & np.isfinite(view.amplitude)
    if not use.any():
        return None
    at = int(np.argmax(np.where(use, view.amplitude, -np.inf)))
    return float(view.frequency_hz[at]), float(view.amplitude[at])

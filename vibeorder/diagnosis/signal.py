"""The samples that are judged, and where a line of any frequency shows in them."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.spectrum.lengths import fast_length

__all__ = ["OVERSAMPLED", "READABLE_SHARE", "Kept", "Signal", "folded"]

F32 = NDArray[np.float32]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


READABLE_SHARE = 0.42
"""Of the rate of sound: its filter lets lines through up to here, and nothing folds."""

OVERSAMPLED = 2
"""Twice the rate before cubics fill in: their error then stays below 1% of a line up to 0.4 of the sample rate."""


class Kept(dict[Any, Any]):
    """What was made once for all who ask, and can be made again: to another process it goes empty."""

    def __reduce__(self) -> tuple[type["Kept"], tuple[()]]:
        return Kept, ()


@dataclass(frozen=True, slots=True)
class Signal:
    """The samples to be judged: [shape (channels, n)] float32 without their mean, zero where not valid.

    relative: they have no scale. ride: how many times as strong as on a car a line must be to mean the same. folds:
    what lies above half the rate shows folded below; sound was filtered before, and nothing does.
    """

    samples: NDArray[np.float32]
    valid: BoolArray
    rate_hz: float
    relative: bool
    ride: float = 1.0
    folds: bool = True
    _oversampled: Kept = field(default_factory=Kept, init=False, repr=False, compare=False)

    @property
    def top_hz(self) -> float:
        """Highest true frequency at which a line can be read: any, where it folds."""
        return float(np.inf) if self.folds else READABLE_SHARE * self.rate_hz

    @property
    def log_scale(self) -> float | None:
        """ln of (recorded units per m/s^2 on a car), None where there is no scale."""
        return None if self.relative else float(np.log(self.ride))

    def of(self, samples: NDArray[np.float32], valid: BoolArray, rate_hz: float | None = None) -> "Signal":
        """Other samples of the same recording, on the same scale; rate_hz: where they are at another rate."""
        return replace(self, samples=samples, valid=valid, rate_hz=rate_hz or self.rate_hz)

    def oversampled(self) -> list[F32]:
        """Each channel, band-limited, at OVERSAMPLED times the rate; made once for all frames that are cut from it."""
        if not self._oversampled:
            self._oversampled.update(enumerate(_oversampled(channel) for channel in self.samples))
        return list(self._oversampled.values())


def folded(frequency_hz: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Where a line shows in the spectrum: itself up to half the sample rate, its mirror image above."""
    seen = np.abs(frequency_hz)
    if seen.size and float(seen.max()) <= 0.5 * sample_rate_hz:  # as most lines do
        return seen
    return np.abs(frequency_hz - sample_rate_hz * np.round(frequency_hz / sample_rate_hz))


def _oversampled(channel: F32) -> F32:
    """Band-limited interpolation of the whole channel."""
    size = fast_length(channel.size, even=True)
    spectrum = np.fft.rfft(channel, size)
    fine = np.asarray(OVERSAMPLED * np.fft.irfft(spectrum, OVERSAMPLED * size), np.float32)
    return fine[: OVERSAMPLED * channel.size]

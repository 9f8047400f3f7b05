"""Two nearly equal rates beat: a line that is two, and how far apart they are.

At a held speed the whole record resolves 1/T. Two tires of slightly different size, or a shaft and an engine
that a slipping converter keeps apart, show as two lines within a fraction of a hertz, and are felt as a shake that
comes and goes once per 1 / difference (the beat of two tones; any acoustics textbook).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.spectrum.baseband import Baseband, narrowed

__all__ = ["Beat", "find_beat"]

FloatArray = NDArray[np.float64]

REACH_HZ = 0.6
"""Farther apart than this two lines are read apart anyway."""

SURROUNDINGS_HZ = 1.6
LEAST_APART = 3.0
"""In 1/T: the window's own main lobe and a wander of the speed reach this far."""

LEAST_SHARE = 0.35
"""Amplitude of the weaker line over the stronger one from which the coming and going is felt."""

LEAST_RATIO = 25.0
"""Power of the weaker line over the noise beside both."""

CLEAN_SHARE = 0.93
"""Share of all power near the track that the two lines hold: a line that wanders is many, not two."""

SHORTEST_S = 20.0


@dataclass(frozen=True, slots=True)
class Beat:
    """Two lines `apart_hz` from each other; `share`: weaker amplitude over stronger; `rate_hz`: their mean rate."""

    apart_hz: float
    share: float
    rate_hz: float

    @property
    def period_s(self) -> float:
        """How often the shake comes and goes, in seconds."""
        return 1.0 / self.apart_hz


def find_beat(band: Baseband, turns: FloatArray, rate_hz: float) -> Beat | None:
    """The second of two lines about a track, or None where there is one or none.

    band: demodulated on the track; turns: correction to it at the band's instants; rate_hz: the line's frequency.
    """
    close = narrowed(band, turns, 4.0 * SURROUNDINGS_HZ)
    count = close.z.shape[1]
    length_s = count / close.rate_hz
    if length_s < SHORTEST_S:
        return None
    window = np.sin(np.pi * (np.arange(count) + 0.5) / count) ** 2
    power = (np.abs(np.fft.fft(close.z * window, 4 * count, axis=1)) ** 2).sum(axis=0)
    offset = np.fft.fftfreq(4 * count, 1.0 / close.rate_hz)
    beside = (np.abs(offset) > REACH_HZ) & (np.abs(offset) < SURROUNDINGS_HZ)
    noise = float(np.median(power[beside])) / np.log(2.0) + 1e-30
    near = np.where(np.abs(offset) <= REACH_HZ, power, 0.0)
    first = int(near.argmax())
    apart = np.abs(offset - offset[first])
    other = np.where(_is_peak(power) & (apart >= LEAST_APART / length_s), near, 0.0)
    second = int(other.argmax())
    share = float(np.sqrt(other[second] / near[first])) if near[first] > 0.0 else 0.0
    if share < LEAST_SHARE or other[second] < LEAST_RATIO * noise:
        return None
    lobe = LEAST_APART / length_s / 1.5
    in_two = (apart < lobe) | (np.abs(offset - offset[second]) < lobe)
    if power[in_two].sum() < CLEAN_SHARE * near.sum():
        return None
    return Beat(float(apart[second]), share, rate_hz)


def _is_peak(power: FloatArray) -> NDArray[np.bool_]:
    return np.asarray((power > np.roll(power, 1)) & (power >= np.roll(power, -1)))

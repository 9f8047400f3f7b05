"""What speaks for and against each suspect, in numbers: the result that every door renders, computing nothing.

Amplitudes are vector peaks in the suspect's unit. Errors are one standard error. Weights are natural logarithms,
tempered as the probabilities are: +2.3 makes a suspect ten times likelier against "nothing that turns".
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Explanation",
    "Finding",
    "Kind",
    "LoadSplit",
    "OrderStrength",
    "Resonance",
    "Said",
    "SpeedCurve",
    "TrackSeen",
    "parted",
]

FloatArray = NDArray[np.float64]

Kind = Literal[
    "line",
    "rate",
    "movement",
    "shift",
    "harmonics",
    "strength",
    "folding",
    "prior",
    "rival",
    "courses",
    "speed",
    "resonance",
    "load",
    "evidence",
]
"""What a finding is about. `prior`, `strength`, `harmonics` and `courses` add up to a suspect's log odds."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that speaks for, against, or not at all.

    weight: in log units where the judgement has one. values: (name, number) of what the sentence says, SI.
    """

    kind: Kind
    sentence: str
    weight: float | None = None
    values: tuple[tuple[str, float], ...] = ()

    def value(self, name: str) -> float:
        """One of the numbers by its name; KeyError where it is not there."""
        return dict(self.values)[name]


Said = tuple[int, Finding]
"""What a finding does: +1 speaks for, -1 against, 0 says nothing either way."""


def parted(said: Sequence[Said]) -> tuple[tuple[Finding, ...], tuple[Finding, ...], tuple[Finding, ...]]:
    """Findings for, against, and silent, each in the order given."""
    pro, contra, silent = (tuple(found for side, found in said if side == which) for which in (1, -1, 0))
    return pro, contra, silent


@dataclass(frozen=True, slots=True)
class TrackSeen:
    """Where the part's line should run and where one was found, in true (not folded) frequency.

    expected_hz: from the vehicle and the speed source alone, fitted_hz: as the lines corrected it, both at
    times_s, nan where the part has no rate [shape (n,)]. seen_s, seen_hz: peaks of a plain spectrogram that
    stand clear, found without that course [shape (m,)].
    """

    times_s: FloatArray
    expected_hz: FloatArray
    fitted_hz: FloatArray
    seen_s: FloatArray
    seen_hz: FloatArray


@dataclass(frozen=True, slots=True)
class OrderStrength:
    """One order of the part: its strength along the course.

    noise: what noise alone would show there in a four-second block; snr_db: the line's power over that.
    seen: it stands three standard errors clear and 3 dB over the noise. readable: this sample rate shows it.
    shared_with: other parts' lines that run on it.
    """

    order: float
    frequency_hz: float
    amplitude: float
    standard_error: float
    noise: float
    snr_db: float
    seen: bool
    readable: bool
    folded: bool
    shared_with: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Resonance:
    """A peak of the amplitude against speed beyond what the part's own growth explains.

    frequency_hz: where the fitted single mode lies; q: its sharpness. low_mps, high_mps: speeds between which
    the amplitude is within 0.7 of its peak. times: how much it raises the line above the growth. gain: drop of
    chi squared that it buys. noise_rise: how much road noise, at all speeds alike, is raised at that frequency.
    of_the_body: the road noise has the same hump, so the body rings there, whatever excites it.
    """

    frequency_hz: float
    q: float
    low_mps: float
    high_mps: float
    times: float
    gain: float
    noise_rise: float
    of_the_body: bool


@dataclass(frozen=True, slots=True)
class LoadSplit:
    """Strength when speeding up and when slowing down, at the same speeds [shape (n,) each].

    ratio: speeding up over slowing down, with its standard error in ln(ratio). passes: how often each way.
    """

    speed_mps: FloatArray
    pulling: FloatArray
    coasting: FloatArray
    ratio: float
    log_ratio_se: float
    passes: int


@dataclass(frozen=True, slots=True)
class SpeedCurve:
    """Amplitude of one line against road speed.

    low_mps, high_mps: edges of each bin; frequency_hz: the line's mean there; amplitude and standard_error;
    expected: growing as the part's source does, rate ** expected_growth, fitted in size [shape (n,) each].
    growth: fitted exponent and its error.
    """

    low_mps: FloatArray
    high_mps: FloatArray
    frequency_hz: FloatArray
    amplitude: FloatArray
    standard_error: FloatArray
    expected: FloatArray
    expected_growth: float
    growth: float
    growth_se: float
    resonance: Resonance | None = None
    load: LoadSplit | None = None

    @property
    def speed_mps(self) -> FloatArray:
        """Middle of each bin."""
        return 0.5 * (self.low_mps + self.high_mps)


@dataclass(frozen=True, slots=True)
class Explanation:
    """All that speaks for and against one suspect, or against and for "nothing" (part "").

    log_odds: tempered, against nothing that turns; of nothing itself, against all suspects together.
    silent: what this recording cannot use either way, and why.
    """

    name: str
    part: str
    order: float
    probability: float
    unit: str
    log_odds: float | None
    speaks_for: tuple[Finding, ...]
    speaks_against: tuple[Finding, ...]
    silent: tuple[Finding, ...] = ()
    track: TrackSeen | None = None
    curve: SpeedCurve | None = None
    orders: tuple[OrderStrength, ...] = ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All of them."""
        return (*self.speaks_for, *self.speaks_against, *self.silent)

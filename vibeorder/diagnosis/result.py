"""The one result object: terminal, JSON, sheet and page all render a `Diagnosis`; none of them computes."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.explanation import Explanation

__all__ = [
    "Diagnosis",
    "HeardLine",
    "Leaning",
    "LineSeen",
    "Mismatch",
    "NextDrive",
    "OrderMap",
    "RunoutCheck",
    "Said",
    "Senses",
    "SpectrumView",
    "SpeedFit",
    "Suspect",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Suspect:
    """One candidate source, judged.

    part, order: as in the JSON contract. label: "driveshaft, first order (1x)".
    probability: that this is the part behind the complaint, given everything else that may be.
    frequency_hz, frequency_se_hz: measured at the record's median rate; expected_hz: from the vehicle alone
        (nominal tire, given speed); None where no line was measured there.
    amplitude: vector peak amplitude over the record in `unit`; amplitude_rms likewise as rms.
    snr_db: line power over the noise beside it. folded: seen below half the sample rate as its mirror image.
    indistinct_from: (part, order) of those whose line this recording cannot separate from this one.
    healthy: True where the line is there but of the strength that every healthy vehicle has.
    """

    part: str
    order: float
    label: str
    probability: float
    frequency_hz: float | None
    frequency_se_hz: float | None
    expected_hz: float | None
    amplitude: float
    amplitude_rms: float
    unit: str
    snr_db: float
    folded: bool
    healthy: bool
    indistinct_from: tuple[tuple[str, float], ...]
    causes: tuple[str, ...]
    first_check: str
    never: str
    feel: str
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RunoutCheck:
    """Whether putting a dial indicator on a part is warranted, where, and why."""

    warranted: bool
    where: str
    why: str


@dataclass(frozen=True, slots=True)
class SpeedFit:
    """How fast the vehicle went, and what was fitted.

    source: "given", "logged", "log file", "inferred". times_s, speed_mps: the path used [shape (n,)].
    low_mps, high_mps: a band of about 95%. scale: true wheel rate / nominal one, with its standard error.
    lag_s: how late the speed source runs, or None. unit: the user's own.
    gear: the one held throughout, 1 the lowest; None where it changed, is not known or there is none.
    gear_given: it was said; else it fits the recording best. said: the speed as it was typed, "" where none was.
    """

    source: str
    times_s: FloatArray
    speed_mps: FloatArray
    low_mps: FloatArray
    high_mps: FloatArray
    scale: float
    scale_se: float
    lag_s: float | None
    unit: str
    gear: int | None
    sentences: tuple[str, ...] = ()
    gear_given: bool = False
    said: str = ""


@dataclass(frozen=True, slots=True)
class LineSeen:
    """A dominant spectral line, named or not. amplitude: vector peak. direction: unit vector over the channels."""

    frequency_hz: float
    frequency_se_hz: float
    amplitude: float
    snr_db: float
    direction: tuple[float, ...]
    name: str


@dataclass(frozen=True, slots=True)
class SpectrumView:
    """Averaged amplitude spectrum and its noise floor for a figure [shape (n,) each]."""

    frequency_hz: FloatArray
    amplitude: FloatArray
    floor: FloatArray
    unit: str


@dataclass(frozen=True, slots=True)
class OrderMap:
    """Amplitude against time (rows) and wheel order or frequency (columns), for a figure."""

    times_s: FloatArray
    frequency_hz: FloatArray
    level_db: FloatArray
    tracks: tuple[tuple[str, FloatArray], ...] = ()


@dataclass(frozen=True, slots=True)
class NextDrive:
    """The drive that would separate what this recording cannot.

    bits_before, bits_after: entropy of the ranking now, and expected after it; None where not computed.
    alternatives: other kinds of drive, each with its expected entropy.
    """

    instruction: str
    reason: str
    bits_before: float | None = None
    bits_after: float | None = None
    alternatives: tuple[tuple[str, float], ...] = ()


CLEARLY = 4.0
"""Log odds from which a wrong profile is said without doubt."""


@dataclass(frozen=True, slots=True)
class Mismatch:
    """A strong line that nothing of this vehicle turns with, or that another profile explains better, and what would.

    order: shakes per turn of the wheel (of the engine, for a pulley ratio) on the speed source's own scale.
    amplitude: vector peak. what: "axle_ratio", "motor_ratio", "tire_size", "pulley_ratio", or "unlisted" where nothing
    plausible was found. value: the ratio, the rolling circumference in m, or turns per wheel turn.
    log_odds: that the profile is wrong, against chance.
    """

    order: float
    frequency_hz: float
    amplitude: float
    sentence: str
    what: str
    value: float
    log_odds: float = 0.0

    @property
    def clear(self) -> bool:
        """Whether it is said without doubt."""
        return self.log_odds > CLEARLY

    @property
    def share(self) -> float:
        """Probability that the profile is wrong."""
        return 1.0 / (1.0 + float(np.exp(-self.log_odds)))


@dataclass(frozen=True, slots=True)
class HeardLine:
    """A line that the sound shows where a part's should be."""

    part: str
    order: float
    frequency_hz: float
    log_evidence: float


@dataclass(frozen=True, slots=True)
class Senses:
    """Which of motion and sound saw what: a sentence of each, and the lines heard, clearest first."""

    motion: str
    sound: str
    heard: tuple[HeardLine, ...] = ()

    @property
    def sentence(self) -> str:
        """Both in one."""
        return f"motion: {self.motion}; sound: {self.sound}"


@dataclass(frozen=True, slots=True)
class Leaning:
    """What one answer of the customer does to the odds of some suspects, before the bound on all together."""

    answer: str
    suspects: str
    factor: float


@dataclass(frozen=True, slots=True)
class Said:
    """What the customer's words did: the first suspect's probability with and without them."""

    part: str
    order: float
    probability: float
    from_recording_alone: float
    sentence: str
    leanings: tuple[Leaning, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Everything one recording said about one vehicle.

    explanations: what speaks for and against the first suspects, and nothing (last); only where it was asked for.
    mismatch: what does not fit the vehicle as it was typed in, or None; then no part is named with confidence.
    senses: what motion and sound each saw, where both were recorded. said: what the customer's words did, where told.
    unexplained: a line as strong as a complaint at no part's rate, or None; nothing_found_probability is then that the
    shake is of none of the parts listed.
    """

    verdict: str
    suspects: tuple[Suspect, ...]
    nothing_found_probability: float
    runout_check: RunoutCheck
    speed: SpeedFit
    recording: dict[str, object]
    vehicle_name: str
    lines: tuple[LineSeen, ...]
    spectrum: SpectrumView
    order_map: OrderMap
    next_drive: NextDrive | None
    cautions: tuple[str, ...]
    notes: tuple[str, ...] = field(default=())
    history: tuple[str, ...] = field(default=())
    explanations: tuple[Explanation, ...] = ()
    mismatch: Mismatch | None = None
    senses: Senses | None = None
    said: Said | None = None
    unexplained: LineSeen | None = None

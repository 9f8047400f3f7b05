"""One suspect laid out for explaining: its samples, its phase along the fitted course, when it has a rate."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import Piece
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.idle_words import seen_on
from vibeorder.diagnosis.judge import Hypothesis
from vibeorder.diagnosis.measured import wheel_rate_hz
from vibeorder.diagnosis.result import Suspect
from vibeorder.diagnosis.scan import SLOWEST_RATE_HZ, usable
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.twins import readings_of
from vibeorder.vehicle import Vehicle

__all__ = ["Case", "case_of"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

ENOUGH_SAMPLES_A_TURN = 5.0
LEAST_RATE_HZ = 100.0
"""Sample rate kept for explaining, in multiples of the fastest line looked at: the tracker's work goes with it."""

SHIFT_HALF_S = 0.7
"""Either side of a gear change the engine is between two rates and has no line of its own there."""

SHOWN_ORDERS = (1.0, 2.0, 3.0, 4.0)


@dataclass(frozen=True, slots=True)
class Case:
    """Everything about one suspect on the hypothesis that speaks most for it.

    samples: [shape (channels, n)] float64; times_s [shape (n,)] on the stretch's own clock, stretch_s its start
    on the recording's. wheel_turns: along the fitted course, nominal_turns: from the speed source and nominal
    tire alone [shape (n,)]. per_wheel: turns of the PART per wheel turn at every sample, 0 where it has no rate
    [shape (n,)]. source: how the speed was known: "logged", "said" or "inferred".
    """

    suspect: Suspect
    index: int
    candidate: Candidate
    candidates: Sequence[Candidate]
    hypothesis: Hypothesis
    floor: Floor
    samples: FloatArray
    valid: BoolArray
    rate_hz: float
    sensor_hz: float
    stretch_s: float
    wheel_turns: FloatArray
    nominal_turns: FloatArray
    per_wheel: FloatArray
    circumference_m: float
    speed_unit: str
    source: str

    @property
    def times_s(self) -> FloatArray:
        """Instants of the samples from the stretch's start."""
        return np.arange(self.valid.size) / self.rate_hz

    @property
    def wheel_hz(self) -> FloatArray:
        """Wheel turns per second at the samples, along the course, smoothed as its frames are."""
        return np.interp(self.times_s, self.hypothesis.scan.clock.mid_s, wheel_rate_hz(self.hypothesis))

    @property
    def fitted_scale(self) -> float:
        """Wheel turns along the course over those of the speed source and nominal tire."""
        nominal = float(np.ptp(self.nominal_turns))
        return float(np.ptp(self.wheel_turns)) / nominal if nominal > 0.0 else 1.0

    @property
    def reading(self) -> Reading | None:
        """What the judgement read of this line."""
        return next(iter(readings_of(self.hypothesis.lines, self.index)), None)

    @property
    def relative(self) -> bool:
        """Whether the recording has no scale."""
        return self.suspect.unit != "m/s^2"

    def turns_of(self, order: float) -> FloatArray:
        """Phase of an order of the part in turns [shape (n,)]."""
        return order * _accumulated(self.wheel_turns, self.per_wheel)

    def held(self, order: float) -> BoolArray:
        """Samples at which that order has a rate, the vehicle moves and the sensor can show it [shape (n,)]."""
        wheel = self.wheel_hz
        shows = usable(np.maximum(wheel * self.per_wheel * order, 1e-6), self.sensor_hz)
        return np.asarray(self.valid & (self.per_wheel > 0) & (wheel > SLOWEST_RATE_HZ) & shows)

    def usual_ratio(self, times_s: FloatArray) -> BoolArray:
        """Where the part runs at its most used ratio (one gear), so that speed and frequency go together."""
        nearest = np.clip(np.round(times_s * self.rate_hz).astype(int), 0, self.per_wheel.size - 1)
        ratio = np.round(self.per_wheel[nearest], 6)
        numbers, counts = np.unique(ratio[ratio > 0], return_counts=True)
        return np.asarray(ratio == (numbers[counts.argmax()] if numbers.size else -1.0))

    def orders(self) -> tuple[float, ...]:
        """Orders of the part worth showing: the catalogue's, and the first four."""
        known = {c.order for c in self.candidates if c.part == self.candidate.part}
        return tuple(sorted(known.union(SHOWN_ORDERS)))


def case_of(
    signal: Signal,
    piece: Piece,
    suspect: Suspect,
    index: int,
    vehicle: Vehicle,
    speed_unit: str,
    source: str,
) -> Case | None:
    """The case of candidate `index`, or None where no hypothesis gives it a rate."""
    judgement = piece.judgement
    if not np.isfinite(judgement.log_class[index]):
        return None
    hypothesis = judgement.best_for(index)
    if (
        seen_on(hypothesis, index) is not hypothesis
    ):  # at idle nothing of the road's says anything of the line
        return None
    candidate, clock = judgement.candidates[index], hypothesis.scan.clock
    first = round(piece.start_s * signal.rate_hz)
    cut = slice(first, first + min(clock.turns.size, signal.samples.shape[1] - first))
    samples = np.asarray(signal.samples[:, cut], float)
    nominal = clock.turns[: samples.shape[1]]
    times = np.arange(nominal.size) / signal.rate_hz
    fitted = nominal + hypothesis.course.correction(times)
    per_wheel = multiple_at(hypothesis, index, times) / candidate.order
    highest = max(4.0, *(c.order for c in judgement.candidates if c.part == candidate.part))
    top = float((np.gradient(fitted, 1.0 / signal.rate_hz) * per_wheel).max()) * highest
    samples, step = _thinned(samples, signal.rate_hz, top)
    return Case(
        suspect,
        index,
        candidate,
        judgement.candidates,
        hypothesis,
        piece.floor,
        samples,
        signal.valid[cut][::step],
        signal.rate_hz / step,
        signal.rate_hz,
        piece.start_s,
        fitted[::step],
        nominal[::step],
        per_wheel[::step],
        vehicle.tire.circumference_m,
        speed_unit,
        source,
    )


def _thinned(samples: FloatArray, rate_hz: float, top_hz: float) -> tuple[FloatArray, int]:
    """The samples at no more than the rate that the fastest line looked at needs, and every how many were kept."""
    step = int(rate_hz / max(ENOUGH_SAMPLES_A_TURN * top_hz, LEAST_RATE_HZ))
    if step < 2:
        return samples, 1
    from scipy.signal import decimate

    return np.asarray(decimate(samples, step, ftype="fir", axis=1), float), step


def multiple_at(hypothesis: Hypothesis, index: int, times_s: FloatArray) -> FloatArray:
    """Line turns per wheel turn at any instants, 0 where the source has no rate (neutral, a shift) [same shape]."""
    clock = hypothesis.scan.clock
    out = np.zeros(times_s.size)
    for track in hypothesis.scan.tracks:
        if track.candidate != index:
            continue
        multiple = track.multiple * (1.0 + hypothesis.offsets.get((index, track.gear), 0.0))
        if track.gear is None:
            out[:] = multiple
        elif hypothesis.gears is not None:
            inside = (hypothesis.gears.gear == track.gear).astype(float)
            low, high = (np.interp(times_s + d, clock.mid_s, inside) for d in (-SHIFT_HALF_S, SHIFT_HALF_S))
            out[(low > 0.5) & (high > 0.5)] = multiple
    return out


def _accumulated(wheel_turns: FloatArray, per_wheel: FloatArray) -> FloatArray:
    steps = np.diff(wheel_turns, prepend=wheel_turns[0])
    return np.asarray(np.cumsum(per_wheel * steps), float)
